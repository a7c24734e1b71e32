"""What is worked out beside the screen, and when it is due: estimates, advice, choices.

Hides the threads and every span: a newer wish takes the place of one that waits, quick figures never wait
behind advice that is being worked out, and what goes wrong is told in words. Arrays are imported where they
are first used, which is after the first frame is painted. No clock is read: spans (`mono`, seconds) and
instants (`now`, PET seconds) are told.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Generic, TypeVar

from tracker.console.view.scene import Snapshot
from tracker.forecast.figures import Advice, Changed, Choice, Estimate
from tracker.journal.matters import last_taken
from tracker.journal.progress import Progress, pet_if_live

T = TypeVar("T")

SWITCH_S = 0.0005
"""How soon a thread that works something out gives way: a tick passes between threads several times on its
way to the disk and back, and would wait for the default 5 ms each time."""
GIVE_WAY_S = 0.25
"""How long at most what can wait gives way, between two parts, to what cannot: and comes all the same."""
SETTLE_S = 0.25
"""How long the advice waits for further events after the quick figures are out."""


def _newer(before: T, wanted: T) -> T:
    """Return the newer of two wishes."""
    return wanted


class LatestOnly(threading.Thread, Generic[T]):
    """A thread that works for whoever asked last: a newer wish takes the place of one that still waits.

    `failed` is told what went wrong with a wish, in words; `merge` makes one wish of the one that waits and
    a newer.
    """

    def __init__(
        self,
        name: str,
        work: Callable[[T], object],
        failed: Callable[[T, str], object],
        merge: Callable[[T, T], T] = _newer,
    ) -> None:
        super().__init__(name=name, daemon=True)
        self._work, self._failed, self._merge = work, failed, merge
        self._changed = threading.Condition()
        self._waiting: list[T] = []
        """The wish that waits; none, or one."""
        self._stopped = False

    def ask(self, wanted: T) -> None:
        """Want this; what an older wish still wants is forgotten."""
        with self._changed:
            self._waiting = [self._merge(before, wanted) for before in self._waiting] or [wanted]
            self._changed.notify()

    def start(self) -> None:
        """Begin to take what is wanted."""
        sys.setswitchinterval(SWITCH_S)
        super().start()

    def stop(self) -> None:
        """End after what is being worked out."""
        with self._changed:
            self._stopped = True
            self._changed.notify()

    def run(self) -> None:
        """Work until stopped."""
        while taken := self._take():
            wanted = taken[0]
            try:
                self._work(wanted)
            except Exception as error:
                # Whatever goes wrong in here, the screen goes on, and whoever sits at it is told.
                self._failed(wanted, f"{type(error).__name__}: {error}")

    def _take(self) -> list[T]:
        """Take what is wanted, once something is; nothing once it is stopped."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or bool(self._waiting))
            taken, self._waiting = self._waiting, []
            return [] if self._stopped else taken

    def overtaken(self) -> bool:
        """Return whether something newer is wanted, or nothing any more."""
        with self._changed:
            return self._stopped or bool(self._waiting)

    def newer(self, within_s: float) -> list[T]:
        """Return what is wanted besides, once anything is or after so many seconds; it goes on waiting."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or bool(self._waiting), timeout=within_s)
            return list(self._waiting)


class Way:
    """Who is at work for what somebody waits for; what can wait gives way, and leaves the screen its beat."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._busy = 0

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Be at work for what somebody waits for."""
        with self._changed:
            self._busy += 1
        try:
            yield
        finally:
            with self._changed:
                self._busy -= 1
                self._changed.notify_all()

    def give(self) -> None:
        """Wait until nobody is, for a moment at most."""
        with self._changed:
            self._changed.wait_for(lambda: not self._busy, timeout=GIVE_WAY_S)


@dataclass(frozen=True)
class Wanted:
    """An estimate to be worked out."""

    progress: Progress
    now: float
    advise: bool
    """False: the advice of before still holds."""


@dataclass(frozen=True)
class Estimated:
    """An estimate, and what it was worked out from."""

    estimate: Estimate
    wanted: Wanted
    full: bool
    """Whether the advice in it was worked out anew."""


@dataclass(frozen=True)
class Beside:
    """What belongs to an estimate and takes longer; None where it is not known."""

    choices: tuple[Choice, ...] | None = None
    """What each choice comes to."""
    changed: Changed | None = None
    """What changed last, and why."""
    since: Changed | None = None
    """What changed since the desk was handed over."""

    def after(self, earlier: Beside) -> Beside:
        """Return this with what only an earlier one has; each part says of which instant it is."""
        known = self.choices or earlier.choices, self.changed or earlier.changed
        return Beside(*known, self.since or earlier.since)

    def onto(self, estimate: Estimate, progress: Progress) -> Estimate:
        """Return an estimate with this beside it, and with alerts that name what of it can still be done."""
        from tracker.forecast.alerts import alerts

        taken = last_taken(progress)
        since = self.since if taken is not None and self.since and self.since.since == taken.at else None
        made = replace(estimate, choices=self.choices, changed=self.changed, since=since)
        return replace(made, alerts=alerts(progress, made, now=made.at)) if self.choices else made


@dataclass(frozen=True)
class NotEstimated:
    """Why there is no estimate."""

    words: str
    wanted: Wanted


def _advised(before: Wanted, wanted: Wanted) -> Wanted:
    """Return the newer wish; a wish for advice that still waits is not forgotten with the older."""
    return replace(wanted, advise=before.advise or wanted.advise)


class EstimateScheduler:
    """Threads: for figures by the advice that stands, for the advice, and for what goes beside it.

    The first takes some hundredths of a second; the others, with hundreds of steps, more than one. `beside`:
    whether what goes beside is wanted; then each estimate has what is known of it.
    """

    def __init__(self, report: Callable[[Estimated | NotEstimated], None], *, beside: bool = False) -> None:
        def failed(wanted: Wanted, words: str) -> None:
            report(NotEstimated(words, wanted))

        self._report = report
        self._quick = LatestOnly("figures", self._figures, failed)
        self._thorough = LatestOnly("advice", self._advise, failed, _advised)
        self._beside: dict[str, LatestOnly[Wanted]] = {}
        if beside:
            self._beside = {
                "choices": LatestOnly("choices", lambda wanted: self._learn(self._choices(wanted)), failed),
                "changes": LatestOnly("changes", lambda wanted: self._learn(self._changes(wanted)), failed),
            }
        self.way = Way()
        self._looked = -1
        """Number of the last event for which it was asked what changed."""
        self._lock = threading.Lock()
        self._advice: Advice | None = None
        self._known, self._last = Beside(), list[Estimated]()
        """What is known beside the estimates, and the one that was handed on last, where there is one."""

    def start(self) -> None:
        """Begin to take what is wanted."""
        for thread in self._threads():
            thread.start()

    def _threads(self) -> tuple[LatestOnly[Wanted], ...]:
        return (self._thorough, self._quick, *self._beside.values())

    def stop(self) -> None:
        """End after what is being worked out."""
        for thread in self._threads():
            thread.stop()

    def ask(self, wanted: Wanted) -> None:
        """Want an estimate; the quick figures come first, by the advice that stands."""
        standing = self._standing() is not None
        if standing:
            self._quick.ask(replace(wanted, advise=False))
        if wanted.advise or not standing:
            self._thorough.ask(wanted)

    def _standing(self) -> Advice | None:
        with self._lock:
            return self._advice

    def _figures(self, wanted: Wanted) -> None:
        """Work out figures by the advice that stands."""
        from tracker.forecast.estimate import estimate

        with self.way.taken():
            found = estimate(wanted.progress, now=wanted.now, advice=self._standing())
        self._take_figures(Estimated(found, wanted, full=False))
        if wanted.progress.number != self._looked:
            # What changed rests on no advice that stands: it comes next, and not behind the advice.
            self._ask_beside("changes", wanted)

    def _ask_beside(self, name: str, wanted: Wanted) -> None:
        if name in self._beside:
            self._looked = wanted.progress.number if name == "changes" else self._looked
            self._beside[name].ask(wanted)

    def _take_figures(self, report: Estimated) -> None:
        """Hand figures on, unless advice has come that is newer than what they go by."""
        if report.estimate.advice is self._standing():
            self._hand_on(report)

    def _advise(self, wanted: Wanted) -> None:
        """Work out the advice, and figures by it."""
        from tracker.forecast.estimate import estimate

        if self._standing() is not None:
            if not wanted.advise:  # It was asked for before there was any advice.
                self._quick.ask(wanted)
                return
            # Events often come in twos and threes: the long part is for the last of them.
            later = self._thorough.newer(SETTLE_S)
            if any(other.progress.number != wanted.progress.number for other in later):
                return
        with self.way.taken():
            found = estimate(wanted.progress, now=wanted.now, advice=None)
        self._take_advice(Estimated(found, wanted, full=True))

    def _take_advice(self, report: Estimated) -> None:
        """Go by this advice from now on, and hand it on."""
        with self._lock:
            self._advice = report.estimate.advice
        self._hand_on(report)
        for name in self._beside:
            self._ask_beside(name, report.wanted)

    def _hand_on(self, report: Estimated) -> None:
        """Report an estimate with what is known beside it."""
        with self._lock:
            self._last = [report]
            self._report(replace(report, estimate=self._known.onto(report.estimate, report.wanted.progress)))

    def _learn(self, part: Beside) -> None:
        """Take in what goes beside, and hand the last estimate on once more with it."""
        with self._lock:
            self._known = part.after(self._known)
            for last in self._last:
                made = self._known.onto(last.estimate, last.wanted.progress)
                self._report(replace(last, estimate=made, full=False))

    def _choices(self, wanted: Wanted) -> Beside:
        """Return what each choice comes to by the advice that stands; all else goes first."""
        return Beside(choices=choices_at(wanted.progress, wanted.now, self._standing(), self.way.give))

    def _changes(self, wanted: Wanted) -> Beside:
        """Return what changed last, and since the desk was handed over, and why."""
        from tracker.forecast.changed import changed, changed_since

        progress, taken = wanted.progress, last_taken(wanted.progress)
        asked = taken is not None and progress.zero is not None and progress.closed is None
        with self.way.taken():
            since = changed_since(progress, wanted.now, taken.at) if taken is not None and asked else None
            return Beside(changed=changed(progress, wanted.now), since=since)


def choices_at(
    progress: Progress, now: float, advice: Advice | None, give_way: Callable[[], object] = lambda: None
) -> tuple[Choice, ...] | None:
    """Return what each choice comes to at an instant, by an advice; `give_way` is called before each."""
    from tracker.forecast.estimate import estimate

    return estimate(progress, now=now, advice=advice, ranges="shown", choices=True, give_way=give_way).choices


ESTIMATE_S, ADVICE_S = 10.0, 30.0
"""How often an estimate and the advice are renewed while nothing happens."""
KEEP_S = 60.0
"""At most one estimate in this time is kept on disk, after an event."""
REHEARSED_S = 5.0
"""How often both are renewed and one is kept in a rehearsal, whose time runs faster: those who watch it have
no other clock to go by."""
PAGE_S = 900.0
"""How often the page for paper is written beside the journal."""

_NEVER = float("-inf")


@dataclass
class Renewal:
    """Remembers when what was renewed last; `mono` is a clock for spans, `now` is PET, both in seconds."""

    asked: float = _NEVER
    advised: float = _NEVER
    kept: float = _NEVER
    kept_number: int = -1
    paged: float = _NEVER
    due: float | None = None
    """PET at which the advice changes by itself."""

    def happened(self) -> None:
        """An event came: everything is due."""
        self.asked = self.advised = _NEVER

    def wanted(self, snapshot: Snapshot, now: float, mono: float) -> bool | None:
        """Return None where nothing is due; else whether the advice is wanted too."""
        passed = self.due is not None and now >= self.due
        every = REHEARSED_S if snapshot.progress.rehearsal else ADVICE_S
        advise = passed or mono - self.advised >= every
        if not advise and mono - self.asked < ESTIMATE_S:
            return None
        self.asked = mono
        if advise:
            self.advised = mono
            self.due = next_change(snapshot, now)
        return advise

    def keeps(self, progress: Progress, mono: float) -> bool:
        """Return whether an estimate of this progress goes to disk; if so, it is taken as kept."""
        number = progress.number
        if progress.rehearsal and number > 0 and progress.closed is None:
            if mono - self.kept < REHEARSED_S:
                return False
        elif number <= max(0, self.kept_number) or mono - self.kept < KEEP_S:
            return False
        self.kept, self.kept_number = mono, number
        return True

    def pages(self, mono: float) -> bool:
        """Return whether the page for paper is due; if so, it is taken as written."""
        if mono - self.paged < PAGE_S:
            return False
        self.paged = mono
        return True


def next_change(snapshot: Snapshot, now: float) -> float | None:
    """Return the next PET at which advice changes by itself: a last call, a window's edge, a due time."""
    found = [edge for spans in snapshot.progress.openings.values() for span in spans for edge in span]
    estimate = snapshot.estimate
    if estimate is not None:
        found += [f.last_call for f in estimate.optional if f.last_call is not None]
        found += [c.due for c in estimate.clocks if c.due is not None]
    return min((at for at in found if at > now), default=None)


def is_live(progress: Progress, utc: datetime) -> bool:
    """Return whether an instant is within the excursion."""
    return progress.closed is None and (progress.zero is None or pet_if_live(progress.zero, utc) is not None)


def now_of(progress: Progress, utc: datetime) -> float:
    """Return the PET of an instant; where the clock stands, the last event's."""
    if progress.closed is not None:
        return max(progress.closed, progress.at)
    return max(pet_if_live(progress.zero, utc) or 0.0, progress.at, 0.0)
