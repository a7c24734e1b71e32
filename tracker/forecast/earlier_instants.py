"""What the instants before said, worked out again from the journal: what was kept, when turn-back was due.

What is kept, and with it what INSIDE counts, is chosen at zero and then stays. It is taken in by a person:
who restores, adds or puts off a task counts that one, whoever changes a limit asks for the choice to be made
again. It leaves by itself at a review, which is at the first event of each ten minutes that decides nothing:
once its last call has passed, or once it all fails `LEAVES` times as often as it may, and then its best part
stays. Else what fails is in doubt, and a person is asked. What each instant came to is worked out again from
the events in force, review by review from the first, so that it is a function of journal and present alone,
the same at every seat; the alerts of earlier instants are looked at from the last-but-one multiple of
`STRIDE` instants with news. Once there is no turn-back any more, it was due at the last one that the events
before still allowed.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from hashlib import blake2b

from tracker.forecast.alert_inputs import AlertInputs, alert_inputs, raised
from tracker.forecast.alert_words import (
    DOUBT,
    GRAVE,
)
from tracker.forecast.figures import Raised
from tracker.forecast.kept_set import Kept, kept_set
from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import (
    ChanceConstraint,
    closed,
    going_on,
    total,
    with_dependents,
    with_needs,
    worths,
)
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import latest_call
from tracker.forecast.world import World
from tracker.journal.kinds import BY_NAME, CHANGES, NO_NEWS, TURNING
from tracker.journal.progress import Progress, Recorded, all_called

GONE_S, SOON_HOME_S = 600, 300
"""How far ahead turn-back has to be for its alert to be gone, and from how near on it is to be acted upon."""
REVIEW_S = 600
"""What is kept is reviewed at the first event of each so many seconds of PET."""
LEAVES = 3.0
"""What is kept goes at a review once it fails so many times as often as it may."""
RAISES, ACTS, CLEARS = 1.5, 2.0, 0.5
"""The chance that fails so many times as often as it may is raised between reviews, is to be acted upon, and
is in no doubt any more."""
STRIDE = 8
"""Every so many instants with news the walk over the alerts may begin anew."""

_MOST = 1024
"""Instants remembered: more than an excursion has reviews."""


class Walks(OrderedDict[object, "Walked"]):
    """What came out for the instants walked so far."""


Doubt = tuple[Raised, ...]
"""The alerts of the chance that stand, as they were raised: that what is kept is in doubt, and gravely."""


@dataclass(frozen=True, slots=True)
class Walked:
    """What came out at one instant with news."""

    kept: frozenset[str]
    """The ids of what is kept, by the advice or by a person."""
    safe: float
    """The chance with what is counted."""
    doubt: Doubt
    told: Told | None
    """None where nothing is said of that instant any more."""


@dataclass(frozen=True, slots=True)
class Told:
    """What is said at one instant until the next, of tasks by their ids."""

    inputs: AlertInputs
    sure: frozenset[str]
    """Those kept that would be if everything were weighed anew."""
    late: frozenset[str]
    """Those not kept that hardly any scenario begins in time."""

    @staticmethod
    def of(then: Progress, sets: TaskSets, kept: frozenset[int], doubt: Doubt) -> Told:
        """What is said of what is kept, at the instant of the world of these sets."""
        world, sure = sets.world, _sure(sets, kept, doubt)
        late = (m for m, call in last_calls(sets, sure).items() if m not in kept and call.hopeless(world))
        return Told(alert_inputs(then, sets, kept), names(world, sure), names(world, [*late]))


def _sure(sets: TaskSets, kept: frozenset[int], doubt: Doubt) -> frozenset[int]:
    """Those kept that the best part of them which holds has too, while they are in doubt; else all."""
    return kept_set(sets, among=kept).tasks if doubt else kept


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant with news, and what was decided there."""

    at: float
    upto: bytes
    """What tells the events up to it from all others, as a digest."""
    review: bool = False
    """Whether what is kept is reviewed: something but a decision happened there."""
    decides: bool = False
    taken: frozenset[str] = frozenset()
    """Tasks that a person took in."""
    room: bool = False
    """Whether a limit was changed, so that the choice is made again."""


def _taken_in(events: Collection[Recorded]) -> frozenset[str]:
    """The tasks that a person takes in by these events: a decision to keep one commits it by itself."""
    put_off = (e.body["task"] for e in events if e.kind == "moved" and e.body.get("last"))
    restored = (e.body["task"] for e in events if e.kind == "restored")
    added = (e.body["task"].get("id", f"added-{e.number}") for e in events if e.kind == "added")
    return frozenset((*put_off, *restored, *added))


