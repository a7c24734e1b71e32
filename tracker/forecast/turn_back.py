"""The latest instant at which the crew must start for home, along the projected course.

Called at an instant, each scenario works as planned up to it; then every step in progress is broken off,
except one that closes an open item; then the closers of open items follow, and closeout, which is held back
until the call. An item is open once a step that opens it has begun. Calling later is never safer unless the
way home shrinks meanwhile, so bisection finds the latest instant exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumption import Mask, UsageUntil
from tracker.forecast.figures import TurnBack
from tracker.forecast.last_call import ends_of, latest_start
from tracker.forecast.limits import (
    GRAIN_S,
    ChanceConstraint,
    FailureCounts,
    bound_crew,
    clocked,
    deadlines,
    grain_of,
)
from tracker.forecast.quantiles import one, ranged
from tracker.forecast.task_sets import Bounds, TaskSets, plain_world
from tracker.forecast.window_gaps import wait_for_opening
from tracker.forecast.world import (
    NEVER,
    Course,
    Node,
    Row,
    World,
    home_from_here,
    inside,
    last_inside,
)

Rows = Sequence[Row] | NDArray[np.float32]
"""(steps, scenarios), each step's row by itself or all in one array."""

_STEPS = 24
"""Into how many parts the stretch is cut in which calling later can be safer, as a way home shrinks."""
_NOTICED_S = 15.0
"""A step that opens something is named when it moves turn-back by more than this."""
_ONE_IN, _NEAR_S, _FEW = 16, 128, 512
"""One scenario in so many says within about so many seconds where it is; fewer take hardly less time."""


def turn_back(sets: TaskSets, kept: Collection[int], *, homebound: bool = False) -> TurnBack:
    """The turn-back along the course of the kept set; PET seconds, to the second.

    `homebound`: everybody outside is called home. None as latest: not even a call now keeps every limit, or
    nobody outside has other work than closeout, and there is nothing left to turn back from.
    """
    world, course = sets.world, sets.course(kept)
    full = recall_course(world, world.present(kept), course)
    # Who is inside already is not called: the fact stands.
    if not world.counted:
        return TurnBack(None, ranged(inside(world, course), base=world.now, mean=True), homebound=True)
    called = full.called(0.0)
    failing = FailureCounts.of(called.elapsed, called.consumables)
    arrival, safe = ranged(called.inside, base=world.now, mean=True), 1.0 - failing.any / world.scenarios
    found = TurnBack(None, arrival, safe_if_now=safe, safe_by_if_now=failing.safe_by(world))
    if homebound or not _other_work(world, full):
        return replace(found, homebound=True)
    finder = _Finder(sets, kept, full)
    latest = finder.latest()
    return found if latest is None else _with_mover(finder, replace(found, latest=latest))


def latest_call(sets: TaskSets, kept: Collection[int]) -> float | None:
    """Only the latest PET at which to call; None also where nobody outside has other work than closeout."""
    world = sets.world
    full = recall_course(world, world.present(kept), sets.course(kept))
    if not world.counted or not _other_work(world, full):
        return None
    return _Finder(sets, kept, full).latest()


def _other_work(world: World, full: RecallCourse) -> bool:
    """Whether somebody outside has other work than closeout on the course."""
    return any(not set(world.counted).isdisjoint(world.nodes[i].crew) for i in full.work)


def _with_mover(finder: _Finder, found: TurnBack) -> TurnBack:
    """Name the next step that opens something and thereby moves turn-back."""
    assert found.latest is not None
    now = finder.world.now
    for step, items in _openers(finder.full, found.latest - now + _NOTICED_S):
        if not finder.holds(found.latest - now + _NOTICED_S, ignoring=step):
            continue
        without = finder.latest(ignoring=step)
        begun = finder.latest(opened=items)
        return replace(found, mover=step, moved_from=without, moved_to=begun)
    return found


def _openers(full: RecallCourse, before: float) -> list[tuple[str, tuple[str, ...]]]:
    """Steps that will open something that must be closed again, by projected start."""
    nodes = full.world.nodes
    closed = {item for i in full.tail for item in nodes[i].closes}
    out = []
    for k, i in enumerate(full.work):
        items = tuple(item for item in nodes[i].opens if item in closed)
        if items and not nodes[i].running and float(full.start[k].min()) < before:
            out.append((one(full.start[k], 0.5), nodes[i].step, items))
    return [(step, items) for _, step, items in sorted(out)]


