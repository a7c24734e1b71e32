"""What to keep: the most valuable set of optional tasks that holds, exact for the sample of scenarios.

The tasks are decided in the order of their first steps, depth first, and a set is given up with all that
would join it once it fails too often, since more work is never safer. It is looked at on the hardest of
the scenarios that can differ: a set that fails there more often than may fail at all fails. In a long
search that is asked with as many more tasks as would make it as good as the best: every scenario chooses
which, so that no set does better in any. Each improvement is judged in all scenarios; what breaks the rule
(hardware clocks, ways home, uses below waiting) never prunes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import (
    ChanceConstraint,
    FailureCounts,
    Worth,
    clocked,
    closed,
    total,
    with_needs,
    worths,
)
from tracker.forecast.task_sets import BoundEnd, Bounds, TaskSets, plain_world
from tracker.forecast.world import Course, Row, World, advance, begin

NODE_BUDGET = 20_000
"""Sets tried before the search stops and says that its best is not proven."""
FEW = 1280
"""Scenarios that are looked at first at least: fewer take hardly less time."""
SHORT = 128
"""Sets tried before a search counts as long, and more tasks are looked at, whichever they are."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The outcome of a search."""

    tasks: frozenset[int]
    """Indices into `World.optional`."""
    holds: bool
    """False when no set holds, not even the empty one; `tasks` is empty then."""
    proven: bool = True


def kept_set(
    sets: TaskSets,
    *,
    wanted: ChanceConstraint | None = None,
    among: Collection[int] | None = None,
    budget: int = NODE_BUDGET,
) -> Kept:
    """The best set that holds, of these tasks (default: all optional ones).

    Best is the greatest total value of `should` tasks, then of get-aheads, then the fewest unsafe
    scenarios, then file order. `wanted` replaces what the world's confidence demands.
    """
    world = sets.world
    wanted = wanted or ChanceConstraint.of(world)
    if plain_world(world) and not wanted.met(sets.outcome(()).failing):
        # More work is never safer: where even none does not hold, no set does.
        return Kept(frozenset(), holds=False)
    everything = closed(world.optional, range(len(world.optional)) if among is None else among)
    if sets.meets(everything, wanted):
        return Kept(everything, holds=True)
    bare = BoundEnd.of(sets, sets.least, frozenset())
    if not wanted.met(FailureCounts.of(*bare.broken)):
        return Kept(frozenset(), holds=False)
    full = BoundEnd.of(sets, sets.least, everything)
    order = sorted(everything, key=lambda m: (_first_node(world, m), m))
    parts = (_Part.of(bare, full, chosen, order) for chosen in _hardest(bare, full, wanted))
    return _Search(sets, wanted, budget, parts).run()


def _first_node(world: World, m: int) -> int:
    """The first node that remains with a task; past the last one where none does."""
    return next((i for i, node in enumerate(world.nodes) if m in node.groups), len(world.nodes))


def _hardest(bare: BoundEnd, full: BoundEnd, wanted: ChanceConstraint) -> Iterator[NDArray[np.intp]]:
    """Yield where to look first, twice as many scenarios as may still fail; then all that can differ.

    Those are safe with nothing optional and not with everything. The hardest bear the least share of the
    optional work.
    """
    surely = FailureCounts.of(*bare.broken)
    room = wanted.elapsed - (surely.any if wanted.joint else surely.elapsed)
    room = room if wanted.joint else max(room, wanted.consumables - surely.consumables)
    spare = -bare.lateness
    ease = spare / np.maximum(spare + full.lateness, np.float32(1))
    differs = [late & ~certain for late, certain in zip(full.broken, bare.broken, strict=True)]
    ease[~(differs[0] | differs[1])] = np.inf
    for size in (2 * room, int(np.count_nonzero(ease < np.inf))):
        most = min(len(ease), max(FEW, size))
        yield np.sort(np.argpartition(ease, most - 1)[:most])


def _condensed(world: World, order: Sequence[int]) -> tuple[World, list[int]]:
    """The world with steps as one node that only follow one another, and where each task of `order` begins.

    As one: steps of one crew member for the same tasks, that nothing else waits for. The first task begins
    at the first node; behind the last one stands the number of nodes.
    """
    firsts = [_first_node(world, m) for m in order[1:]]
    needed = {need for node in world.nodes for need in node.needs}
    runs: list[list[int]] = []
    last: dict[int, list[int] | None] = {}
    for i, node in enumerate(world.nodes):
        if i in firsts:
            last.clear()
        alone = len(node.crew) == 1 and node.earliest == -np.inf
        plain = alone and not (node.needs or node.gaps or i in needed)
        run = last.get(node.crew[0]) if plain else None
        if run and world.nodes[run[0]].groups == node.groups:
            run.append(i)
            continue
        runs.append([i])
        last |= dict.fromkeys(node.crew, runs[-1] if plain else None)
    place = {run[0]: k for k, run in enumerate(runs)}
    heads = [world.nodes[run[0]] for run in runs]
    nodes = [node._replace(needs=tuple(place[need] for need in node.needs)) for node in heads]
    durations = np.stack([world.durations[run].sum(axis=0) for run in runs])
    cuts = [0, *(place.get(first, len(nodes)) for first in firsts), len(nodes)]
    return replace(world, nodes=tuple(nodes), durations=durations), cuts