def kept_at(sets: TaskSets, instant: Instant, before: Collection[str] | None) -> frozenset[int]:
    """The tasks to keep at an instant, given the names of those before it; None: at the first one."""
    if before is None:
        return kept_set(sets).tasks
    world = sets.world
    old, asked = _still(world, before), {m for m, t in enumerate(world.optional) if t.task in instant.taken}
    if instant.room or instant.review:
        old = _left(sets, old)
    if instant.room:
        new = kept_set(sets, wanted=ChanceConstraint.of(world, entering=True))
        values = worths(world.optional)
        old = new.tasks if new.holds and total(values, new.tasks) > total(values, old) else old
    return old | with_needs(world.optional, asked)


def _left(sets: TaskSets, kept: frozenset[int]) -> frozenset[int]:
    """What a review leaves of what was kept."""
    world = sets.world
    if sets.meets(kept, ChanceConstraint.of(world)):
        return kept
    left = kept - with_dependents(world.optional, [m for m in kept if lost(sets, m, kept)])
    if sets.meets(left, ChanceConstraint.of(world, times=LEAVES)):
        return left
    return kept_set(sets, among=left).tasks


def lost(sets: TaskSets, m: int, kept: frozenset[int]) -> bool:
    """Whether hardly anybody comes to a task by its last call, or it hardly fits by itself any more."""
    world = sets.world
    if world.optional[m].begun:
        return False
    call = last_calls(sets, kept)[m]
    alone = ChanceConstraint.of(world, times=ACTS)
    return not sets.meets(with_needs(world.optional, [m]), alone) or (
        call.last_call is not None and call.hopeless(world)
    )


def _still(world: World, names: Collection[str]) -> frozenset[int]:
    """Those of these tasks that are still optional, without those whose needs are not kept."""
    return closed(world.optional, [m for m, task in enumerate(world.optional) if task.task in names])


def _doubt(sets: TaskSets, kept: Collection[int], before: Doubt, *, review: bool) -> Doubt:
    """The alerts of the chance, which stand from one review to the next as what is kept does.

    A review or a decision raises the first where what is kept and begun does not hold, and ends it where that
    is a little above what is needed; between them it is raised once that fails half as often again as it may,
    and ended once it fails half as often. The second says that it is to be acted upon.
    """
    world, known = sets.world, {one.id: one for one in before}
    counted = sets.outcome(going_on(world.optional, names(world, kept)))

    def failing(times: float, *, entering: bool = False) -> bool:
        return not ChanceConstraint.of(world, times=times, entering=entering).met(counted.failing)

    def stands(id: str) -> bool:
        if id == DOUBT and review:
            return failing(1.0, entering=id in known)
        if id == DOUBT:
            return failing(CLEARS if id in known else RAISES)
        return failing(ACTS if id not in known else RAISES if review else 1.0)

    return tuple(
        known.get(id) or Raised(id, counted.share_safe, world.now) for id in (DOUBT, GRAVE) if stands(id)
    )


