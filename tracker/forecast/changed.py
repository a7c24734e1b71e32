"""What moved the projected ingress between two instants, in causes that add up; what changed lately, and why.

Causes: the events in between are replayed in their order on the same random numbers, an instant at a time;
what each does to the median goes to its cause. Three things are told apart throughout: windows (by
playing every state without them as well), what the advice takes in or leaves out (settled last, task by
task), and the passing of time (which goes to the hold, the waiting or the work that goes on meanwhile).

Lately: looked at after every event, every five minutes and now, from the journal alone. A look is held
against the one at which a change was last said. The walk is bounded: it begins at the last-but-one whole
hour, whose look stands for the one said last, so it covers one hour to two. Looks once taken are remembered.
"""

from __future__ import annotations

import math
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TypeVar

from tracker.forecast.change_words import CHANCE, INSIDE_S
from tracker.forecast.earlier_instants import kept_now, mark, names
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Advice, Before, Changed, ChangedLimit, Estimate
from tracker.forecast.limits import going_on
from tracker.forecast.memory import Memory, memory_of
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world, prior_of
from tracker.forecast.task_figures import NO_TURN_BACK
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import latest_call
from tracker.forecast.world import World, advance, begin, inside
from tracker.foundation.errors import EventError
from tracker.foundation.shown import up
from tracker.journal.kinds import BY_NAME, GO, HOLDS, MOVE_NO_WORK, NO_NEWS, PACE, WINDOWS
from tracker.journal.progress import Progress, Recorded, all_called

EVERY_S = 300
"""Between events it is looked at each so many whole seconds of PET, and at the present
one: what stands on the screen is what is explained."""
STRIDE_S = 3600
"""The walk begins at the last-but-one multiple of this."""
_MOST = 512


@dataclass(frozen=True, slots=True)
class _Look:
    """What stood at one instant."""

    progress: Progress
    made: Estimate

    @property
    def basis(self) -> frozenset[str]:
        """The optional tasks that are counted, and those that are done: who finishes one changes nothing."""
        tasks = self.progress.tasks
        return self.made.counted | {n for n, s in tasks.items() if s.task.optional and s.status == "done"}

    def differs(self, before: _Look) -> bool:
        """Whether the move from an earlier look has to be said."""
        ends = up(before.made.inside.p50), up(self.made.inside.p50)
        moved = ends[0] != ends[1] if None in ends else abs((ends[1] or 0) - (ends[0] or 0)) >= INSIDE_S
        return (
            moved or abs(self.made.safe - before.made.safe) >= CHANCE - 1e-9 or (self.basis != before.basis)
        )


Found = TypeVar("Found")


class _Remembered(OrderedDict[object, Found]):
    """What was found so far, by what it depends on; the latest used are kept."""

    def once(self, key: object, find: Callable[[], Found]) -> Found:
        """What is found for a key, worked out only once."""
        if key not in self:
            self[key] = find()
            while len(self) > _MOST:
                self.popitem(last=False)
        self.move_to_end(key)
        return self[key]


class _Looks(_Remembered[_Look]):
    """The looks taken so far."""


class _Said(_Remembered[Changed]):
    """The changes worked out so far."""


class _Homes(_Remembered["float | None"]):
    """By when they had to turn for home at each look of a change."""


class _Medians(_Remembered["_Median"]):
    """The states played so far: a later change goes over most of them again."""


