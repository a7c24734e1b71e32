"""Better orders: a step handed over, or a task in a new place, that brings everybody in earlier.

Every change is a supposed event on the same fold and the same random numbers, so its gain is exact for the
scenarios; and no change is better than those that are told. What cannot win is left out by a bound: nothing
that is done with a step brings anybody in earlier than leaving it out. The rest is played in the world that
stands, from where it first makes a difference: a new place changes who does what after what, other hands
also how long a step takes, and neither anything else, so it comes bit for bit to what the journal with that
event comes to. What is told is confirmed by the journal. A person accepts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.durations import draw_durations
from tracker.forecast.limits import breaches, going_on
from tracker.forecast.network import OrderOfWork, Queues
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world, present_instant, prior_of, remaining_work, way_from
from tracker.forecast.world import Course, Node, World, advance, begin, home_from_here, inside
from tracker.foundation.errors import EventError
from tracker.foundation.shown import duration
from tracker.foundation.text import plain
from tracker.journal.progress import Progress, StepState

WORTH_S = 120.0
"""Least gain in the p90 ingress that is suggested."""
CIRCLE = math.inf
"""The p90 ingress of an order that never comes to an end."""

Event = Mapping[str, Any]
"""A supposed event, as `tracker record` takes it."""


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """One change of who does what, or when."""

    event: Event
    """The event that would make it so."""
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
    """The changes that lower the p90 ingress most, by two minutes or more, the greatest gain first.

    `kept`: the optional tasks that are kept, before and after. What breaks a need, or makes any limit
    likelier to be broken, is left out, and of each step and each task only the best change is told. With
    hundreds of steps the search takes seconds: before every change it tries, `heed` is told the share that
    is done, 0 to 1, and ends it with False; then the best of what was found so far is told.
    """
    now = present_instant(progress, now)
    journal = _Journal(progress, now, kept, scenarios, prior or prior_of(progress))
    return _Search(journal, most, heed).run()


def changes(
    progress: Progress, kept: Collection[str] | None = None, now: float | None = None
) -> Iterator[tuple[dict[str, Any], str]]:
    """Every change that is looked at: the event that would make it so, and what it does in words.

    Every untouched step of one crew member outside in the hands of another one there; every open task in
    every other place among the open ones. Nothing that is not counted (`kept`: the optional tasks that are,
    by default all), and no task in which somebody has a step half done at `now`.
    """
    now = progress.at if now is None else now
    half = {s.step.task for s in progress.steps.values() if _half_done(s, now)}
    out = {
        name
        for name, state in progress.tasks.items()
        if kept is not None and state.optional and state.status == "open" and name not in kept
    }
    ready = [c for c in progress.plan.outside if c not in progress.entered and c not in progress.recall]
    for step, state in progress.steps.items():
        task = state.step.task
        if _touched(state) or task in out or len(state.crew) != 1 or progress.tasks[task].task.closeout:
            continue
        for other in ready:
            if state.crew[0] in ready and other != state.crew[0]:
                text = f"hand {plain(state.step.do)} over from {state.crew[0]} to {other}"
                yield {"kind": "handed", "step": step, "crew": [other]}, text
    open_tasks = [
        name
        for name, state in progress.tasks.items()
        if state.status in ("open", "begun") and not state.task.closeout and name not in half | out
    ]
    for task in open_tasks:
        for before in open_tasks:
            if before != task:
                yield {"kind": "moved", "task": task, "before": before}, f"do {task} before {before}"
        yield {"kind": "moved", "task": task, "last": True}, f"do {task} last, before closeout"


def still_open_changes(progress: Progress, now: float) -> frozenset[str]:
    """Every change that can be made at `now` (PET seconds), in words; no step in hand changes hands."""
    steps = progress.steps
    return frozenset(
        text
        for event, text in changes(progress, now=now)
        if event["kind"] != "handed" or not _half_done(steps[event["step"]], now)
    )


def _half_done(state: StepState, now: float) -> bool:
    """Whether somebody has done some of a step that has not ended."""
    return state.ended is None and (state.counted > 0 or state.elapsed_s(now) > 0)


def _touched(state: StepState) -> bool:
    """Whether a step has ended, or somebody has done some of it."""
    done = state.ended is not None or state.worked_s or state.counted
    return bool(done) or state.begin_kind is not None


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

    def with_event(self, event: Event) -> _End | None:
        """The end with a supposed event; None where it would break a need."""
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
        """The nodes that remain."""
        return world.present(going_on(world.optional, self.kept))

    def _world(self, progress: Progress) -> World:
        return build_world(progress, now=self.now, scenarios=self.scenarios, prior=self.prior)

    def _end(self, world: World) -> _End:
        present = self.present(world)
        course = advance(world, begin(world), present)
        p90 = one(inside(world, course), 0.9) + world.now
        return _End(p90, breaches(world, present, course).share_safe)


@dataclass(frozen=True, slots=True)
class _Change:
    """One event that could be better, in its place among all."""

    number: int
    event: Event
    text: str


@dataclass
class _Subject:
    """All that could be done with one step (`handed`), or one task (`moved`)."""

    kind: str
    name: str
    changes: list[_Change] = field(default_factory=list)
    most: float = math.inf
    """No change that the order of work tells all about wins more, in seconds."""


class _Search:
    """Looks for the best change of each step and each task, the most promising first."""

    def __init__(self, journal: _Journal, most: int, heed: Callable[[float], bool]) -> None:
        self._journal, self._most, self._heed = journal, most, heed
        self._found: list[tuple[int, BetterOrder]] = []
        subjects: dict[tuple[str, str], _Subject] = {}
        now = journal.now
        for number, (event, text) in enumerate(changes(journal.progress, journal.kept, now)):
            of = event["kind"], event.get("step") or event["task"]
            subjects.setdefault(of, _Subject(*of)).changes.append(_Change(number, event, text))
        self._subjects = list(subjects.values())
        self._todo = len(self._subjects) + sum(len(one.changes) for one in self._subjects)
        self._done = 0
        self._hands: dict[str, NDArray[np.float32]] = {}

    def run(self) -> tuple[BetterOrder, ...]:
        """The best of what is found until all is tried, or nobody heeds it any more."""
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

    def _gain(self, p90: float) -> float:
        return self._journal.before.p90 - p90

    def _try_all(self) -> None:
        if self._world.work.tells_all:
            for subject in self._subjects:
                if not self._go_on(1):
                    return
                bound = self._world.bound(subject.kind, subject.name)
                subject.most = 0.0 if bound is None else self._gain(bound)
        for subject in sorted(self._subjects, key=lambda one: -one.most):
            if not self._try(subject):
                return

    def _try(self, subject: _Subject) -> bool:
        """Find the best that can be done with a step or a task; whether to go on."""
        ends: list[tuple[float, int, _Change]] = []
        for change in subject.changes:
            if subject.most < self._least and self._world.tells_all_about(change.event):
                self._done += 1
                continue
            if not self._go_on(1):
                return False
            p90 = self._p90(change.event)
            if p90 is not None and self._gain(p90) >= self._least:
                ends.append((p90, change.number, change))
        for *_, change in sorted(ends, key=lambda one: one[:2]):
            if self._told(change):
                break
        return True

    def _p90(self, event: Event) -> float | None:
        """The p90 ingress with a change, PET; None where it cannot be."""
        p90 = None
        if self._world.tells_all_about(event):
            if event["kind"] == "moved":
                p90 = self._world.moved(event["task"], event.get("before"))
            else:
                step, other = event["step"], event["crew"][0]
                drawn = self._in_hands_of(other)[self._world.work.place[step]]
                p90 = self._world.handed(step, other, drawn)
        if p90 is not None:
            return p90
        end = self._journal.with_event(event)
        return None if end is None else end.p90

    def _in_hands_of(self, other: str) -> NDArray[np.float32]:
        """Durations, in all scenarios, of every step that is worth handing over, done by somebody."""
        if other not in self._hands:
            steps = [one.name for one in self._subjects if one.kind == "handed" and one.most >= WORTH_S]
            self._hands[other] = self._world.in_hands_of(other, steps)
        return self._hands[other]

    def _told(self, change: _Change) -> bool:
        """Tell a change if the journal confirms it and no limit is likelier to be broken; whether it was."""
        end = self._journal.with_event(change.event)
        if end is None or end.safe < self._journal.before.safe or self._gain(end.p90) < self._least:
            return False
        # Two changes that come to the same order of work, as one task before another or that one last.
        moved = [one for _, one in self._found if one.event["kind"] == change.event["kind"] == "moved"]
        if any((one.p90, one.safe) == (end.p90, end.safe) for one in moved):
            return True
        gain = self._gain(end.p90)
        # Of two that undo one another only the better is told: done both, neither is.
        undone = next((at for at, (_, one) in enumerate(self._found) if _undo(one.event, change.event)), None)
        if undone is not None:
            if self._found[undone][1].gain_s >= gain:
                return True
            del self._found[undone]
        said = f"{change.text}: nine of ten inside {duration(gain)} earlier"
        self._found.append((change.number, BetterOrder(change.event, said, gain, end.p90, end.safe)))
        return True


def _undo(one: Event, other: Event) -> bool:
    """Whether each of two changes puts the other's task behind its own."""
    moved = one["kind"] == other["kind"] == "moved"
    return moved and (one["task"], one.get("before")) == (other.get("before"), other["task"])


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

    def tells_all_about(self, event: Event) -> bool:
        """Whether a change alters the order of work, or one step's hands, and nothing else."""
        if not self.work.tells_all or event["kind"] == "moved":
            return self.work.tells_all
        return not self.work.begins_something(event["step"], event["crew"][0])

    def moved(self, task: str, before: str | None) -> float | None:
        """The p90 ingress, PET, with a task before another (None: last); None: ask the journal."""
        return self._ordered(self.work.moved(task, before), self.world, ())

    def handed(self, step: str, other: str, drawn: NDArray[np.float32]) -> float | None:
        """The p90 ingress, PET, with a step in other hands; None: ask the journal.

        `drawn` are its durations then.
        """
        i, c, needs = self.work.place[step], self.world.crew.index(other), self.work.needs
        nodes = list(self.world.nodes)
        nodes[i] = nodes[i]._replace(crew=(c,))
        changed = [i, *(j for j, mine in enumerate(needs) if i in mine)]
        for j in changed:
            others = tuple(need for need in needs[j] if not set(nodes[j].crew) & set(nodes[need].crew))
            nodes[j] = nodes[j]._replace(needs=others)
        way = way_from(self.progress, self.world.nodes[i].step)
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
        """(all nodes, N): durations of these steps in the hands of this crew member.

        Rows of other steps are nothing, and so are those of current ones: they say how the pace is.
        """
        wanted = sorted({self.work.place[step] for step in steps} - set(self.work.current))
        asks = list(remaining_work(self.progress).at(self.progress, self.world.now)[1])
        for i in wanted:
            asks[i] = replace(asks[i], crew=(other,))
        return draw_durations(
            self.progress,
            asks,
            prior=self.prior,
            scenarios=self.world.scenarios,
            wanted=wanted,
            memory=self.world.memory,
        ).rows

    def bound(self, kind: str, name: str) -> float | None:
        """A p90 ingress, PET, before which no change of a task or a step brings everybody in.

        It is the one without them: work that is left out makes nothing later. The way home is the shortest
        that could follow. `kind`: `moved` into any new place, or `handed` to any other owner as well. None
        where none of it remains.
        """
        steps = self.work.tasks[name] if kind == "moved" else (self.work.place[name],)
        gone, nodes = self.present.intersection(steps), list(self.world.nodes)
        if not gone:
            return None
        homes = [i for i, node in enumerate(nodes) if node.home is not None]
        for i in homes:
            way = self._nearest(nodes[i], gone, handed=kind == "handed")
            nodes[i] = nodes[i]._replace(home={}, home_from={}, home_now=way)
        world = replace(self.world, nodes=tuple(nodes)) if homes else self.world
        return self._p90(self._play(world, self._sorted, {*homes, *gone}, gone))

    def _nearest(self, home: Node, gone: frozenset[int], *, handed: bool) -> float:
        """The shortest way home, in seconds, that a change of these steps can lead to."""
        ways, nodes = home.home or {}, self.world.nodes
        moved = (way_from(self.progress, nodes[i].step) for i in gone if handed)
        new = [way for way in moved if way is not None]
        out = []
        for c in home.crew:
            mine = [i for i in ways if i in self.present and c in nodes[i].crew]
            from_here = (handed and gone.issuperset(mine)) or not mine
            here = [home_from_here(home, c)] if from_here else []
            out.append(min([*(ways[i] for i in mine), *new, *here]))
        return max(out, default=home.home_now)

    @cached_property
    def _sorted(self) -> list[int]:
        order = self.work.sorted(self.work.current_first(self.work.queues))
        assert order is not None, "the journal lets no circle in"
        return order

    @cached_property
    def _stands(self) -> Course:
        course = begin(self.world)
        course.table = self.world.memory.lend(len(self.world.nodes), self.world.scenarios)
        return advance(self.world, course, [i for i in self._sorted if i in self.present])

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        return self.world.memory.lend(len(self.world.nodes), self.world.scenarios)

    @cached_property
    def _known(self) -> dict[Queues, float]:
        return {}

    def _ordered(self, queues: Queues, world: World, changed: Collection[int]) -> float | None:
        """The p90 ingress with these queues; `changed` nodes are other ones in this world."""
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
        """The course in this order, without what is gone; what nothing touched stays."""
        stands, everything, sited = self._stands, world.nodes, world.sited
        course = begin(world)
        course.finish, course.table = dict(stands.finish), self._table
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