@dataclass(frozen=True, slots=True)
class Past:
    """The instants with news so far, and how to look at the excursion as of each."""

    progress: Progress
    prior: PacePrior | None
    scenarios: int
    instants: tuple[Instant, ...]
    memory: Memory

    @staticmethod
    def of(progress: Progress, world: World, prior: PacePrior | None) -> Past:
        """The past of a progress, on as many scenarios as a world has."""
        instants = tuple(_instants(progress))
        return Past(progress, prior, world.scenarios, instants, world.memory)

    @property
    def last(self) -> int:
        """The place of the last instant; -1 without any."""
        return len(self.instants) - 1

    @property
    def start(self) -> int:
        """The place of the first instant whose alerts are looked at."""
        return max(0, (self.last // STRIDE - 1) * STRIDE)

    def looks_anew(self, k: int) -> bool:
        """Whether instant k goes on from the last review or decision, not from the instant before it."""
        return self.instants[k].review or self.instants[k].decides

    def _way(self, k: int) -> list[int]:
        """The places of the instants that instant k goes on from in turn, and its own."""
        anew = [j for j in range(k + 1) if self.looks_anew(j)]
        return [*anew, *range((anew[-1] if anew else -1) + 1, k + 1)]

    def after(self, k: int) -> Walked:
        """The outcome of the walk at instant k."""
        way, walks = self._way(k), self.memory.of(Walks)
        known = next((n for n in range(len(way) - 1, -1, -1) if self._known(way[n])), -1)
        found = walks[self.key(way[known])] if known >= 0 else None
        for j in way[known + 1 :]:
            found = self._walked(j, found)
        assert found is not None
        return found

    def before(self, k: int) -> Walked | None:
        """What instant k goes on from; None for the first."""
        way = self._way(k)
        return self.after(way[-2]) if len(way) > 1 else None

    def _known(self, k: int) -> bool:
        """Whether all is remembered that is asked of an instant."""
        found = self.memory.of(Walks).get(self.key(k))
        return found is not None and (found.told is not None or k < self.start)

    def _walked(self, k: int, before: Walked | None) -> Walked:
        """What comes out at instant k, going on from what came out before it."""
        at = self.instants[k].at
        then = self.progress.fold.until(at=at).progress()
        sets = TaskSets(self._world(then, at))
        found = self.remember(k, then, sets, self.looked(k, sets, before))
        self.memory.give_back(sets.world.durations)
        return found

    def looked(self, k: int, sets: TaskSets, before: Walked | None) -> tuple[frozenset[int], Doubt]:
        """What to keep at instant k, and whether that is in doubt."""
        kept = kept_at(sets, self.instants[k], None if before is None else before.kept)
        doubt = () if before is None else before.doubt
        return kept, _doubt(sets, kept, doubt, review=self.looks_anew(k))

    def remember(
        self, k: int, then: Progress, sets: TaskSets, looked: tuple[frozenset[int], Doubt]
    ) -> Walked:
        """Keep what came out at instant k, and what alerts rest on there."""
        kept, doubt = looked
        told = Told.of(then, sets, kept, doubt) if k >= self.start else None
        ids = names(sets.world, kept)
        safe = sets.outcome(going_on(sets.world.optional, ids)).share_safe
        committed = {name for name, state in then.tasks.items() if state.committed}
        walks = self.memory.of(Walks)
        walks[self.key(k)] = walked = Walked(ids | committed, safe, doubt, told)
        while len(walks) > _MOST:
            walks.popitem(last=False)
        return walked

    def at(self, sets: TaskSets) -> tuple[frozenset[int], Doubt]:
        """What to keep at the instant of the world of these sets, and whether that is in doubt."""
        now, last = sets.world.now, self.last
        if last < 0:
            kept = kept_set(sets).tasks
            return kept, _doubt(sets, kept, (), review=True)
        if self.instants[last].at == now:
            return self.looked(last, sets, self.before(last))
        before = self.after(last)
        reviewed = max(one.at for k, one in enumerate(self.instants) if self.looks_anew(k))
        kept = _still(sets.world, before.kept)
        return kept, _doubt(sets, kept, before.doubt, review=now - reviewed >= REVIEW_S)

    def stood(self, at: float, sets: TaskSets) -> tuple[frozenset[str], Doubt]:
        """What was kept at an earlier PET, and whether that was in doubt, by the walk to the last instant.

        `sets`: of the world at that PET, for one at which nothing came.
        """
        if (k := next((k for k, one in enumerate(self.instants) if one.at == at), None)) is not None:
            return self.after(k).kept, self.after(k).doubt
        kept, doubt = self.at(sets)
        return names(sets.world, kept), doubt

    def _world(self, then: Progress, at: float) -> World:
        return build_world(
            then, now=max(at, then.at), scenarios=self.scenarios, prior=self.prior, memory=self.memory
        )

    def key(self, k: int) -> object:
        """By what the outcome at instant k is remembered: everything that it rests on."""
        return self.key_at(self.instants[k].at)

    def key_at(self, at: float) -> tuple[object, ...]:
        """The same of any PET, which stands last in it."""
        upto = next((one.upto for one in reversed(self.instants) if one.at <= at), None)
        return repr(self.prior), self.scenarios, upto, at

    def looks(self, since: float, now: float) -> Iterator[float]:
        """From one PET on those of reviews, of readings and limits, and each `REVIEW_S` after the last."""
        found = [one.at for k, one in enumerate(self.instants) if self.looks_anew(k)]
        turns = (event.at for event in self.progress.events if BY_NAME[event.kind].cause in TURNING)
        yield from (at for at in (*found, *turns) if at >= since)
        last = max(found, default=since)
        silent = int((now - last) // REVIEW_S)
        yield from (last + REVIEW_S * n for n in range(max(1, silent - STRIDE), silent + 1))


def _instants(progress: Progress) -> Iterator[Instant]:
    """Yield every instant with news; it is reviewed at the first, and where nobody decides."""
    by_instant: dict[float, list[Recorded]] = {}
    for event in progress.events:
        by_instant.setdefault(max(event.at, 0.0), []).append(event)
    upto, span = blake2b(), -1.0
    for at in sorted(by_instant):
        for event in by_instant[at]:
            upto.update(repr(mark(event)).encode())
        news = [event for event in by_instant[at] if event.kind not in NO_NEWS]
        if not news:
            continue
        decides = [event.kind in CHANGES for event in news]
        review = not all(decides) and at // REVIEW_S != span
        span = at // REVIEW_S if review else span
        room = any(event.kind == "limited" for event in news)
        yield Instant(at, upto.digest(), review, any(decides), _taken_in(news), room)


def mark(event: Recorded) -> tuple[object, ...]:
    """What tells an event from every other one, also from a supposed one."""
    return event.number, event.kind, event.at, repr(sorted(event.body.items(), key=str))


@dataclass(frozen=True, slots=True)
class Steady:
    """What to keep now, and the alerts of the instants walked."""

    kept: Kept
    sure: frozenset[int]
    """Those of them that would be kept if everything were weighed anew."""
    late: frozenset[int] | None = None
    """Those not kept that hardly any scenario begins in time, as of the last news; None: as it is now."""
    raised: tuple[Raised, ...] = ()
    chances: tuple[tuple[float, float], ...] = ()
    """PET and chance at each of them."""


def steady(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> Steady:
    """The tasks to keep now, by the rule walked over the events so far, and what alerts rest on."""
    past = Past.of(progress, sets.world, prior)
    (tasks, doubt), now = past.at(sets), sets.world.now
    kept = Kept(tasks, holds=True)
    if not sets.meets(tasks, ChanceConstraint.of(sets.world)):
        kept = replace(kept_set(sets, among=tasks), tasks=tasks)
    if past.last < 0:
        return Steady(kept, _sure(sets, tasks, doubt), raised=doubt)
    if past.instants[-1].at == now:
        past.remember(past.last, progress, sets, (tasks, doubt))
    raised, chances = _raised(past, now)
    last = past.after(past.last)
    if now - past.instants[-1].at >= REVIEW_S or bool(doubt) != bool(last.doubt) or last.told is None:
        # Nothing came for so long, or so much has changed, that what the last news said is old.
        return Steady(kept, _sure(sets, tasks, doubt), None, (*raised, *doubt), chances)
    # Words change with news, not with the second at which somebody looks: every seat says the same.
    ids = [(m, task.task) for m, task in enumerate(sets.world.optional)]
    sure, late = (frozenset(m for m, name in ids if name in of) for of in (last.told.sure, last.told.late))
    return Steady(kept, sure & tasks, late, (*raised, *doubt), chances)


def kept_now(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> frozenset[int]:
    """The tasks to keep now, as `steady` says, without what else it tells."""
    return Past.of(progress, sets.world, prior).at(sets)[0]


def _raised(past: Past, now: float) -> tuple[tuple[Raised, ...], tuple[tuple[float, float], ...]]:
    """Each alert that was raised at an instant walked, with the first of them; and the chances there.

    Before them stands the chance that the alert of the chance was last seen at, however long ago that was.
    """
    out: dict[str, Raised] = {}
    chances = []
    seen = [e.at for e in past.progress.events if e.kind == "acknowledged" and e.body["alert"] == DOUBT]
    place = sum(one.at <= seen[-1] for one in past.instants) - 1 if seen else -1
    if 0 <= place < past.start:
        chances.append((past.instants[place].at, past.after(place).safe))
    for k in range(past.start, past.last + 1):
        until = now if k == past.last else past.instants[k + 1].at
        walked = past.after(k)
        assert walked.told is not None
        chances.append((past.instants[k].at, walked.safe))
        for alert in raised(walked.told.inputs, until):
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
    past = Past.of(before, world, prior)
    for k in range(past.last, past.start - 1, -1):
        if past.instants[k].at < world.now and (found := _turn_back(past, k)) is not None:
            # News may have made it due long before: then it was missed when that came, unless they were on
            # the way home by then.
            news = min((one.at for one in past.instants[k + 1 :]), default=found)
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
    past = Past.of(progress, world, prior)
    soon: tuple[Raised, ...] = ()
    until = world.now
    for k in range(past.last, past.start - 1, -1):
        at = past.instants[k].at
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
    past = Past.of(progress, world, prior)
    for k in range(past.last, -1, -1):
        then = progress.fold.until(at=past.instants[k].at).progress()
        if not all_called(then):
            return then
    return None


def _turn_back(past: Past, k: int) -> float | None:
    """The turn-back as it was at an instant with news."""
    known, key = past.memory.of(_Known), past.key(k)
    if key not in known:
        at = past.instants[k].at
        then = past.progress.fold.until(at=at).progress()
        now = max(at, then.at)
        world = build_world(then, now=now, scenarios=past.scenarios, prior=past.prior, memory=past.memory)
        known[key] = latest_call(TaskSets(world), going_on(world.optional, past.after(k).kept))
        past.memory.give_back(world.durations)
        while len(known) > _MOST:
            known.popitem(last=False)
    return known[key]
