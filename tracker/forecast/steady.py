"""Which optional tasks are advised to be kept, without following every tick, and still pure.

The rule: leave at once below the demanded confidence; take work in only for a greater value and at a
stricter confidence. What was kept before is worked out again from the journal: the events in force are
walked, instant by instant, so the advice is a function of journal and present alone, the same at every
seat. The walk is bounded: it begins, without anything kept before, at the last-but-one multiple of
`STRIDE` instants, so that it looks at `STRIDE` to twice `STRIDE` of them. Between events the kept set
only shrinks.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass

from tracker.forecast.demand import closed, demand, total, worths
from tracker.forecast.judge import Judge
from tracker.forecast.kept import Kept, kept_set
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.world import World
from tracker.journal.progress import Progress, Recorded

STRIDE = 8
"""Every so many instants with news the walk may begin anew."""

NO_NEWS = frozenset({"noted", "acknowledged", "heard", "silent"})
"""Kinds of events that leave the rest of the excursion as it was."""

_MOST = 256
_walked: OrderedDict[object, tuple[Progress, frozenset[str]]] = OrderedDict()
"""What was kept after the instants walked so far. A cache only: it never changes what comes out. The
progress is held so that the identity of its plan stays taken."""


def better(judge: Judge, before: Collection[str] | None) -> Kept:
    """Return what to keep at an instant with news, given the names of what was kept before (or None)."""
    world = judge.world
    if before is None:
        return kept_set(world, judge=judge)
    values = worths(world.optional)
    old = _still(world, before)
    wanted = demand(world)
    held = judge.meets(old, wanted)
    if held and len(old) == len(world.optional):
        return Kept(old, holds=True)
    new = kept_set(world, judge=judge, wanted=demand(world, entering=True))
    if not held:
        less = kept_set(world, judge=judge, among=old)
        old, held = less.tasks, less.holds
    if new.holds and total(values, new.tasks) > total(values, old):
        return new
    return Kept(old, holds=held, proven=new.proven)


def shrunk(judge: Judge, before: Collection[str]) -> Kept:
    """Return what to keep between events: what was kept before, or the best part of it that holds."""
    old = _still(judge.world, before)
    if judge.meets(old, demand(judge.world)):
        return Kept(old, holds=True)
    return kept_set(judge.world, judge=judge, among=old)


def _still(world: World, names: Collection[str]) -> frozenset[int]:
    """Return which of these tasks are still optional, without those whose needs are not kept."""
    return closed(world.optional, [m for m, task in enumerate(world.optional) if task.task in names])


@dataclass(frozen=True, slots=True)
class _Past:
    """The instants with news so far, and how to look at the excursion as of each."""

    progress: Progress
    prior: PacePrior | None
    scenarios: int
    instants: tuple[float, ...]

    def kept_after(self, k: int, start: int) -> frozenset[str]:
        """Return the names of what was kept after instant k, walked from instant `start`."""
        key = self._key(k, start)
        if key in _walked:
            _walked.move_to_end(key)
            return _walked[key][1]
        before = self.kept_after(k - 1, start) if k > start else None
        judge = Judge(self._world(k))
        kept = names(judge.world, better(judge, before).tasks)
        self.remember(k, start, kept)
        return kept

    def remember(self, k: int, start: int, kept: frozenset[str]) -> None:
        """Keep what came out for instant k."""
        _walked[self._key(k, start)] = self.progress, kept
        while len(_walked) > _MOST:
            _walked.popitem(last=False)

    def _world(self, k: int) -> World:
        from tracker.forecast.remaining import build_world

        at = self.instants[k]
        then = self.progress.fold.until(at=at).progress()
        return build_world(then, now=max(at, then.at), scenarios=self.scenarios, prior=self.prior)

    def _key(self, k: int, start: int) -> object:
        upto = self.instants[k]
        events = tuple(_mark(event) for event in self.progress.events if event.at <= upto)
        return id(self.progress.plan), self.progress.uuid, repr(self.prior), self.scenarios, start, events


def _mark(event: Recorded) -> tuple[object, ...]:
    return event.number, event.kind, event.at, repr(sorted(event.body.items(), key=str))


def steady(progress: Progress, judge: Judge, *, prior: PacePrior | None) -> Kept:
    """Return what to keep now: the rule walked over the events so far, then shrunk to what still holds."""
    world = judge.world
    if not world.optional:
        return kept_set(world, judge=judge)
    instants = sorted({max(event.at, 0.0) for event in progress.events if event.kind not in NO_NEWS})
    if not instants:
        return better(judge, None)
    past = _Past(progress, prior, world.scenarios, tuple(instants))
    last = len(instants) - 1
    start = max(0, (last // STRIDE - 1) * STRIDE)
    if instants[last] == world.now:
        before = past.kept_after(last - 1, start) if last > start else None
        found = better(judge, before)
        past.remember(last, start, names(world, found.tasks))
        return found
    return shrunk(judge, past.kept_after(last, start))


def names(world: World, tasks: Collection[int]) -> frozenset[str]:
    """Return the ids of these optional tasks."""
    return frozenset(world.optional[m].task for m in tasks)