class _Place(NamedTuple):
    """Where the search stands."""

    kept: frozenset[int]
    j: int
    """So many tasks of the order are decided."""
    course: Course
    """Where the scenarios stand before the next one."""
    failing: FailureCounts | None = None
    """The least that fails when no later task is kept; None while not looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A bound on some of the scenarios, ready to play, and what surely fails among the others."""

    bound: Bounds
    order: Sequence[int]
    cuts: Sequence[int]
    """The node before which each task of the order is decided; then the number of nodes."""
    last_use: dict[int, int]
    """The last node that waits for a node; past the last one for what nobody owns."""
    elsewhere: FailureCounts

    @staticmethod
    def of(bare: BoundEnd, full: BoundEnd, chosen: NDArray[np.intp], order: Sequence[int]) -> _Part:
        """These scenarios with the accounts that break with everything in some of them."""
        bound, elsewhere = full.bound, np.ones(len(bare.inside), dtype=np.bool_)
        elsewhere[chosen] = False
        inside, pairs = full.inside[chosen], enumerate(zip(bound.accounts, full.left, strict=True))
        able = [at for at, (k, row) in pairs if not clocked(bound.world, k) or (inside > row[chosen]).any()]
        part, certain = bound.part(chosen, able), [mask & elsewhere for mask in bare.broken]
        world, cuts = _condensed(part.world, order)
        last_use = {need: i for i, node in enumerate(world.nodes) for need in node.needs}
        last_use |= dict.fromkeys(world.ownerless, len(world.nodes))
        return _Part(replace(part, world=world), order, cuts, last_use, FailureCounts.of(*certain))

    def after(self, at: _Place, kept: frozenset[int]) -> _Place:
        """The place behind the next task, given what is kept with it or without it."""
        course = self._play(at.course, range(*self.cuts[at.j : at.j + 2]), kept)
        return _Place(kept, at.j + 1, course, at.failing if kept == at.kept else None)

    def _play(self, course: Course, nodes: range, kept: frozenset[int]) -> Course:
        """The course after these nodes, with what something still waits for, given that before them."""
        world = self.bound.world
        out, pairs = course.fork(), [(i, world.nodes[i].groups) for i in nodes]
        advance(world, out, [i for i, groups in pairs if not groups or not kept.isdisjoint(groups)])
        out.finish = {i: row for i, row in out.finish.items() if self.last_use.get(i, -1) >= nodes.stop}
        return out

    def least(self, at: _Place) -> FailureCounts:
        """The least that fails in all scenarios when no later task is kept."""
        rest = self._play(at.course, range(self.cuts[at.j], self.cuts[-1]), at.kept)
        return self._failing(rest, self.bound.left_with(at.kept))

    def _failing(self, course: Course, left: Iterable[Row]) -> FailureCounts:
        nobodys = [course.finish[i] for i in self.bound.world.ownerless if i in course.finish]
        return FailureCounts.of(*self.bound.masks(course.ready, nobodys, left)).plus(self.elsewhere)

    def least_with(self, at: _Place, fewest: int, most: int) -> list[FailureCounts]:
        """The least that fails with `fewest` to `most` later tasks, whichever they are, each time.

        Rows of several numbers of tasks are played together; at each task a number is reached the
        earlier of two ways, without it or with it, in each scenario and for each crew member.
        """
        own = {next(iter(tasks)): rows for tasks, rows in self.bound.takes if len(tasks) == 1}
        course, left, low = _each(at.course, None), self.bound.left_with(at.kept)[:, np.newaxis], 0
        for j, m in enumerate(self.order[at.j :], at.j):
            here, kept = range(*self.cuts[j : j + 2]), at.kept
            cut = 1 + max((i for i in here if m in self.bound.world.nodes[i].groups), default=here.start - 1)
            head, tail = range(here.start, cut), range(cut, here.stop)
            less, more = self._play(course, head, kept), self._play(course, head, kept | {m})
            before, low = low, max(fewest - (len(self.order) - j - 1), 0)
            wanted = slice(low - before, most + 1 - before)
            pairs = zip(less.ready, more.ready, strict=True)
            less.ready = [_either(*rows, np.minimum, wanted) for rows in pairs]
            finish = less.finish.items()
            less.finish = {i: _either(row, more.finish[i], np.minimum, wanted) for i, row in finish}
            taken = left - own[m][:, np.newaxis] if m in own else left
            course, left = self._play(less, tail, kept), _either(left, taken, np.maximum, wanted)
        return [self._failing(_each(course, c), left[:, c]) for c in range(most + 1 - low)]