class _Finder:
    """Counts what a call at an instant breaks: easy scenarios by one comparison, the others played.

    Easy is a scenario that keeps every limit even with the longest way home there is: an earlier call
    leaves a part of its work, and a later one only holds closeout back. With nothing to close again so is
    one whose reserves would do for all of its work as late as its limits allow.
    """

    def __init__(self, sets: TaskSets, kept: Collection[int], full: RecallCourse) -> None:
        self.world, self.full = sets.world, full
        self.wanted = ChanceConstraint.of(self.world)
        by_limits, by_reserves = _held_back_until(self.world, self.world.present(kept))
        easy = np.minimum(by_limits, by_reserves) >= full.work_ends()
        only_closeout = max(full.work) < min(full.tail, default=0)
        if only_closeout and self.world.confidence_joint and plain_world(self.world):
            easy |= by_reserves >= by_limits
        homes = any(node.home is not None for node in self.world.nodes)
        if homes:
            least, most = sets.least, Bounds.of(self.world, least=False)
            elapsed, consumables = most.broken_by(most.course(frozenset(kept)), most.left_with(kept))
            easy &= ~(elapsed | consumables)
        self.by_limits, self.by_reserves = by_limits[easy], by_reserves[easy]
        self.chosen = np.flatnonzero(~easy)
        self.exact = full.part(self.chosen)
        self.bounds: tuple[RecallCourse, RecallCourse] | None = None
        if homes:
            shortest, longest = (replace(full, world=bound.world) for bound in (least, most))
            self.bounds = shortest.part(self.chosen), longest.part(self.chosen)

    def holds(self, at: float, hard: RecallCourse | None = None, **call: Any) -> bool:
        """Whether enough scenarios keep every limit when called at this instant, relative to now.

        `call`: what else is taken to be so, as `RecallCourse.called` has it.
        """
        easy = self._easy(at)
        if not len(self.chosen):
            return self.wanted.met(easy)
        found = (hard or self.exact).called(at, **call)
        return self.wanted.met(easy.plus(FailureCounts.of(found.elapsed, found.consumables)))

    def latest(self, **call: Any) -> float | None:
        """The greatest PET, in whole seconds, of a call that holds; None if not even now does."""

        def does(pet: float, hard: RecallCourse | None = None) -> bool:
            return self.holds(pet - now, hard, **call)

        now = self.world.now
        if not does(now):
            return None
        # A limit of those alone who are inside already binds nobody any more.
        limits, outside = self.world.limits, self.world.counted
        binding = [limit for limit in limits if not set(limit.crew).isdisjoint(outside)] or limits
        low, high = floor(now), floor(now + min(limit.at for limit in binding)) + 1
        if self.bounds is None:
            return max(float(self._narrowed(low, high, **call)), now)
        low, high = _crossing(does, low, high, *self.bounds)
        return max(float(_last(does, low, high)), now)

    def _narrowed(self, low: int, high: int, **call: Any) -> int:
        """The last whole second (PET) that holds, given that `low` does.

        Without ways home calling later is never safer, scenario by scenario: what breaks nothing at an
        instant breaks nothing before it, and what breaks something goes on breaking it. So it is looked for
        near what some scenarios say, and then only in those that are not settled on both sides.
        """
        now, joint, down, up = self.world.now, self.world.confidence_joint, _NEAR_S, _NEAR_S
        guess, course, settled = self._guess(low, high, **call), self.exact, FailureCounts(0, 0, 0)
        sure = np.zeros(course.world.scenarios, dtype=np.bool_)
        while high - low > 1:
            middle = (low + high) // 2
            # Later first: most of them keep every limit there, and are settled.
            if low < guess + up < high:
                middle, up = guess + up, 4 * up
            elif low < guess - down < high:
                middle, down = guess - down, 4 * down
            failing = self._easy(middle - now).plus(settled)
            if not course.world.scenarios:
                low, high = (middle, high) if self.wanted.met(failing) else (low, middle)
                continue
            found = course.called(middle - now, **call)
            failing = failing.plus(FailureCounts.of(found.elapsed, found.consumables))
            if self.wanted.met(failing):
                low = middle
                sure |= found.elapsed | found.consumables if joint else found.elapsed & found.consumables
            else:
                high = middle
                sure |= ~(found.elapsed | found.consumables)
            if len(sure) > _FEW and 2 * np.count_nonzero(sure) > len(sure):
                settled = settled.plus(FailureCounts.of(found.elapsed & sure, found.consumables & sure))
                course = course.part(np.flatnonzero(~sure))
                sure = np.zeros(course.world.scenarios, dtype=np.bool_)
        return low

    def _guess(self, low: int, high: int, **call: Any) -> int:
        """About the last second (PET) that holds, by one of `_ONE_IN` of the scenarios that are played."""
        now, course = self.world.now, self.exact.part(np.arange(0, len(self.chosen), _ONE_IN))
        while course.world.scenarios and high - low > _NEAR_S:
            middle = (low + high) // 2
            found = course.called(middle - now, **call)
            failing = FailureCounts.of(found.elapsed, found.consumables).times(_ONE_IN)
            holds = self.wanted.met(self._easy(middle - now).plus(failing))
            low, high = (middle, high) if holds else (low, middle)
        return (low + high) // 2

    def _easy(self, at: float) -> FailureCounts:
        """What a call at an instant, relative to now, breaks of the easy scenarios."""
        return FailureCounts.of(self.by_limits < at - GRAIN_S, self.by_reserves < at - GRAIN_S)


