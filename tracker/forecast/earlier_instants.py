"""What the instants before said, worked out again from the journal: what was kept, when turn-back was due.

What is kept does not follow every tick. The rule: leave at once below the demanded confidence; take work in
only for a greater value and at a stricter confidence. What was kept before is worked out again: the events in
force are walked, instant by instant, so the advice is a function of journal and present alone, the same at
every seat. The walk is bounded: it begins, without anything kept before, at the last-but-one multiple of
`STRIDE` instants, so that it looks at `STRIDE` to twice `STRIDE` of them. Between events no work is taken in:
what is kept is a part of what was kept at the last of them. Once there is no turn-back any more, it was due
at the last one that the events before still allowed.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass

from tracker.forecast.alert_inputs import AlertInputs, alert_inputs, raised
from tracker.forecast.figures import Raised
from tracker.forecast.kept_set import Kept, kept_set
from tracker.forecast.limits import ChanceConstraint, closed, going_on, total, worths
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import latest_call
from tracker.forecast.world import World
from tracker.journal.kinds import NO_NEWS
from tracker.journal.progress import Progress, Recorded, all_called

GONE_S, SOON_HOME_S = 600, 300
"""How far ahead turn-back has to be for its alert to be gone, and from how near on it is to be acted upon."""
STRIDE = 8
"""Every so many instants with news the walk may begin anew."""

_MOST = 256
"""Instants remembered."""


class Walks(OrderedDict[object, "Walked"]):
    """What came out for the instants walked so far."""


@dataclass(frozen=True, slots=True)
class Walked:
    """What came out at one instant with news."""

    kept: frozenset[str]
    inputs: AlertInputs


def better(sets: TaskSets, before: Collection[str] | None) -> Kept:
    """The tasks to keep at an instant with news, given the names of those kept before (or None)."""
    world = sets.world
    if before is None:
        return kept_set(sets)
    values = worths(world.optional)
    old = _still(world, before)
    wanted = ChanceConstraint.of(world)
    held = sets.meets(old, wanted)
    if held and len(old) == len(world.optional):
        return Kept(old, holds=True)
    new = kept_set(sets, wanted=ChanceConstraint.of(world, entering=True))
    if not held:
        less = kept_set(sets, among=old)
        old, held = less.tasks, less.holds
    if new.holds and total(values, new.tasks) > total(values, old):
        return new
    return Kept(old, holds=held, proven=new.proven)


def shrunk(sets: TaskSets, before: Collection[str]) -> Kept:
    """The tasks to keep between events: those kept before, or the best part of them that holds."""
    old = _still(sets.world, before)
    if sets.meets(old, ChanceConstraint.of(sets.world)):
        return Kept(old, holds=True)
    return kept_set(sets, among=old)


def _still(world: World, names: Collection[str]) -> frozenset[int]:
    """Those of these tasks that are still optional, without those whose needs are not kept."""
    return closed(world.optional, [m for m, task in enumerate(world.optional) if task.task in names])


@dataclass(frozen=True, slots=True)
class Past:
    """The instants with news so far, and how to look at the excursion as of each."""

    progress: Progress
    prior: PacePrior | None
    scenarios: int
    instants: tuple[float, ...]
    start: int
    """The instant at which the walk begins."""
    memory: Memory

    def after(self, k: int) -> Walked:
        """The outcome of the walk at instant k."""
        key, walks = self.key(k), self.memory.of(Walks)
        if key in walks:
            walks.move_to_end(key)
            return walks[key]
        before = self.after(k - 1).kept if k > self.start else None
        at = self.instants[k]
        then = self.progress.fold.until(at=at).progress()
        sets = TaskSets(self._world(then, at))
        found = self.remember(k, then, sets, better(sets, before).tasks)
        self.memory.give_back(sets.world.durations)
        return found

    def remember(self, k: int, then: Progress, sets: TaskSets, kept: frozenset[int]) -> Walked:
        """Keep what came out at instant k."""
        found = Walked(names(sets.world, kept), alert_inputs(then, sets, kept))
        walks = self.memory.of(Walks)
        walks[self.key(k)] = found
        while len(walks) > _MOST:
            walks.popitem(last=False)
        return found

    def _world(self, then: Progress, at: float) -> World:
        return build_world(
            then, now=max(at, then.at), scenarios=self.scenarios, prior=self.prior, memory=self.memory
        )

    def key(self, k: int) -> object:
        """By what the outcome at instant k is remembered: everything that it rests on."""
        upto = self.instants[k]
        events = tuple(mark(event) for event in self.progress.events if event.at <= upto)
        return repr(self.prior), self.scenarios, self.start, events


def mark(event: Recorded) -> tuple[object, ...]:
    """What tells an event from every other one, also from a supposed one."""
    return event.number, event.kind, event.at, repr(sorted(event.body.items(), key=str))


@dataclass(frozen=True, slots=True)
class Steady:
    """What to keep now, and the alerts of the instants walked."""

    kept: Kept
    raised: tuple[Raised, ...] = ()
    chances: tuple[tuple[float, float], ...] = ()
    """PET and chance at each of them."""


def steady(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> Steady:
    """The tasks to keep now: the rule walked over the events so far, then shrunk to what still holds."""
    kept = kept_now(progress, sets, prior=prior)
    past, last = past_of(progress, sets.world, prior)
    if last < 0:
        return Steady(kept)
    if past.instants[last] == sets.world.now:
        past.remember(last, progress, sets, kept.tasks)
    return Steady(kept, *_raised(past, last, sets.world.now))


def past_of(progress: Progress, world: World, prior: PacePrior | None) -> tuple[Past, int]:
    """The instants with news so far, and the place of the last of them; -1 without any."""
    instants = sorted({max(event.at, 0.0) for event in progress.events if event.kind not in NO_NEWS})
    last = len(instants) - 1
    start = max(0, (last // STRIDE - 1) * STRIDE)
    return Past(progress, prior, world.scenarios, tuple(instants), start, world.memory), last


def kept_now(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> Kept:
    """The tasks to keep now, as `steady` says, without what else it tells."""
    world = sets.world
    past, last = past_of(progress, world, prior)
    if last < 0:
        return better(sets, None)
    if past.instants[last] != world.now:
        return shrunk(sets, past.after(last).kept)
    return better(sets, past.after(last - 1).kept if last > past.start else None)


def _raised(past: Past, last: int, now: float) -> tuple[tuple[Raised, ...], tuple[tuple[float, float], ...]]:
    """Each alert that was raised at an instant walked, with the first of them; and the chances there."""
    out: dict[str, Raised] = {}
    chances = []
    for k in range(past.start, last + 1):
        until = now if k == last else past.instants[k + 1]
        inputs = past.after(k).inputs
        chances.append((inputs.at, inputs.safe))
        for alert in raised(inputs, until):
            out.setdefault(alert.id, alert)
    return tuple(out.values()), tuple(chances)


def names(world: World, tasks: Collection[int]) -> frozenset[str]:
    """The ids of these optional tasks."""
    return frozenset(world.optional[m].task for m in tasks)


class _Known(OrderedDict[object, float | None]):
    """The turn-back of instants looked at."""


def was_due(
    progress: Progress, world: World, *, prior: PacePrior | None, homebound: bool = False
) -> tuple[float | None, float | None]:
    """The last turn-back before the instant of a world, and since when it is missed, both PET or None.

    Missed is none where they were called before it, or are `homebound` without a call. Looked for from the
    last instant with news at which somebody outside was not yet called, backwards over the instants that the
    advice of that moment was walked over.
    """
    before = _not_all_called(progress, world, prior)
    if before is None:
        return None, None
    called = max((one.at for one in progress.recall.values()), default=0.0) if all_called(progress) else None
    past, last = past_of(before, world, prior)
    for k in range(last, past.start - 1, -1):
        if past.instants[k] < world.now and (found := _turn_back(past, k)) is not None:
            # News may have made it due long before: then it was missed when that came, unless they were on
            # the way home by then.
            news = min(past.instants[k + 1 : last + 1], default=found)
            missed = None if homebound and found > news else min(found, news)
            in_time = called is not None and missed is not None and missed > called
            return found, None if in_time else missed
    return None, None


def home_was_due(
    progress: Progress, world: World, latest: float | None, *, prior: PacePrior | None
) -> tuple[Raised, ...]:
    """The alert of turn-back that an earlier instant raised and that still stands at the instant of a world.

    `latest`: the turn-back as it is, PET. What was raised is gone once turn-back was `GONE_S` ahead again.
    """
    if latest is None or latest - world.now >= GONE_S or all_called(progress):
        return ()
    past, last = past_of(progress, world, prior)
    soon: tuple[Raised, ...] = ()
    until = world.now
    for k in range(last, past.start - 1, -1):
        at = past.instants[k]
        then = _turn_back(past, k) if at < world.now else latest
        if then is None or then < until:
            return (Raised("turn-back", at, at if then is None else then),)
        if then - until <= SOON_HOME_S:
            soon = (Raised(f"turn-back:{SOON_HOME_S // 60}", then, max(at, then - SOON_HOME_S)),)
        if then - at >= GONE_S:
            break
        until = at
    return soon


def _not_all_called(progress: Progress, world: World, prior: PacePrior | None) -> Progress | None:
    """The progress at the last instant with news at which not everybody was called home."""
    if not all_called(progress):
        return progress
    past, last = past_of(progress, world, prior)
    for k in range(last, -1, -1):
        then = progress.fold.until(at=past.instants[k]).progress()
        if not all_called(then):
            return then
    return None


def _turn_back(past: Past, k: int) -> float | None:
    """The turn-back as it was at an instant with news."""
    known, key = past.memory.of(_Known), past.key(k)
    if key not in known:
        at = past.instants[k]
        then = past.progress.fold.until(at=at).progress()
        now = max(at, then.at)
        world = build_world(then, now=now, scenarios=past.scenarios, prior=past.prior, memory=past.memory)
        known[key] = latest_call(TaskSets(world), going_on(world.optional, past.after(k).kept))
        past.memory.give_back(world.durations)
        while len(known) > _MOST:
            known.popitem(last=False)
    return known[key]
