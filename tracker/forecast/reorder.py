"""One world in another order: how early a task in a new place, or a step in other hands, brings everybody in.

A task in a new place changes who does what after what; a step in other hands also how long it takes. Nothing
else is changed by either. So a change is played on the rows that are drawn already, from where it first makes
a difference, and comes bit for bit to what the journal with that event on it comes to.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.ahead import ahead
from tracker.forecast.ask import Ask
from tracker.forecast.branches import room
from tracker.forecast.durations import draw_durations
from tracker.forecast.ingress import inside
from tracker.forecast.network import every_need
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.sequence import OrderOfWork, Queues
from tracker.forecast.waits import Row
from tracker.forecast.world import Course, Node, World, advance, begin, home_from_here
from tracker.journal.progress import Progress

CIRCLE = float("inf")
"""The p90 ingress of an order that never comes to an end."""


@dataclass(frozen=True, eq=False)
class Reorder:
    """A world in its order, and what comes of changes of that."""

    progress: Progress
    world: World
    present: frozenset[int]
    """Nodes that remain, before and after."""
    prior: PacePrior

    @cached_property
    def work(self) -> OrderOfWork:
        """The order of work that stands."""
        return OrderOfWork(self.progress, self.world.crew, self.world.nodes)

    @cached_property
    def p90(self) -> float:
        """The p90 ingress in the order that stands, PET."""
        return self._p90(self._stands)

    def moved(self, task: str, before: str | None) -> float | None:
        """Return the p90 ingress, PET, with a task before another (None: last); None: ask the journal."""
        return self._ordered(self.work.moved(task, before), self.world, ())

    def handed(self, step: str, other: str, drawn: NDArray[np.float32]) -> float | None:
        """Return the p90 ingress, PET, with a step in other hands; None: ask the journal.

        `drawn` are its durations then.
        """
        i, c = self.work.place[step], self.world.crew.index(other)
        if self.work.begins_something(i, c):
            return None
        nodes = list(self.world.nodes)
        nodes[i] = nodes[i]._replace(crew=(c,))
        changed = [i, *(j for j, needs in enumerate(self._needs) if i in needs)]
        for j in changed:
            nodes[j] = nodes[j]._replace(needs=self._of_others(nodes, j))
        way = self._way_from(i)
        for j, node in enumerate(nodes):
            if way is not None and node.home is not None and c in node.crew:
                nodes[j] = node._replace(home={**node.home, i: way})
        # The course that stands is played before a row is lent to another one.
        row, stood, _ = self.world.durations[i], self.world.durations[i].copy(), self._stands
        row[:] = drawn
        try:
            return self._ordered(self.work.handed(i, c), replace(self.world, nodes=tuple(nodes)), changed)
        finally:
            row[:] = stood

    def in_hands_of(self, other: str, steps: Iterable[str]) -> NDArray[np.float32]:
        """Return (all nodes, N): how long these steps take this crew member.

        Rows of other steps are nothing, and so are those of current ones: they say how the pace is.
        """
        wanted = sorted({self.work.place[step] for step in steps} - set(self.work.current))
        asks = list(self._asks)
        for i in wanted:
            asks[i] = replace(asks[i], crew=(other,))
        return draw_durations(
            self.progress, asks, prior=self.prior, scenarios=self.world.scenarios, wanted=wanted
        ).rows

    def p90_without(self, steps: Collection[int], *, handed: bool) -> float:
        """Return a p90 ingress, PET, before which no new place of these steps brings everybody in.

        With `handed` no other owner either. It is the one without them: work that is left out makes nothing
        later. The way home is the shortest that could follow.
        """
        gone, nodes = frozenset(steps), list(self.world.nodes)
        homes = [i for i, node in enumerate(nodes) if node.home is not None]
        for i in homes:
            way = self._nearest(nodes[i], gone, handed)
            nodes[i] = nodes[i]._replace(home={}, home_from={}, home_now=way)
        world = replace(self.world, nodes=tuple(nodes)) if homes else self.world
        return self._p90(self._play(world, self._sorted, {*homes, *gone}, gone))

    def _nearest(self, home: Node, gone: frozenset[int], handed: bool) -> float:
        """Return the shortest way home, in seconds, that a change of these steps can lead to."""
        ways, nodes = home.home or {}, self.world.nodes
        new = [way for i in gone if handed and (way := self._way_from(i)) is not None]
        out = []
        for c in home.crew:
            mine = [i for i in ways if i in self.present and c in nodes[i].crew]
            from_here = (handed and gone.issuperset(mine)) or not mine
            here = [home_from_here(home, c)] if from_here else []
            out.append(min([*(ways[i] for i in mine), *new, *here]))
        return max(out, default=home.home_now)

    def _way_from(self, i: int) -> float | None:
        """Return the way home, in seconds, from the site of a node."""
        site, sites = self.progress.steps[self.world.nodes[i].step].step.site, self.progress.plan.sites
        return float(sites[site]) if site is not None and site in sites else None

    @cached_property
    def _asks(self) -> list[Ask]:
        return ahead(self.progress).at(self.progress, self.world.now)[1]

    @cached_property
    def _needs(self) -> tuple[tuple[int, ...], ...]:
        """Per node all that finishes first, of its own crew as well."""
        return every_need(self.progress, self.work.place)

    def _of_others(self, nodes: Sequence[Node], i: int) -> tuple[int, ...]:
        mine = set(nodes[i].crew)
        return tuple(need for need in self._needs[i] if mine.isdisjoint(nodes[need].crew))

    @cached_property
    def _sorted(self) -> list[int]:
        order = self.work.sorted(self.work.current_first(self.work.queues))
        assert order is not None, "the journal lets no circle in"
        return order

    @cached_property
    def _stands(self) -> Course:
        course = begin(self.world)
        course.table = room(self.world)
        return advance(self.world, course, [i for i in self._sorted if i in self.present])

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        return room(self.world)

    @cached_property
    def _ready(self) -> list[Row]:
        return begin(self.world).ready

    @cached_property
    def _known(self) -> dict[Queues, float]:
        return {}

    def _ordered(self, queues: Queues, world: World, changed: Collection[int]) -> float | None:
        """Return the p90 ingress with these queues; `changed` nodes are other ones in this world."""
        if not changed and queues in self._known:
            return self._known[queues]
        orders = self.work.current_first(queues)
        found = self.work.sorted(orders)
        if (found if orders == queues else self.work.sorted(queues)) is None:
            return CIRCLE
        if found is None:
            return None
        touched = set(changed)
        for mine, stood in zip(orders, self.work.current_first(self.work.queues), strict=True):
            pairs = enumerate(zip(mine, stood, strict=False))
            same = next((k for k, (a, b) in pairs if a != b), min(len(mine), len(stood)))
            touched.update(mine[same:])
        p90 = self._p90(self._play(world, found, touched, frozenset()))
        if not changed:
            self._known[queues] = p90
        return p90

    def _play(
        self, world: World, order: Sequence[int], touched: Collection[int], gone: frozenset[int]
    ) -> Course:
        """Return the course in this order, without what is gone; what nothing touched stays."""
        stands, everything, sited = self._stands, world.nodes, world.sited
        course = Course(list(self._ready), {}, dict(stands.finish), [None] * len(world.crew), self._table)
        late = [False] * len(world.crew)
        ahead: set[int] = set()
        play = []
        for i in order:
            if i not in self.present:
                continue
            node = everything[i]
            if i in touched or any([late[c] for c in node.crew]) or not ahead.isdisjoint(node.needs):
                ahead.add(i)
                for c in node.crew:
                    late[c] = True
                if i in gone:
                    del course.finish[i]
                else:
                    play.append(i)
                continue
            for c in node.crew:
                course.ready[c] = stands.finish[i]
            for c in sited[i]:
                course.last_site[c] = i
        return advance(world, course, play)

    def _p90(self, course: Course) -> float:
        return one(inside(self.world, course), 0.9) + self.world.now