def changed(
    progress: Progress,
    now: float,
    *,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    memory: Memory | None = None,
) -> Changed | None:
    """The last change that was to be said by PET `now`; None before the clock and once it is over.

    Where nothing was to be said since the walk began, a change from that instant to itself, without causes.
    """
    if progress.zero is None or progress.closed is not None:
        return None
    walk = _Walk(progress, scenarios, prior or prior_of(progress), memory or memory_of(progress))
    start = max(0.0, (now // STRIDE_S - 1) * STRIDE_S)
    before = said = last = walk.look(start)
    for at in walk.instants(start, max(now, progress.at)):
        look = walk.look(at)
        if look.differs(last):
            before, said, last = last, look, look
    return replace(walk.change(before, said), until=max(now, progress.at))


def changed_since(
    progress: Progress,
    now: float,
    since: float,
    *,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    memory: Memory | None = None,
) -> Changed:
    """What changed from PET `since`, by the events that happened by then, to PET `now`, and why."""
    walk = _Walk(progress, scenarios, prior or prior_of(progress), memory or memory_of(progress))
    return walk.change(walk.look(since), walk.look(max(now, progress.at)))


@dataclass(frozen=True, slots=True)
class _Walk:
    """Looks at the excursion as of earlier instants."""

    progress: Progress
    scenarios: int
    prior: PacePrior
    memory: Memory

    def instants(self, start: float, now: float) -> Iterator[float]:
        """Every instant at which it is looked, after the start."""
        events = {event.at for event in self.progress.events if event.kind not in NO_NEWS}
        grid = range(int(start), math.floor(now) + 1, EVERY_S)
        looks = sorted(at for at in events | set(grid) if start < at <= now)
        yield from looks
        if (present := math.floor(now)) > max([start, *looks[-1:]]):
            yield present

    def look(self, at: float) -> _Look:
        """What stood at an instant, by the events that happened by then."""
        return self.memory.of(_Looks).once(self._key(at), lambda: self._taken(at))

    def _taken(self, at: float) -> _Look:
        then = self.progress.fold.until(at=at).progress()
        at = max(at, then.at)
        world = build_world(then, now=at, scenarios=self.scenarios, prior=self.prior, memory=self.memory)
        sets = TaskSets(world)
        kept = names(world, kept_now(then, sets, prior=self.prior))
        self.memory.give_back(world.durations)
        made = estimate(
            then,
            at,
            scenarios=self.scenarios,
            advice=Advice(at, kept, (), NO_TURN_BACK),
            prior=self.prior,
            ranges="shown",
            memory=self.memory,
        )
        return _Look(then, made)

    def _key(self, at: float) -> object:
        events = tuple(mark(event) for event in self.progress.events if event.at <= at)
        return repr(self.prior), self.scenarios, at, events

    def change(self, before: _Look, said: _Look) -> Changed:
        """What was said at a look, and why."""
        key = self._key(before.made.at), self._key(said.made.at)
        return self.memory.of(_Said).once(key, lambda: self._change(before, said))

    def _change(self, before: _Look, said: _Look) -> Changed:
        earlier, later = before.made, said.made
        causes = (
            ()
            if before is said
            else attributed(
                before.progress,
                said.progress,
                earlier,
                later,
                then=earlier.at,
                prior=self.prior,
                memory=self.memory,
            )
        )
        chances = {limit.id: limit.chance for limit in earlier.limits}
        causes_of = (BY_NAME[e.kind].cause for e in said.progress.events if earlier.at < e.at <= later.at)
        return Changed(
            since=earlier.at,
            at=later.at,
            inside=Before(earlier.inside.p50, later.inside.p50),
            safe=Before(earlier.safe, later.safe),
            causes=causes,
            limits=tuple(
                ChangedLimit(limit.id, chances.get(limit.id, 0.0), limit.chance) for limit in later.limits
            ),
            counted=later.counted,
            turned=(
                *(f"{task} in" for task in sorted(said.basis - before.basis)),
                *(f"{task} out" for task in sorted(before.basis - said.basis)),
            ),
            turn_home=Before(*map(self._turned_home, (before, said))),
            news=tuple(dict.fromkeys(cause for cause in causes_of if cause in MOVE_NO_WORK)),
            read=tuple(
                f"{one.crew}.{one.consumable}"
                for one in said.progress.readings
                if earlier.at < one.at <= later.at
            ),
        )

    def _turned_home(self, look: _Look) -> float | None:
        return self.memory.of(_Homes).once(self._key(look.made.at), lambda: self._turns_home(look))

    def _turns_home(self, look: _Look) -> float | None:
        """By when they had to turn for home at a look, by what was kept then."""
        then, made = look.progress, look.made
        world = build_world(then, now=made.at, scenarios=self.scenarios, prior=self.prior, memory=self.memory)
        found = latest_call(TaskSets(world), going_on(world.optional, made.advice.kept))
        self.memory.give_back(world.durations)
        return None if all_called(then) else found


CORRECTIONS = "corrections"
CLOSING = "closing"
TIME = "time passing"


def moved(
    earlier: Progress,
    later: Progress,
    *,
    then: float,
    now: float,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
) -> tuple[tuple[str, float], ...]:
    """(cause, seconds) whose sum is the change of the median ingress from `then` to `now`.

    `earlier` is the progress as it was known at PET `then`, `later` at PET `now`. Positive: later. Only
    causes that moved anything are listed, in the order in which they first did. Empty where there is
    no median at one of the instants.
    """
    prior = prior_of(later) if prior is None else prior
    start = estimate(earlier, now=then, scenarios=scenarios, prior=prior, ranges="shown")
    end = estimate(later, now=now, scenarios=scenarios, prior=prior, ranges="shown")
    return attributed(earlier, later, start, end, then=then, prior=prior, memory=memory_of(later))


def attributed(
    earlier: Progress,
    later: Progress,
    start: Estimate,
    end: Estimate,
    *,
    then: float,
    prior: PacePrior,
    memory: Memory,
) -> tuple[tuple[str, float], ...]:
    """What `moved` says, given the estimates at both instants."""
    if start.inside.p50 is None or end.inside.p50 is None:
        return ()
    parts: defaultdict[str, float] = defaultdict(float)
    player = _Player(start.advice.kept, end.scenarios, prior, memory)
    before = player.median(_State(earlier, then, ""))
    for state in _replayed(earlier, later, min(then, start.at), end.at):
        after = player.median(state)
        if begun := after.begun - before.begun - start.counted:
            # Work that nobody counted has begun: that is no pace.
            without = player.median(state, leaving=begun)
            parts[f"{', '.join(sorted(begun))} in"] += after.all - without.all
            before = before.later(after, without)
        parts[state.cause] += after.open - before.open
        parts[WINDOWS] += (after.all - after.open) - (before.all - before.open)
        before = after
    last = before.all
    for cause, kept in _turned(later, start.advice.kept, end.advice.kept):
        after = replace(player, kept=kept).median(_State(later, end.at, cause))
        parts[cause] += after.all - last
        last = after.all
    if later.closed is not None:
        parts[CLOSING] += end.inside.p50 - last
    # What rounding leaves goes to the greatest of them.
    greatest = max(parts, key=lambda cause: abs(parts[cause]))
    parts[greatest] += end.inside.p50 - start.inside.p50 - sum(parts.values())
    return tuple((cause, seconds) for cause, seconds in parts.items() if abs(seconds) > 1e-6)


def _turned(
    later: Progress, before: frozenset[str], after: frozenset[str]
) -> Iterator[tuple[str, frozenset[str]]]:
    """What the advice left out and then took in, with what was kept each time, in the plan's order."""
    kept = before
    for name, state in later.tasks.items():
        if name in before - after and state.optional:
            kept -= {name}
            yield f"{name} out", kept
    for name in later.tasks:
        if name in after - before:
            kept |= {name}
            yield f"{name} in", kept


@dataclass(frozen=True, slots=True)
class _State:
    """The excursion as it stood at one point of the replay, and what brought it there."""

    progress: Progress
    now: float
    cause: str


@dataclass(frozen=True, slots=True)
class _Median:
    """Median ingress as PET, with the windows and as if they were always open."""

    all: float
    open: float
    begun: frozenset[str] = frozenset()
    """Optional tasks that have begun."""

    def later(self, after: _Median, without: _Median) -> _Median:
        """The same, later by what the work takes that only one of two others has."""
        return replace(
            self, all=self.all + after.all - without.all, open=self.open + after.open - without.open
        )


@dataclass(frozen=True, slots=True)
class _Player:
    """Plays states of the replay with what was kept at its beginning."""

    kept: Collection[str]
    scenarios: int
    prior: PacePrior
    memory: Memory

    def median(self, state: _State, leaving: frozenset[str] = frozenset()) -> _Median:
        """The median ingress of one state, `leaving` out some work that has begun; played only once."""
        events = tuple(mark(event) for event in state.progress.events)
        key = repr(self.prior), self.scenarios, state.now, frozenset(self.kept), leaving, events
        return self.memory.of(_Medians).once(key, lambda: self._played(state, leaving))

    def _played(self, state: _State, leaving: frozenset[str]) -> _Median:
        world = build_world(
            state.progress, now=state.now, scenarios=self.scenarios, prior=self.prior, memory=self.memory
        )
        opened = replace(world, nodes=tuple(node._replace(gaps=()) for node in world.nodes))
        free, with_windows = self._end(opened, leaving), self._end(world, leaving)
        # Where most scenarios are shut out there is no median: a day more stands for it.
        begun = frozenset(task.task for task in world.optional if task.begun)
        return _Median(min(with_windows, free + 86400.0) + world.now, free + world.now, begun)

    def _end(self, world: World, leaving: frozenset[str]) -> float:
        going = going_on(world.optional, self.kept)
        present = world.present(m for m in going if world.optional[m].task not in leaving)
        return one(inside(world, advance(world, begin(world), present)), 0.5)


def _replayed(earlier: Progress, later: Progress, then: float, now: float) -> Iterator[_State]:
    """The states between two instants: corrections, then every event in its order, then the present."""
    progress = later.fold.until(at=then).progress()
    if progress.events != earlier.events:
        yield _State(progress, then, CORRECTIONS)
    for at, events in _instants(later, then):
        if not BY_NAME[events[0].kind].ends_stretch:
            # Time passes first, with what goes on meanwhile; what the event itself does comes after.
            yield _State(progress, at, _passing(progress, at))
        for state in _applied(later, progress, at, events):
            progress = state.progress
            yield state
    if later.closed is None:
        yield _State(later, now, _passing(later, now))


def _instants(later: Progress, then: float) -> Iterator[tuple[float, list[Recorded]]]:
    """Every instant after `then` at which something happened that can move the end."""
    found: dict[float, list[Recorded]] = {}
    for event in later.events:
        if event.at > then and BY_NAME[event.kind].cause is not None:
            found.setdefault(event.at, []).append(event)
    yield from found.items()


def _applied(later: Progress, before: Progress, at: float, events: Sequence[Recorded]) -> Iterator[_State]:
    """The states that the events of one instant lead to, one a cause where they can be told apart."""
    after = later.fold.until(at=at).progress()
    runs = [(cause, list(run)) for cause, run in groupby(events, key=lambda event: _cause(later, event))]
    fold = before.fold
    for cause, run in runs[:-1]:
        try:
            fold = fold.add_all(run)
        except EventError:
            # An event entered late stands between: then the rest of the instant has one cause.
            yield _State(after, at, cause)
            return
        yield _State(fold.progress(), at, cause)
    yield _State(after, at, runs[-1][0])


def _cause(later: Progress, event: Recorded) -> str:
    cause = BY_NAME[event.kind].cause
    assert cause is not None
    return _pace_of(later.steps[event.body["step"]].step.work) if cause == PACE else cause


def _pace_of(work: str) -> str:
    """The name of the cause for a kind of work."""
    return f"pace of {work}"


def _passing(progress: Progress, now: float) -> str:
    """The cause to which the passing of time belongs: a hold, the work under way, a wait."""
    if progress.holds:
        return HOLDS
    current = [progress.steps[step] for step in progress.current.values() if step is not None]
    running = [state for state in current if state.running_since is not None and state.running_since <= now]
    if running:
        longest = max(running, key=lambda state: state.elapsed_s(now) / max(state.step.time.likely, 1))
        return _pace_of(longest.step.work)
    if any(not state.gone for state in current):
        return GO
    return WINDOWS if any(state.step.windows for state in current) else TIME
