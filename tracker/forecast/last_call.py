"""The latest instant at which an optional task may still be started, by one pass forward and one back.

Per scenario: the greatest s such that, if the task's first step starts at s and no other step of it
before s, and then only must work, closeout and what the task needs are done, every limit is kept. Paths
that do not pass through that first step must keep the limits by themselves. The last call is the
instant that enough scenarios still allow: an order statistic, no search.

Of a task that has begun, the first step is the first that has not; what is running counts as must work.

What is best put off: a task that is not kept in its place is supposed to be moved last, before closeout. If
it is in time there with a chance that is worth it, moving it there keeps the choice open, and its last call
is the one there.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from tracker.forecast.consumption import Mask
from tracker.forecast.limits import (
    GRAIN_S,
    ChanceConstraint,
    bound_crew,
    closed,
    deadlines,
    needed,
    settled,
    with_needs,
)
from tracker.forecast.memory import Table
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import Bounds, Branch, TaskSets, cut_after, plain_world, played
from tracker.forecast.window_gaps import MANY_GAPS, regular_gaps
from tracker.forecast.world import (
    NEVER,
    Course,
    Node,
    Row,
    World,
    advance,
    shut_out,
    way_home,
)
from tracker.forecast.world import inside as ingress
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress, supposed_at


def first_step(world: World, task: int) -> int | None:
    """The node with which a task starts or, begun, goes on; None when all that is left runs."""
    name = world.optional[task].task
    return next((i for i, node in enumerate(world.nodes) if _starts_with(node, task, name)), None)


def _starts_with(node: Node, task: int, name: str) -> bool:
    """Whether a node is work of the task that may still be left: not running, nor a closer that stays."""
    return node.task == name and task in node.groups and not node.running


class LastCalls:
    """The last calls of optional tasks beside one kept set; what they have in common is played once."""

    def __init__(self, world: World, kept: Collection[int], bound: Bounds | None = None) -> None:
        """Take a world and the optional tasks that are kept.

        `bound`: what the groups of nodes take of the accounts, where that is known and exact.
        """
        self.world, self.kept, self.bound = world, kept, bound
        self._bases: dict[frozenset[int], Branch] = {}
        self.table = world.memory.lend(len(world.nodes), world.scenarios)
        """For the course that is played at the moment."""

    def of(self, task: int) -> float | None:
        """The last call of an optional task in seconds from now; None if no start would do.

        Infinite where nothing depends on the task.
        """
        world, first = self.world, first_step(self.world, task)
        if first is None:
            return None
        beside = self._beside(task)
        present = self._nodes({task, *beside})
        name = world.optional[task].task
        own = [i for i in present if _starts_with(world.nodes[i], task, name)]
        at = self._deadlines({task, *beside}, present)
        by_limits, by_reserves = ends_of(world, at)
        bypass = self._bypass(present, first, beside)
        if world.confidence_joint:
            ends = [np.minimum(a, b) for a, b in zip(by_limits, by_reserves, strict=True)]
            fails = bypass.late(elapsed=True, deadlines=at)
            rows = latest_start(world, present, own, ends)
            latest = _nth(world, rows, fails, world.confidence_elapsed)
        else:
            fails = bypass.late(elapsed=True, deadlines=())
            rows = latest_start(world, present, own, by_limits)
            latest = _nth(world, rows, fails, world.confidence_elapsed)
            fails = bypass.late(elapsed=False, deadlines=at)
            rows = latest_start(world, present, own, by_reserves)
            latest = min(latest, _nth(world, rows, fails, world.confidence_consumables))
        return None if latest < -GRAIN_S else max(latest, 0.0)

    def _beside(self, task: int) -> frozenset[int]:
        """The tasks for which one has to leave room: for a get-ahead the `should` tasks that are kept."""
        optional = self.world.optional
        if optional[task].priority == "should":
            return frozenset()
        return frozenset(m for m in self.kept if optional[m].priority == "should")

    def _nodes(self, tasks: Collection[int]) -> list[int]:
        """The nodes that remain with these tasks and what they need, and what runs."""
        world = self.world
        present = set(world.present(with_needs(world.optional, tasks)))
        return sorted(present | {i for i, node in enumerate(world.nodes) if node.running})

    def _deadlines(self, tasks: Collection[int], present: Sequence[int]) -> list[Row]:
        world = self.world
        if self.bound is None or any(node.running and node.groups for node in world.nodes):
            return deadlines(world, present)
        left = self.bound.left_with(with_needs(world.optional, tasks))
        return [settled(world, k, row) for k, row in enumerate(left)]

    def _bypass(self, present: Sequence[int], first: int, beside: frozenset[int]) -> _Bypass:
        """Play everything as if the first step had always been done: what does not pass through it."""
        if beside not in self._bases:
            self._bases[beside] = played(self.world, self._nodes(beside))
        return _Bypass.of(self.world, self._bases[beside], present, first, self.table)


def last_call(world: World, task: int, kept: Collection[int]) -> float | None:
    """The last call of one optional task beside kept ones, as `LastCalls` does."""
    return LastCalls(world, kept).of(task)


@dataclass(frozen=True, slots=True, eq=False)
class _Bypass:
    """A course that does not pass through a task's first step."""

    world: World
    course: Course
    lost: Mask
    """Scenarios in which some step found no later opening, before that step or after it."""

    @staticmethod
    def of(world: World, base: Branch, present: Sequence[int], first: int, table: Table) -> _Bypass:
        """Play these nodes but for the first step, from where a course without the task differs.

        `table`: for its finish rows.
        """
        cut = present.index(first)
        same = base.common(present[:cut])
        course = cut_after(world, base, same)
        course.table = table
        advance(world, course, present[same:cut])
        lost = shut_out(world, course)
        long_ago = np.full(world.scenarios, -np.inf, dtype=np.float32)
        course.finish[first] = long_ago
        for c in world.nodes[first].crew:
            course.ready[c] = long_ago
        for c in world.sited[first]:
            course.last_site[c] = first
        advance(world, course, present[cut + 1 :])
        return _Bypass(world, course, lost | shut_out(world, course))

    def late(self, *, elapsed: bool, deadlines: Sequence[Row]) -> Mask:
        """The scenarios that break an elapsed limit, if those count, or one of these deadlines."""
        world, fails = self.world, self.lost.copy()
        everybody = ingress(world, self.course)
        for limit in world.limits if elapsed else ():
            who = bound_crew(world, limit)
            inside = everybody if who is None else ingress(world, self.course, who)
            fails |= inside > limit.at + GRAIN_S
        for row in deadlines:
            fails |= everybody > row + np.float32(GRAIN_S)
        return fails


