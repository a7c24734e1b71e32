"""Better orders: a step handed over, or a task in a new place, that brings everybody in earlier.

Every change is a supposed event on the same fold and the same random numbers, so its gain is exact for the
scenarios; and no change is better than those that are told. What cannot win is left out by a bound: nothing
that is done with a step brings anybody in earlier than leaving it out. The rest is played in the world that
stands, and what is told is confirmed by the journal with the event on it. A person accepts.

What could be done otherwise: every hand-over of a step, and every other place of a task.

Who does which open step after which, as it stands and as it would be after a change.

One world in another order: how early a task in a new place, or a step in other hands, brings everybody in.

A task in a new place changes who does what after what; a step in other hands also how long it takes. Nothing
else is changed by either. So a change is played on the rows that are drawn already, from where it first makes
a difference, and comes bit for bit to what the journal with that event on it comes to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.durations import draw_durations
from tracker.forecast.limits import broken, going_on
from tracker.forecast.network import every_need
from tracker.forecast.pace import Ask
from tracker.forecast.prior import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import ahead, build_world, present_instant, prior_of
from tracker.forecast.world import Course, Node, Row, World, advance, begin, home_from_here, inside, room
from tracker.foundation.errors import EventError
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, StepState


def changes(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every change that is looked at: the event that would make it so, and what it does in words."""
    yield from _hand_overs(progress)
    yield from _places(progress)