def _each(course: Course, index: int | None) -> Course:
    """The course with this index of the first axis of each row; None: with an axis before it."""
    finish = {i: row[index] for i, row in course.finish.items()}
    return Course([row[index] for row in course.ready], {}, finish, course.last_site)


def _either(without: Row, with_one: Row, better: np.ufunc, wanted: slice) -> Row:
    """The better of two ways to each number of tasks, (..., numbers, N), one number more than before."""
    out = np.concatenate([without, with_one[..., -1:, :]], axis=-2)
    better(out[..., 1:-1, :], with_one[..., :-1, :], out=out[..., 1:-1, :])
    return out[..., wanted, :]


class _Search:
    """One search among some tasks for what is demanded."""

    def __init__(self, sets: TaskSets, wanted: ChanceConstraint, budget: int, parts: Iterator[_Part]) -> None:
        """Make a search ready. `parts`: where to look first; then all scenarios that can differ."""
        self.sets, self.wanted, self.budget, self.optional = sets, wanted, budget, sets.world.optional
        self.hard, self.parts, self.misled = next(parts), parts, False
        self.order = self.hard.order
        self.costs = [(-should, -ahead) for should, ahead in worths(self.optional)]
        self.by_place = sorted(range(len(self.optional)), key=lambda m: self.optional[m].place)
        self.best: tuple[Worth, int, tuple[bool, ...]] = (1, 0), sets.world.scenarios, ()
        """The least there is: what is lost, how many fail, what is left out; worse than any set at first."""
        self.found: frozenset[int] | None = None
        self.tried = 0

    def run(self) -> Kept:
        """Search, and return the best set; good ones are offered early, so that much is given up soon."""
        kept: frozenset[int] = frozenset()
        self.offer(kept)
        for m in sorted(self.order, key=self._promise):
            more = with_needs(self.optional, [*kept, m])
            if more <= frozenset(self.order):
                self.offer(more)
                kept = more if self.found == more else kept
        self.go(_Place(frozenset(), 0, begin(self.hard.bound.world)))
        return Kept(self.found or frozenset(), self.found is not None, self.tried <= self.budget)

    def _promise(self, m: int) -> tuple[bool, float, int]:
        """The sort key of early tries: should tasks first, then the most value per planned minute."""
        task = self.optional[m]
        return task.priority != "should", -task.value / max(task.minutes, 1e-3), m

    def go(self, at: _Place) -> None:
        """Decide about the next task and all after it."""
        self.tried += 1
        rest = sorted(self.order[at.j :], key=lambda m: self.costs[m])
        costs = [total(self.costs, [*at.kept, *rest[:count]]) for count in range(len(rest) + 1)]
        # So many more tasks, of the greatest value, make it as good as the best, or better.
        best = self.best[0]
        equal, better = sum(cost > best for cost in costs), sum(cost >= best for cost in costs)
        if self.tried > self.budget or equal > len(rest):
            return
        if self.tried > SHORT and rest and better:
            failing = self.hard.least_with(at, equal, min(better, len(rest)))
        else:
            failing = [at.failing or self.hard.least(at)]
            at = at._replace(failing=failing[0])
        hopes = failing[0].any <= self.best[1] or (better <= len(rest) and self.wanted.met(failing[-1]))
        if not hopes or not self.wanted.met(failing[0]):
            return
        if not rest:
            self.offer(at.kept)
            return
        m = self.order[at.j]
        if at.kept.union(rest).issuperset(self.optional[m].needs):
            self.go(self.hard.after(at, at.kept | {m}))
        if not any(m in self.optional[other].needs for other in at.kept):
            self.go(self.hard.after(at, at.kept))

    def offer(self, kept: frozenset[int]) -> None:
        """Take a set as the best so far when it is better and holds on all scenarios.

        Where one that seemed to hold did not, all scenarios that can differ are looked at before the next.
        """
        cost = total(self.costs, kept)
        if kept == self.found or cost > self.best[0]:
            return
        for part in (self.hard, self.differing) if self.misled else (self.hard,):
            seen = part.least(_Place(kept, 0, begin(part.bound.world)))
            if not self.wanted.met(seen) or (cost, seen.any) > self.best[:2]:
                return
        if not self.sets.meets(kept, self.wanted):
            self.misled = True
            return
        mine = cost, self.sets.outcome(kept).failing.any, tuple(m not in kept for m in self.by_place)
        if mine < self.best:
            self.best, self.found = mine, kept

    @cached_property
    def differing(self) -> _Part:
        """All scenarios that can differ."""
        return next(self.parts)