def _nth(world: World, latest: Row, fails: Mask, confidence: float) -> float:
    """The instant that enough scenarios still allow."""
    latest[fails] = -np.inf
    rank = world.scenarios - needed(confidence, world.scenarios)
    latest.partition(rank)
    return float(latest[rank])


def ends_of(world: World, deadlines: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Per crew member by when they must be inside: for the elapsed limits, for the reserves."""
    never = np.full(world.scenarios, NEVER, dtype=np.float32)
    reserve = never.copy()
    for row in deadlines:
        np.minimum(reserve, row, out=reserve)
    by_limits, by_reserves = [never] * len(world.crew), [never] * len(world.crew)
    for c in world.counted:
        at = min((limit.at for limit in world.limits if c in limit.crew), default=np.inf)
        by_limits[c] = np.full(world.scenarios, at, dtype=np.float32)
        by_reserves[c] = reserve
    return by_limits, by_reserves


def latest_start(world: World, present: Sequence[int], own: Sequence[int], ends: Sequence[Row]) -> Row:
    """Per scenario the latest instant before which none of the nodes `own` needs to start.

    A pass backward: a node must be ready by the last instant from which it, and everything after it,
    still meets `ends` (per crew member: inside by then).
    """
    cap = list(ends)
    by_need: dict[int, Row] = {}
    homes = way_home(world, present)
    everybody = cap[world.counted[0]] if world.counted else None
    latest = np.full(world.scenarios, NEVER, dtype=np.float32)
    wanted, first = frozenset(own), min(own)
    for i in reversed(present):
        if i < first:
            break
        node = world.nodes[i]
        rows = [cap[c] for c in node.crew] or ([everybody] if everybody is not None else [])
        t = _ready_by(world, i, [*rows, *([by_need[i]] if i in by_need else [])], homes)
        for c in node.crew:
            cap[c] = t
        if not node.running:
            for need in node.needs:
                by_need[need] = np.minimum(by_need[need], t) if need in by_need else t
        if i in wanted:
            np.minimum(latest, t, out=latest)
    return latest


def _ready_by(world: World, i: int, rows: Sequence[Row], homes: dict[int, float]) -> Row:
    """The latest instant at which a node may be ready, to be finished by each of these rows."""
    node, duration = world.nodes[i], world.durations[i]
    if i in homes:
        duration = duration * np.float32(homes[i])
    by = rows[0] if rows else np.full(world.scenarios, NEVER, dtype=np.float32)
    for row in rows[1:]:
        by = np.minimum(by, row)
    t: Row = by - duration
    if node.gaps and not node.running:
        before_gaps(t, node.gaps)
    return t


def before_gaps(t: Row, gaps: tuple[tuple[float, float], ...]) -> None:
    """Move every latest start that falls into a gap back to the gap's beginning, in place."""
    regular = regular_gaps(gaps) if len(gaps) > MANY_GAPS else None
    if regular is not None:
        regular.before(t)
        return
    low, high = float(t.min()), float(t.max())
    for close, opening in gaps:
        if high <= close:
            break
        if low < opening:
            t[(t > np.float32(close)) & (t < np.float32(opening))] = close
            if opening == np.inf:
                np.minimum(t, np.float32(close), out=t)


@dataclass(frozen=True, slots=True)
class LastCall:
    """The last call of a task, and the share of scenarios that get to it in time."""

    last_call: float | None
    """Relative to now."""
    in_time: float

    def hopeless(self, world: World) -> bool:
        """Whether no start would do, or hardly any scenario gets there in time."""
        return self.in_time == 0.0 or self.in_time < 1 - world.confidence_elapsed - 1e-9


def last_calls(sets: TaskSets, kept: frozenset[int]) -> dict[int, LastCall]:
    """Last call and share in time of every optional task, beside a kept set; worked out once."""
    return sets.once(_of_every_task, kept)


def _of_every_task(sets: TaskSets, kept: frozenset[int]) -> dict[int, LastCall]:
    world = sets.world
    if plain_world(world) and not ChanceConstraint.of(world).met(sets.outcome(()).failing):
        # More work is never safer: where even none does not hold, no start would do.
        firsts = (first_step(world, m) for m in range(len(world.optional)))
        return {m: LastCall(None, float(first is None)) for m, first in enumerate(firsts)}
    # Kept ones first: they share one course.
    order = sorted(range(len(world.optional)), key=lambda m: m not in kept)
    calls = LastCalls(world, kept, sets.least if plain_world(world) else None)
    found = {m: _of_task(sets, m, kept, calls) for m in order}
    world.memory.give_back(calls.table)
    return found


def _of_task(sets: TaskSets, m: int, kept: frozenset[int], calls: LastCalls) -> LastCall:
    first = first_step(sets.world, m)
    if first is None:
        # All that is left of it is under way: there is nothing to start, and nothing to be late for.
        return LastCall(None, 1.0)
    latest = calls.of(m)
    if latest is None:
        return LastCall(None, 0.0)
    start = sets.start_row(kept | with_needs(sets.world.optional, [m]), first)
    share = float(np.count_nonzero(start <= latest + GRAIN_S)) / sets.world.scenarios
    return LastCall(latest if np.isfinite(latest) else None, share)


def put_off(
    progress: Progress, sets: TaskSets, kept: Collection[int], *, prior: PacePrior | None
) -> dict[int, LastCall]:
    """The last call at the end of every optional task that had better be moved there.

    Those neither kept nor begun, with must work of anybody behind their place, that are in time at the end
    with a chance of at least what may fail.
    """
    world = sets.world
    if plain_world(world) and not ChanceConstraint.of(world).met(sets.outcome(()).failing):
        return {}
    ahead = _before_must_work(progress)
    free = [m for m, task in enumerate(world.optional) if m not in kept and not task.begun]
    asked = {m: name for m in free if (name := world.optional[m].task) in ahead}
    moved = _moved(progress, list(asked.values()), world.now) if asked else None
    if moved is None:
        return {}
    there = build_world(
        moved.progress, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory
    )
    place = {task.task: m for m, task in enumerate(there.optional)}
    names = [world.optional[m].task for m in kept]
    calls = last_calls(TaskSets(there), closed(there.optional, [place[name] for name in names]))
    there.memory.give_back(there.durations)
    found = {m: calls[place[task]] for m, task in asked.items() if task in moved.tasks}
    return {m: call for m, call in found.items() if call.last_call is not None and not call.hopeless(there)}


def _before_must_work(progress: Progress) -> set[str]:
    """The tasks of which an open step stands before must work of anybody."""
    out: set[str] = set()
    must = False
    for step in reversed(progress.fold.sequence):
        state = progress.steps[step]
        if state.ended is not None:
            continue
        task = progress.tasks[state.step.task]
        if must:
            out.add(state.step.task)
        must = must or not (task.optional or task.task.closeout)
    return out


@dataclass(frozen=True, slots=True)
class _Moved:
    """What stands once these tasks are last."""

    progress: Progress
    tasks: frozenset[str]


def _moved(progress: Progress, tasks: list[str], now: float) -> _Moved | None:
    """Suppose these moved to the end, one after another; None where none can be."""
    at, done = supposed_at(progress, now), []
    for task in tasks:
        try:
            progress = progress.suppose({"kind": "moved", "task": task, "last": True, "at": at})
        except EventError:
            # What it is needed for comes before the end.
            continue
        done.append(task)
    return _Moved(progress, frozenset(done)) if done else None
