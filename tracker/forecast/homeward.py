"""A course that is called home at an instant: what is broken off, what must be closed, when all are in."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import GRAIN_S, Mask, bound_crew, clocked, grain_of
from tracker.forecast.waits import NEVER, Row, wait_for_opening
from tracker.forecast.worked import Worked
from tracker.forecast.world import Course, Node, World, home_from_here

Rows = Sequence[Row] | NDArray[np.float32]
"""(steps, scenarios), each step's row by itself or all in one array."""


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """How a call at one instant ends, per scenario."""

    inside: Row
    """When everybody is inside, relative to now; infinite where a step on the way is shut out."""
    elapsed: Mask
    """Breaks an elapsed limit."""
    consumables: Mask
    """Breaks a reserve."""


@dataclass(frozen=True, eq=False)
class Homeward:
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
        """Return how a call at an instant (relative to now) ends.

        `ignoring`: a step that is taken to open nothing; `opened`: items taken to be open from now on.
        """
        call = _Call(self, np.float32(at), ignoring, frozenset(opened))
        for i in self.tail:
            call.follow(i)
        return call.arrival()

    def inside(self, at: float) -> Row:
        """Return only when everybody is inside after a call at an instant."""
        call = _Call(self, np.float32(at), None, frozenset())
        for i in self.tail:
            call.follow(i)
        return call.inside(None)

    def work_ends(self) -> Row:
        """Return when the last of the work would be done."""
        last: dict[int, int] = {}
        for k, i in enumerate(self.work):
            # What nobody owns is the last of nothing.
            last.update(dict.fromkeys(self.world.nodes[i].crew or (-1 - k,), k))
        out = np.zeros(self.world.scenarios, dtype=np.float32)
        for k in set(last.values()):
            np.maximum(out, self.finish[k], out=out)
        return out

    def part(self, chosen: NDArray[np.intp]) -> Homeward:
        """Return the same on these scenarios only; of durations only those that may follow a call."""
        world, tail = self.world, np.array(self.tail, dtype=np.intp)
        stores = [replace(a, level=a.level[chosen], use=a.use[chosen]) for a in world.accounts]
        durations = np.zeros((len(world.nodes), len(chosen)), dtype=np.float32)
        durations[tail] = world.durations[np.ix_(tail, chosen)]
        less = replace(world, durations=durations, accounts=tuple(stores))
        start, finish = (np.empty((len(self.work), len(chosen)), dtype=np.float32) for _ in range(2))
        for k in range(len(self.work)):
            np.take(self.start[k], chosen, out=start[k], mode="clip")
            np.take(self.finish[k], chosen, out=finish[k], mode="clip")
        return replace(self, world=less, start=start, finish=finish)

    @cached_property
    def worked(self) -> Worked:
        """What the work takes from every account up to an instant."""
        return Worked(self.start, self.finish, [a.extra_per_s[list(self.work)] for a in self.world.accounts])


def homeward(world: World, present: Sequence[int], course: Course) -> Homeward:
    """Return what may be called home, of a finished course with starts."""
    work = tuple(i for i in present if not world.nodes[i].closeout)
    openers: dict[str, tuple[int, ...]] = {}
    for k, i in enumerate(work):
        for item in world.nodes[i].opens:
            openers[item] = (*openers.get(item, ()), k)
    tail = tuple(i for i in present if world.nodes[i].closeout or world.nodes[i].closes)
    start, finish = [course.start[i] for i in work], [course.finish[i] for i in work]
    return Homeward(world, work, start, finish, tail, openers)


class _Call:
    """One call: who is free when, and which closers have to follow."""

    def __init__(
        self, course: Homeward, at: np.float32, ignoring: str | None, opened: frozenset[str]
    ) -> None:
        self.course, self.world, self.at = course, course.world, at
        self.ignoring, self.opened = ignoring, opened
        n = self.world.scenarios
        # A call does not end a hold: who is held until an instant goes on then.
        self.ready: list[Row] = [
            np.full(n, max(at, np.float32(held)), dtype=np.float32) for held in self.world.ready
        ]
        self.place = {i: k for k, i in enumerate(course.work)}
        self.finish: dict[int, Row] = {}
        """Per node of the tail when it ends; minus infinity where it does not follow."""
        self.took: dict[int, Row] = {}
        self.ways = self._ways_home()

    def begun(self, k: int) -> Mask:
        """Where a piece of the work has begun when called."""
        node = self.world.nodes[self.course.work[k]]
        if node.running and not node.just_begun:
            return np.ones(self.world.scenarios, dtype=np.bool_)
        return self.course.start[k] < self.at

    def follow(self, i: int) -> None:
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
        k = self.place[i]
        due = self._open(node) & (self.course.finish[k] > self.at)
        # What was begun and set aside, or is held, is not going on: it is taken up again like any other.
        going_on = due & (self.course.start[k] < self.at)
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
                    out |= self.begun(k)
        return out

    def _take(self, i: int, end: Row, took: Row, due: Mask | None) -> None:
        self.took[i] = took
        self.finish[i] = end if due is None else np.where(due, end, np.float32(-np.inf))
        for c in self.world.nodes[i].crew:
            self.ready[c] = end if due is None else np.where(due, end, self.ready[c])

    def _ways_home(self) -> dict[tuple[int, int], Row]:
        """Return per way home and crew member its planned seconds from where they are when called."""
        out: dict[tuple[int, int], Row] = {}
        for i in self.course.tail:
            node = self.world.nodes[i]
            if node.home is None:
                continue
            for c in node.crew:
                row = np.full(self.world.scenarios, home_from_here(node, c), dtype=np.float32)
                for k, earlier in enumerate(self.course.work):
                    if earlier in node.home and c in self.world.nodes[earlier].crew:
                        row[self.course.start[k] < self.at] = node.home[earlier]
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
        """Return when everybody is inside, and what is broken."""
        world = self.world
        inside = self.inside(None)
        elapsed = np.zeros(world.scenarios, dtype=np.bool_)
        for row in self.ready:
            elapsed |= row == NEVER
        consumables = elapsed.copy()
        for limit in world.limits:
            who = bound_crew(world, limit)
            elapsed |= (inside if who is None else self.inside(who)) > limit.at + GRAIN_S
        if world.accounts:
            consumables |= self._short(inside)
        return Arrival(inside, elapsed, consumables)

    def inside(self, crew: Collection[int] | None) -> Row:
        """Return when these crew members (None: everybody) are inside."""
        t = np.zeros(self.world.scenarios, dtype=np.float32)
        for c in self.world.counted:
            if crew is None or c in crew:
                np.maximum(t, self.ready[c], out=t)
        if crew is None:
            for i, row in self.finish.items():
                if not self.world.nodes[i].crew:
                    np.maximum(t, row, out=t)
        return t

    def _short(self, inside: Row) -> Mask:
        """Where some reserve is not there at ingress: what was worked until the call, and after it."""
        world = self.world
        extra = np.stack([account.extra_per_s for account in world.accounts])
        used = np.zeros((len(extra), world.scenarios), dtype=np.float32)
        if self.course.work:
            used += self.course.worked.until(self.at)
        for i, took in self.took.items():
            used += extra[:, i : i + 1] * took
        out = np.zeros(world.scenarios, dtype=np.bool_)
        for k, account in enumerate(world.accounts):
            slack = world.stores[k] - used[k]
            if clocked(world, k):
                out |= inside > slack / np.float32(account.waiting_per_s) + np.float32(GRAIN_S)
            else:
                out |= (slack < -grain_of(world, k)) & (inside > GRAIN_S)
        return out
