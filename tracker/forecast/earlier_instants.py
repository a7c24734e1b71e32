"""What the instants before said, worked out again from the journal: what was kept, when turn-back was due.

What is kept, and with it what INSIDE counts, does not follow every tick. It is reviewed at the first event of
each ten minutes, and whenever a person changes what lies ahead. The rule there: what is kept stays until it
fails half as often again as it may; work is taken in only for a greater value and at a stricter confidence.
Between reviews nothing is taken in, and only what fails twice as often as it may goes at once. The reviews
are worked out again from the events in force, so the advice is a function of journal and present alone, the
same at every seat. That is bounded: it begins, without anything kept before, at the last-but-one multiple of
`REVIEWS`, and the alerts of earlier instants at that of `STRIDE` instants with news. Once there is no
turn-back any more, it was due at the last one that the events before still allowed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

from tracker.forecast.alert_inputs import AlertInputs, alert_inputs, raised
from tracker.forecast.alert_words import (
    DOUBT,
    GRAVE,
)
from tracker.forecast.figures import Raised
from tracker.forecast.kept_set import Kept, kept_set
from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import ChanceConstraint, closed, going_on, total, worths
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
LEAVES, BREAKS, CLEARS = 1.5, 2.0, 0.5
"""What is kept goes once it fails so many times as often as it may: at a review, and at any instant; and at
any instant it is in no doubt any more once it fails so much less often."""
REVIEWS, STRIDE = 4, 8
"""Every so many reviews, and instants with news, the walk may begin anew."""

_MOST = 256
"""Instants remembered."""


class Walks(OrderedDict[object, "Walked"]):
    """What came out for the instants walked so far."""


Doubt = tuple[Raised, ...]
"""The alerts of the chance that stand, as they were raised: that what is kept is in doubt, and gravely."""


@dataclass(frozen=True, slots=True)
class Walked:
    """What came out at one instant with news."""

    kept: frozenset[str]
    doubt: Doubt
    inputs: AlertInputs
    sure: frozenset[str]
    """Those kept that would be if everything were weighed anew."""
    hopeless: frozenset[str]
    """Those not kept that hardly any scenario begins in time."""


def better(sets: TaskSets, before: Collection[str] | None) -> Kept:
    """The tasks to keep at a review, given the names of those kept before (or None)."""
    world = sets.world
    if before is None:
        return kept_set(sets)
    values = worths(world.optional)
    old = shrunk(sets, before, LEAVES)
    if old.holds and len(old.tasks) == len(world.optional):
        return old
    new = kept_set(sets, wanted=ChanceConstraint.of(world, entering=True))
    if new.holds and total(values, new.tasks) > total(values, old.tasks):
        return new
    return replace(old, proven=new.proven)


def shrunk(sets: TaskSets, before: Collection[str], times: float = BREAKS) -> Kept:
    """Those kept before that are still optional; the best part once they fail `times` as often as may be."""
    old = _still(sets.world, before)
    if sets.meets(old, ChanceConstraint.of(sets.world)):
        return Kept(old, holds=True)
    less = kept_set(sets, among=old)
    return replace(less, tasks=old) if sets.meets(old, ChanceConstraint.of(sets.world, times=times)) else less


def _still(world: World, names: Collection[str]) -> frozenset[int]:
    """Those of these tasks that are still optional, without those whose needs are not kept."""
    return closed(world.optional, [m for m, task in enumerate(world.optional) if task.task in names])


def _doubt(sets: TaskSets, kept: Collection[int], before: Doubt, *, review: bool) -> Doubt:
    """The alerts of the chance, which stand from one review to the next as what is kept does.

    A review raises the first where what is kept and begun does not hold, and ends it where that would be
    taken in; between them it is raised once that would not stay, and ended once it fails half as often as it
    may. The second, that it is to be acted upon, is raised once that would go at any instant.
    """
    world, known = sets.world, {one.id: one for one in before}
    counted = sets.outcome(going_on(world.optional, names(world, kept)))

    def failing(times: float, *, entering: bool = False) -> bool:
        return not ChanceConstraint.of(world, times=times, entering=entering).met(counted.failing)

    def stands(id: str) -> bool:
        if id == DOUBT and review:
            return failing(1.0, entering=id in known)
        if id == DOUBT:
            return failing(CLEARS if id in known else LEAVES)
        return failing(BREAKS if id not in known else LEAVES if review else 1.0)

    return tuple(
        known.get(id) or Raised(id, counted.share_safe, world.now) for id in (DOUBT, GRAVE) if stands(id)
    )


def _looked_at(
    sets: TaskSets, before: Walked | None, *, review: bool, stale: bool = False
) -> tuple[Kept, Doubt]:
    """What to keep at an instant, and whether that is in doubt, going on from an earlier instant.

    `stale`: the last review is so long ago that the chance alone is looked at as there.
    """
    if before is None or review:
        kept = better(sets, None if before is None else before.kept)
    else:
        kept = shrunk(sets, before.kept)
    doubt = () if before is None else before.doubt
    return kept, _doubt(sets, kept.tasks, doubt, review=review or stale)


def _sure(sets: TaskSets, kept: Kept, doubt: Doubt) -> frozenset[int]:
    """Those kept that the best part of them which holds has too, while they are in doubt; else all."""
    return kept_set(sets, among=kept.tasks).tasks if doubt else kept.tasks


@dataclass(frozen=True, slots=True)
class Past:
    """The instants with news so far, and how to look at the excursion as of each."""

    progress: Progress
    prior: PacePrior | None
    scenarios: int
    instants: tuple[float, ...]
    reviews: tuple[int, ...]
    """The places of the instants at which what is kept is reviewed."""
    memory: Memory

    @staticmethod
    def of(progress: Progress, world: World, prior: PacePrior | None) -> Past:
        """The past of a progress, on as many scenarios as a world has."""
        changes: dict[float, bool] = {}
        for event in progress.events:
            if event.kind not in NO_NEWS:
                at = max(event.at, 0.0)
                changes[at] = changes.get(at, False) or event.kind in CHANGES
        instants = sorted(changes)
        spans = [-1, *(at // REVIEW_S for at in instants)]
        reviews = (k for k, at in enumerate(instants) if changes[at] or spans[k] != spans[k + 1])
        return Past(progress, prior, world.scenarios, tuple(instants), tuple(reviews), world.memory)

    @property
    def last(self) -> int:
        """The place of the last instant; -1 without any."""
        return len(self.instants) - 1

    @property
    def start(self) -> int:
        """The place of the first instant whose alerts are looked at."""
        return max(0, (self.last // STRIDE - 1) * STRIDE)

    def _place(self, k: int) -> int:
        """The place among the reviews of the last one up to instant k."""
        return bisect_right(self.reviews, k) - 1

    def is_review(self, k: int) -> bool:
        """Whether what is kept is reviewed at instant k."""
        return self.reviews[self._place(k)] == k

    def _start(self, k: int) -> int:
        """The place of the review with which the walk to instant k begins."""
        return max(0, (self._place(k) // REVIEWS - 1) * REVIEWS)

    def before(self, k: int, start: int | None = None) -> Walked | None:
        """What instant k goes on from: a review from the one before, or nothing; else from instant k - 1."""
        start = self._start(k) if start is None else start
        if not self.is_review(k):
            return self.after(k - 1, start)
        place = self._place(k)
        return self.after(self.reviews[place - 1], start) if place > start else None

    def after(self, k: int, start: int | None = None) -> Walked:
        """The outcome of the walk at instant k."""
        start = self._start(k) if start is None else start
        key, walks = (start, self.key(k)), self.memory.of(Walks)
        if key in walks:
            walks.move_to_end(key)
            return walks[key]
        before = self.before(k, start)
        at = self.instants[k]
        then = self.progress.fold.until(at=at).progress()
        sets = TaskSets(self._world(then, at))
        looked = _looked_at(sets, before, review=self.is_review(k))
        found = self.remember(k, then, sets, looked, start)
        self.memory.give_back(sets.world.durations)
        return found

    def remember(
        self,
        k: int,
        then: Progress,
        sets: TaskSets,
        looked: tuple[Kept, Doubt],
        start: int | None = None,
    ) -> Walked:
        """Keep what came out at instant k, and what alerts rest on there."""
        kept, doubt = looked
        world, beside = sets.world, frozenset(kept.tasks)
        late = [m for m, call in last_calls(sets, beside).items() if m not in beside and call.hopeless(world)]
        walked = Walked(
            names(world, kept.tasks),
            doubt,
            alert_inputs(then, sets, kept.tasks),
            sure=names(world, _sure(sets, kept, doubt)),
            hopeless=names(world, late),
        )
        walks = self.memory.of(Walks)
        walks[self._start(k) if start is None else start, self.key(k)] = walked
        while len(walks) > _MOST:
            walks.popitem(last=False)
        return walked

    def at(self, sets: TaskSets) -> tuple[Kept, Doubt]:
        """What to keep at the instant of the world of these sets, and whether that is in doubt."""
        now, last = sets.world.now, self.last
        if last < 0:
            kept = better(sets, None)
            return kept, _doubt(sets, kept.tasks, (), review=True)
        if self.instants[last] == now:
            return _looked_at(sets, self.before(last), review=self.is_review(last))
        stale = now - self.instants[self.reviews[-1]] >= REVIEW_S
        return _looked_at(sets, self.after(last), review=False, stale=stale)

    def stood(self, at: float, sets: TaskSets) -> tuple[frozenset[str], Doubt]:
        """What was kept at an earlier PET, and whether that was in doubt, by the walk to the last instant.

        `sets`: of the world at that PET, for one at which nothing came.
        """
        k = bisect_right(self.instants, at) - 1
        if k >= 0 and self.instants[k] == at:
            walked = self.after(k, self._start(self.last))
            return walked.kept, walked.doubt
        kept, doubt = self.at(sets)
        return names(sets.world, kept.tasks), doubt

    def _world(self, then: Progress, at: float) -> World:
        return build_world(
            then, now=max(at, then.at), scenarios=self.scenarios, prior=self.prior, memory=self.memory
        )

    def key(self, k: int) -> object:
        """By what the outcome at instant k is remembered: everything that it rests on."""
        return self.key_at(self.instants[k])[:-1]

    def key_at(self, at: float) -> tuple[object, ...]:
        """The same of any PET, which stands last in it."""
        events = tuple(mark(event) for event in self.progress.events if event.at <= at)
        return repr(self.prior), self.scenarios, events, at

    def looks(self, now: float) -> Iterator[float]:
        """The PETs of reviews walked, of readings and limits, and each `REVIEW_S` since the last review."""
        if self.last < 0:
            return
        yield from (self.instants[k] for k in self.reviews[self._start(self.last) :])
        start = self.instants[self.reviews[self._start(self.last)]]
        turns = (event.at for event in self.progress.events if BY_NAME[event.kind].cause in TURNING)
        yield from (at for at in turns if at > start)
        last = self.instants[self.reviews[-1]]
        silent = int((now - last) // REVIEW_S)
        yield from (last + REVIEW_S * n for n in range(max(1, silent - STRIDE), silent + 1))


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
    (kept, doubt), now = past.at(sets), sets.world.now
    if past.last < 0:
        return Steady(kept, _sure(sets, kept, doubt), raised=doubt)
    if past.instants[-1] == now:
        past.remember(past.last, progress, sets, (kept, doubt))
    raised, chances = _raised(past, now)
    last = past.after(past.last)
    if now - past.instants[-1] >= REVIEW_S or bool(doubt) != bool(last.doubt):
        # Nothing came for so long, or so much has changed, that what the last news said is old.
        return Steady(kept, _sure(sets, kept, doubt), None, (*raised, *doubt), chances)
    # Words change with news, not with the second at which somebody looks: every seat says the same.
    tasks = [(m, task.task) for m, task in enumerate(sets.world.optional)]
    sure, late = (frozenset(m for m, name in tasks if name in then) for then in (last.sure, last.hopeless))
    return Steady(kept, sure & kept.tasks, late, (*raised, *doubt), chances)


def kept_now(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> Kept:
    """The tasks to keep now, as `steady` says, without what else it tells."""
    return Past.of(progress, sets.world, prior).at(sets)[0]


def _raised(past: Past, now: float) -> tuple[tuple[Raised, ...], tuple[tuple[float, float], ...]]:
    """Each alert that was raised at an instant walked, with the first of them; and the chances there.

    Before them stands the chance that the alert of the chance was last seen at, however long ago that was.
    """
    out: dict[str, Raised] = {}
    chances = []
    seen = [e.at for e in past.progress.events if e.kind == "acknowledged" and e.body["alert"] == DOUBT]
    place = bisect_right(past.instants, seen[-1]) - 1 if seen else -1
    if 0 <= place < past.start:
        chances.append((past.instants[place], past.after(place).inputs.safe))
    for k in range(past.start, past.last + 1):
        until = now if k == past.last else past.instants[k + 1]
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
    past = Past.of(before, world, prior)
    for k in range(past.last, past.start - 1, -1):
        if past.instants[k] < world.now and (found := _turn_back(past, k)) is not None:
            # News may have made it due long before: then it was missed when that came, unless they were on
            # the way home by then.
            news = min(past.instants[k + 1 :], default=found)
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
    past = Past.of(progress, world, prior)
    for k in range(past.last, -1, -1):
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