def _hand_overs(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every step of one crew member outside that another one there could take over."""
    ready = [c for c in progress.plan.outside if c not in progress.entered and c not in progress.recall]
    for step, state in progress.steps.items():
        if _untouched(state) and len(state.crew) == 1 and state.crew[0] in ready:
            for other in ready:
                if other != state.crew[0] and not progress.tasks[state.step.task].task.closeout:
                    text = f"hand {step} over from {state.crew[0]} to {other}"
                    yield {"kind": "handed", "step": step, "crew": [other]}, text


def _untouched(state: StepState) -> bool:
    return state.ended is None and state.worked_s == 0 and state.counted == 0 and state.begin_kind is None


def _places(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every open task in every other place among the open ones."""
    open_tasks = [
        name
        for name, state in progress.tasks.items()
        if state.status in ("open", "begun") and not state.task.closeout
    ]
    for task in open_tasks:
        for other in open_tasks:
            if other != task:
                yield {"kind": "moved", "task": task, "before": other}, f"do {task} before {other}"
        yield {"kind": "moved", "task": task, "last": True}, f"do {task} last, before closeout"


Queues = tuple[tuple[int, ...], ...]
"""Per crew member the places, among the nodes, of their open steps in order."""


@dataclass(frozen=True, eq=False)
class OrderOfWork:
    """The order of work of a progress over the nodes of its world, and the changes that events make to it."""

    progress: Progress
    crew: Sequence[str]
    nodes: Sequence[Node]

    @cached_property
    def place(self) -> Mapping[str, int]:
        """Place of each open step among the nodes."""
        return {node.step: i for i, node in enumerate(self.nodes)}

    @cached_property
    def tasks(self) -> Mapping[str, tuple[int, ...]]:
        """The open steps of each task that has any."""
        out: dict[str, tuple[int, ...]] = {}
        for i in self._all:
            out[self.nodes[i].task] = (*out.get(self.nodes[i].task, ()), i)
        return out

    @cached_property
    def current(self) -> tuple[int | None, ...]:
        """Per crew member the current step."""
        return tuple(self.place.get(self.progress.current.get(c) or "") for c in self.crew)

    @cached_property
    def queues(self) -> Queues:
        """The queues that stand."""
        return tuple(self._queue(c, self._all) for c in range(len(self.crew)))

    @cached_property
    def tells_all(self) -> bool:
        """Whether everybody goes by it: not after a recall, nor where people made a circle of it."""
        order = self.progress.order
        said = tuple(tuple(self.place[step] for step in order.get(c, ())) for c in self.crew)
        return not self.progress.recall and said == self.current_first(self.queues)

    def current_first(self, queues: Queues) -> Queues:
        """Return in which order the queues are done: whoever is at a step stays at it."""
        return tuple(
            (now, *(i for i in queue if i != now)) if now in queue and queue[0] != now else queue
            for now, queue in zip(self.current, queues, strict=True)
        )

    def moved(self, task: str, before: str | None) -> Queues:
        """Return the queues with a task's open steps before those of another one; None: before closeout."""
        mine, place = set(self.tasks[task]), self._closeout
        if before is not None:
            place = min(place, self._all.index(self.tasks[before][0]))
        head, tail = self._all[:place], self._all[place:]
        there = [
            *(i for i in head if i not in mine),
            *self.tasks[task],
            *(i for i in tail if i not in mine),
        ]
        crew = {c for i in mine for c in self.nodes[i].crew}
        return tuple(self._queue(c, there) if c in crew else queue for c, queue in enumerate(self.queues))

    def handed(self, step: int, other: int) -> Queues:
        """Return the queues with this step in the hands of another crew member."""
        giver = self.nodes[step].crew
        queues = [
            tuple(i for i in queue if i != step) if c in giver else queue
            for c, queue in enumerate(self.queues)
        ]
        theirs = {*queues[other], step}
        queues[other] = tuple(i for i in self._all if i in theirs)
        return tuple(queues)

    def begins_something(self, step: int, other: int) -> bool:
        """Whether somebody would begin something else at once if this one had the step."""
        taken = self.current[other]
        return step in self.current or taken is None or self.nodes[taken].closeout

    def sorted(self, queues: Queues) -> list[int] | None:
        """Return all open steps so that each comes after its needs and its crew's steps before it.

        None where that is a circle.
        """
        waits = [len(needs) for needs in self._needs]
        after = [list(steps) for steps in self._needed_by]
        for queue in queues:
            for earlier, later in pairwise(queue):
                waits[later] += 1
                after[earlier].append(later)
        out = [i for i, count in enumerate(waits) if not count]
        for i in out:
            for later in after[i]:
                waits[later] -= 1
                if not waits[later]:
                    out.append(later)
        return out if len(out) == len(waits) else None

    @cached_property
    def _all(self) -> tuple[int, ...]:
        return tuple(self.place[step] for step in self.progress.fold.sequence if step in self.place)

    @cached_property
    def _closeout(self) -> int:
        places = (k for k, i in enumerate(self._all) if self.nodes[i].closeout)
        return next(places, len(self._all))

    @cached_property
    def _needs(self) -> Sequence[Sequence[int]]:
        """Per step the open ones that it needs, of its own crew as well."""
        needs = self.progress.needs
        return [[self.place[need] for need in needs.get(node.step, ())] for node in self.nodes]

    @cached_property
    def _needed_by(self) -> Sequence[Sequence[int]]:
        out: list[list[int]] = [[] for _ in self.nodes]
        for step, needs in enumerate(self._needs):
            for need in needs:
                out[need].append(step)
        return out

    def _queue(self, crew: int, steps: Iterable[int]) -> tuple[int, ...]:
        return tuple([i for i in steps if crew in self.nodes[i].crew])


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


WORTH_S = 120.0
"""Least gain in the p90 ingress that is suggested."""


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """One change of who does what, or when."""

    event: Mapping[str, Any]
    """The event that would make it so, as `tracker record` takes it."""
    text: str
    gain_s: float
    """By how much the p90 ingress is earlier."""
    p90: float
    """PET of the p90 ingress with it."""
    safe: float
    """Share of scenarios that break no limit with it."""


def _go_on(share: float) -> bool:
    return True


def better_orders(
    progress: Progress,
    *,
    now: float,
    kept: Collection[str],
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    most: int = 3,
    heed: Callable[[float], bool] = _go_on,
) -> tuple[BetterOrder, ...]:
    """Return the changes that lower the p90 ingress most, by two minutes or more, the greatest gain first.

    `kept`: the optional tasks that are kept, before and after. What breaks a need, or makes any limit
    likelier to be broken, is left out, and of each step and each task only the best change is told. With
    hundreds of steps the search takes seconds: before every change it tries, `heed` is told the share that
    is done, 0 to 1, and ends it with False; then the best of what was found so far is told.
    """
    now = present_instant(progress, now)
    journal = _Journal(progress, now, kept, scenarios, prior or prior_of(progress))
    return _Search(journal, most, heed).run()


@dataclass(frozen=True, slots=True)
class _End:
    p90: float
    """PET."""
    safe: float


@dataclass(frozen=True)
class _Journal:
    """What comes of an event once it is recorded: slow, and the last word."""

    progress: Progress
    now: float
    kept: Collection[str]
    scenarios: int
    prior: PacePrior

    def with_event(self, event: Mapping[str, Any]) -> _End | None:
        """Return the end with a supposed event; None where it would break a need."""
        try:
            return self._end(self._world(self.progress.suppose(event)))
        except EventError:
            return None

    @cached_property
    def stands(self) -> World:
        """The world without any event."""
        return self._world(self.progress)

    @cached_property
    def before(self) -> _End:
        """The end without any event."""
        return self._end(self.stands)

    def present(self, world: World) -> list[int]:
        """Return the nodes that remain."""
        return world.present(going_on(world, self.kept))

    def _world(self, progress: Progress) -> World:
        return build_world(progress, now=self.now, scenarios=self.scenarios, prior=self.prior)

    def _end(self, world: World) -> _End:
        present = self.present(world)
        course = advance(world, begin(world), present)
        p90 = one(inside(world, course), 0.9) + world.now
        return _End(p90, broken(world, present, course).share_safe)


@dataclass(frozen=True, slots=True)
class _Change:
    """One event that could be better, in its place among all."""

    number: int
    event: Mapping[str, Any]
    text: str

    @property
    def subject(self) -> tuple[str, str]:
        """The step that it hands over, or the task that it moves."""
        return str(self.event["kind"]), str(self.event.get("step") or self.event["task"])


@dataclass
class _Subject:
    """All that could be done with one step, or one task."""

    changes: list[_Change] = field(default_factory=list)
    most: float = math.inf
    """No change that the order of work tells all about wins more, in seconds."""


class _Search:
    """Looks for the best change of each step and each task, the most promising first."""

    def __init__(self, journal: _Journal, most: int, heed: Callable[[float], bool]) -> None:
        self._journal, self._most, self._heed = journal, most, heed
        self._found: list[tuple[int, BetterOrder]] = []
        self._subjects: dict[tuple[str, str], _Subject] = {}
        for number, (event, text) in enumerate(changes(journal.progress)):
            change = _Change(number, event, text)
            self._subjects.setdefault(change.subject, _Subject()).changes.append(change)
        self._todo = len(self._subjects) + sum(len(one.changes) for one in self._subjects.values())
        self._done = 0
        self._hands: dict[str, NDArray[np.float32]] = {}

    def run(self) -> tuple[BetterOrder, ...]:
        """Return what is found until all is tried, or nobody heeds it any more."""
        if self._subjects and self._go_on(0) and math.isfinite(self._journal.before.p90):
            self._try_all()
        self._found.sort(key=lambda one: (-one[1].gain_s, one[0]))
        return tuple(order for _, order in self._found[: self._most])

    @cached_property
    def _world(self) -> Reorder:
        journal = self._journal
        present = frozenset(journal.present(journal.stands))
        return Reorder(journal.progress, journal.stands, present, journal.prior)

    def _go_on(self, done: int) -> bool:
        going = self._heed(self._done / self._todo)
        self._done += done
        return going

    @property
    def _least(self) -> float:
        """What a change has to win to be told."""
        gains = sorted((order.gain_s for _, order in self._found), reverse=True)
        return max([WORTH_S, *gains[self._most - 1 : self._most]])

    def _try_all(self) -> None:
        if self._world.work.tells_all:
            for subject, one in self._subjects.items():
                if not self._go_on(1):
                    return
                one.most = self._bound(*subject)
        for one in sorted(self._subjects.values(), key=lambda one: -one.most):
            if not self._try(one):
                return

    def _bound(self, kind: str, name: str) -> float:
        """Return what no change of a step or a task wins more than."""
        work = self._world.work
        steps = work.tasks[name] if kind == "moved" else (work.place[name],)
        left = [i for i in steps if i in self._world.present]
        return self._gain(self._world.p90_without(left, handed=kind == "handed")) if left else 0.0

    def _gain(self, p90: float) -> float:
        return self._journal.before.p90 - p90

    def _try(self, subject: _Subject) -> bool:
        """Find the best that can be done with a step or a task; whether to go on."""
        ends: list[tuple[float, _Change]] = []
        for change in subject.changes:
            if self._sure(change) and subject.most < self._least:
                self._done += 1
                continue
            if not self._go_on(1):
                return False
            p90 = self._p90(change)
            if p90 is not None and self._gain(p90) >= self._least:
                ends.append((p90, change))
        for _, change in sorted(ends, key=lambda one: (one[0], one[1].number)):
            if self._told(change):
                break
        return True

    def _sure(self, change: _Change) -> bool:
        """Whether the bound holds for a change: nobody begins anything by it."""
        work, event = self._world.work, change.event
        if not work.tells_all or event["kind"] == "moved":
            return work.tells_all
        return not work.begins_something(
            work.place[event["step"]], self._journal.stands.crew.index(event["crew"][0])
        )

    def _p90(self, change: _Change) -> float | None:
        """Return the p90 ingress with a change, PET; None where it cannot be."""
        event = change.event
        p90 = None
        if self._world.work.tells_all and event["kind"] == "moved":
            p90 = self._world.moved(event["task"], event.get("before"))
        elif self._sure(change):
            place = self._world.work.place[event["step"]]
            p90 = self._world.handed(
                event["step"], event["crew"][0], self._in_hands_of(event["crew"][0])[place]
            )
        if p90 is None:
            end = self._journal.with_event(event)
            return None if end is None else end.p90
        return p90

    def _in_hands_of(self, other: str) -> NDArray[np.float32]:
        """Return how long every step that is worth handing over takes somebody, in all scenarios."""
        if other not in self._hands:
            steps = [
                name
                for (kind, name), one in self._subjects.items()
                if kind == "handed" and one.most >= WORTH_S
            ]
            self._hands[other] = self._world.in_hands_of(other, steps)
        return self._hands[other]

    def _told(self, change: _Change) -> bool:
        """Tell a change if the journal confirms it and no limit is likelier to be broken; whether it was."""
        end = self._journal.with_event(change.event)
        if end is None or end.safe < self._journal.before.safe:
            return False
        gain = self._gain(end.p90)
        if gain < self._least:
            return False
        said = f"{change.text}: nine of ten inside {format_pet(gain)} earlier"
        self._found.append((change.number, BetterOrder(change.event, said, gain, end.p90, end.safe)))
        return True