def _last(does: Callable[[float], bool], low: int, high: int) -> int:
    """The last whole second that does, given that `low` does and that none follows a miss."""
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if does(middle) else (low, middle)
    return low


def _crossing(
    does: Callable[..., bool], low: int, high: int, shortest: RecallCourse, longest: RecallCourse
) -> tuple[int, int]:
    """A short stretch that begins with an instant that does and ends with one that does not.

    Where ways home differ, a later call can be safer again. With all of them the shortest, and with
    all the longest, it never is: the last instant lies between what those two say, and is looked for
    there from the end on.
    """
    end = _last(lambda pet: does(pet, shortest), low, high) + 1
    start = _last(lambda pet: does(pet, longest), low, high) if does(low, longest) else low
    step = max(1, ceil((end - start) / _STEPS))
    for pet in range(end - step, start, -step):
        if does(pet):
            return pet, min(pet + step, end)
    return start, min(start + step, end)


def _held_back_until(world: World, present: list[int]) -> tuple[Row, Row]:
    """The instant until which closeout could be held back, all work done: for limits, for reserves."""
    closeout = [i for i in present if world.nodes[i].closeout]
    by_limits, by_reserves = ends_of(world, deadlines(world, present))
    if not closeout:
        never = np.full(world.scenarios, -np.inf, dtype=np.float32)
        return never, never
    return (
        latest_start(world, present, closeout, by_limits),
        latest_start(world, present, closeout, by_reserves),
    )


@dataclass(frozen=True, eq=False)
class RecallCourse:
    """The work before closeout as it would go on, and what may have to follow a call."""

    world: World
    work: tuple[int, ...]
    """Nodes that remain, closeout left out, ascending."""
    start: Rows
    finish: Rows
    tail: tuple[int, ...]
    """Closers among the work, and closeout, in the order in which they would be done."""
    openers: dict[str, tuple[int, ...]]
    """Per item the places in `work` of the steps that open it."""

    def called(self, at: float, *, ignoring: str | None = None, opened: Collection[str] = ()) -> Arrival:
        """The end of a call at an instant (relative to now).

        `ignoring`: a step that is taken to open nothing; `opened`: items taken to be open from now on.
        """
        return _Call(self, np.float32(at), ignoring, frozenset(opened)).arrival()

    def work_ends(self) -> Row:
        """The instant at which the last of the work would be done."""
        last: dict[int, int] = {}
        for k, i in enumerate(self.work):
            # What nobody owns is the last of nothing.
            last.update(dict.fromkeys(self.world.nodes[i].crew or (-1 - k,), k))
        out = np.zeros(self.world.scenarios, dtype=np.float32)
        for k in set(last.values()):
            np.maximum(out, self.finish[k], out=out)
        return out

    def part(self, chosen: NDArray[np.intp]) -> RecallCourse:
        """The same on these scenarios only; of durations only those that may follow a call."""
        world, tail = self.world, np.array(self.tail, dtype=np.intp)
        durations = np.zeros((len(world.nodes), len(chosen)), dtype=np.float32)
        durations[tail] = world.durations[np.ix_(tail, chosen)]
        less = world.some(chosen, durations)
        return replace(
            self, world=less, start=_columns(self.start, chosen), finish=_columns(self.finish, chosen)
        )

    @cached_property
    def place(self) -> dict[int, int]:
        """Place in `work` of each of its nodes."""
        return {i: k for k, i in enumerate(self.work)}

    @cached_property
    def worked(self) -> UsageUntil:
        """What the work takes from every account up to an instant."""
        return UsageUntil(
            self.start, self.finish, [a.extra_per_s[list(self.work)] for a in self.world.accounts]
        )


def _columns(rows: Rows, chosen: NDArray[np.intp]) -> NDArray[np.float32]:
    """These scenarios of each row, (steps, chosen)."""
    if isinstance(rows, np.ndarray):
        return np.take(rows, chosen, axis=1)
    return np.stack([row.take(chosen) for row in rows])


def recall_course(world: World, present: Sequence[int], course: Course) -> RecallCourse:
    """The course that may be called home, of a finished one with starts."""
    work = tuple(i for i in present if not world.nodes[i].closeout)
    openers: dict[str, tuple[int, ...]] = {}
    for k, i in enumerate(work):
        for item in world.nodes[i].opens:
            openers[item] = (*openers.get(item, ()), k)
    tail = tuple(i for i in present if world.nodes[i].closeout or world.nodes[i].closes)
    start, finish = [course.start[i] for i in work], [course.finish[i] for i in work]
    return RecallCourse(world, work, start, finish, tail, openers)


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """How a call at one instant ends, per scenario."""

    inside: Row
    """When everybody is inside, relative to now; infinite where a step on the way is shut out."""
    elapsed: Mask
    """Breaks an elapsed limit."""
    consumables: Mask
    """Breaks a reserve."""


class _Call:
    """One call: who is free when, and which closers have to follow."""

    def __init__(
        self, course: RecallCourse, at: np.float32, ignoring: str | None, opened: frozenset[str]
    ) -> None:
        self.course, self.world, self.at = course, course.world, at
        self.ignoring, self.opened = ignoring, opened
        # A call does not end a hold: who is held until an instant goes on then.
        self.ready: list[Row] = [np.maximum(row, at) for row in self.world.ready]
        self.finish: dict[int, Row] = {}
        """Per node of the tail when it ends; minus infinity where it does not follow."""
        self.took: dict[int, Row] = {}
        self.ways = self._ways_home()
        for i in course.tail:
            self._follow(i)

    def _begun(self, k: int) -> Mask:
        """Where a piece of the work has begun when called."""
        node = self.world.nodes[self.course.work[k]]
        if node.running and not node.just_begun:
            return np.ones(self.world.scenarios, dtype=np.bool_)
        return self._started(k)

    def _started(self, k: int) -> Mask:
        """Where a piece of the work has been started when called.

        What may have been done before now, and was not ticked, has no follower yet that anybody knows of.
        """
        return (self.course.start[k] < self.at) & (self.at > 0)

    def _follow(self, i: int) -> None:
        """Let a closer or a step of closeout follow where it has to."""
        node, duration = self.world.nodes[i], self.world.durations[i]
        t = self._free(node)
        if node.closeout:
            if node.gaps:
                wait_for_opening(t, node.gaps)
            if node.home is not None:
                duration = duration * self._way(i, node)
            self._take(i, t + duration, duration, None)
            self._moved(i, np.ones(self.world.scenarios, dtype=np.bool_))
            return
        k = self.course.place[i]
        due = self._open(node) & (self.course.finish[k] > self.at)
        # What was begun and set aside, or is held, is not going on: it is taken up again like any other.
        going_on = due & self._started(k)
        if not due.any():
            return
        waiting = t.copy()
        if node.gaps:
            wait_for_opening(waiting, node.gaps)
        end = np.where(going_on, self.course.finish[k], waiting + duration)
        rest = np.where(going_on, self.course.finish[k] - self.at, duration)
        self._take(i, end, np.where(due, rest, np.float32(0)), due)
        self._moved(i, due & ~going_on)

    def _free(self, node: Node) -> Row:
        t = np.full(self.world.scenarios, self.at, dtype=np.float32)
        for c in node.crew:
            np.maximum(t, self.ready[c], out=t)
        for need in () if node.running else node.needs:
            if need in self.finish:
                np.maximum(t, self.finish[need], out=t)
        return t

    def _open(self, node: Node) -> Mask:
        """Where some item that a node closes is open at the call."""
        out = np.zeros(self.world.scenarios, dtype=np.bool_)
        for item in node.closes:
            if item in self.world.open_now or item in self.opened:
                out[:] = True
            for k in self.course.openers.get(item, ()):
                if self.world.nodes[self.course.work[k]].step != self.ignoring:
                    out |= self._begun(k)
        return out

    def _take(self, i: int, end: Row, took: Row, due: Mask | None) -> None:
        self.took[i] = took
        self.finish[i] = end if due is None else np.where(due, end, np.float32(-np.inf))
        for c in self.world.nodes[i].crew:
            self.ready[c] = end if due is None else np.where(due, end, self.ready[c])

    def _ways_home(self) -> dict[tuple[int, int], Row]:
        """Per way home and crew member its planned seconds from where they are when called."""
        out: dict[tuple[int, int], Row] = {}
        for i in self.course.tail:
            node = self.world.nodes[i]
            if node.home is None:
                continue
            for c in node.crew:
                row = np.full(self.world.scenarios, home_from_here(node, c), dtype=np.float32)
                for k, earlier in enumerate(self.course.work):
                    if earlier in node.home and c in self.world.nodes[earlier].crew:
                        row[self._started(k)] = node.home[earlier]
                out[i, c] = row
        return out

    def _moved(self, i: int, where: Mask) -> None:
        """Move whoever does a step after the call to its site."""
        for (home, c), row in self.ways.items():
            sites = self.world.nodes[home].home
            if sites is not None and i in sites and c in self.world.nodes[i].crew:
                row[where] = sites[i]

    def _way(self, i: int, node: Node) -> Row:
        rows = [self.ways[i, c] for c in node.crew]
        out = np.full(self.world.scenarios, node.home_now if not rows else 0.0, dtype=np.float32)
        for row in rows:
            np.maximum(out, row, out=out)
        return out

    def arrival(self) -> Arrival:
        """The instant at which everybody is inside, and the limits broken."""
        world = self.world
        everybody = self.inside(None)
        elapsed = np.zeros(world.scenarios, dtype=np.bool_)
        for row in self.ready:
            elapsed |= row == NEVER
        consumables = elapsed.copy()
        for limit in world.limits:
            who = bound_crew(world, limit)
            elapsed |= (everybody if who is None else self.inside(who)) > limit.at + GRAIN_S
        if world.accounts:
            consumables |= self._short(everybody)
        return Arrival(everybody, elapsed, consumables)

    def inside(self, crew: Collection[int] | None) -> Row:
        """The instant at which the last of these crew members (None: everybody) is inside."""
        nobodys = [row for i, row in self.finish.items() if not self.world.nodes[i].crew]
        return last_inside(self.world, self.ready, nobodys, crew)

    def _short(self, inside: Row) -> Mask:
        """Where some reserve is not there at ingress: what was worked until the call, and after it."""
        world = self.world
        extra = np.stack([account.extra_per_s for account in world.accounts])
        used = np.zeros((len(extra), world.scenarios), dtype=np.float32)
        if self.course.work and self.at > 0:
            used += self.course.worked.until(self.at)
        for i, took in self.took.items():
            used += extra[:, i : i + 1] * took
        out = np.zeros(world.scenarios, dtype=np.bool_)
        for k in range(len(world.accounts)):
            slack = world.stores[k] - used[k]
            if clocked(world, k):
                out |= inside > slack / world.waiting[k] + np.float32(GRAIN_S)
            else:
                out |= (slack < -grain_of(world, k)) & (inside > GRAIN_S)
        return out
