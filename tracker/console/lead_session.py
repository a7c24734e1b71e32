"""What the lead's view knows: what is followed, which instant is shown, what is supposed; and its threads.

Hides how reports that come late or for another instant are told from those for what is shown. It can write
nothing, knows no screen library and opens no file; it is told the time and handed reports, and never blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from tracker.console.lead_analysis import (
    Following,
    Grown,
    Instant,
    Instants,
    Learned,
    NoJournal,
    Question,
    Supposition,
    Wish,
    analysis,
    as_meant,
    of_what_stands,
)
from tracker.console.order_search import Bettered, OrderSearch, order_search
from tracker.console.view.scene import TREND_S, Disk, LeadScene, Moved, Orders, Point, Snapshot
from tracker.console.view.styled_text import Ink
from tracker.console.view.words import pet
from tracker.console.workers import (
    Beside,
    Estimated,
    EstimateScheduler,
    NotEstimated,
    Renewal,
    Wanted,
    next_change,
)
from tracker.forecast.figures import Choice, Estimate
from tracker.foundation import clock
from tracker.foundation.times import instant_of
from tracker.journal.place import Place
from tracker.journal.progress import Progress, pet_if_live


@dataclass
class Studied:
    """What was worked out for the estimate that is shown, besides the choices, which it has itself."""

    points: tuple[Point, ...] = ()
    moved: Moved | None = None
    chances: Mapping[str, float] = field(default_factory=dict)

    def learned(self, report: Learned, since: bool) -> None:
        """Take in a result; `since`: what moved it was asked from the instant that is asked now."""
        self.moved = report.moved if report.moved is not None and since else self.moved
        self.chances = self.chances if report.chances is None else report.chances


def minutes_beside(now: float, minutes: float) -> float:
    """Return a PET some minutes earlier or later, at a whole minute."""
    back = now % 60 != 0 and minutes <= 0
    return -(-now // 60) * 60 + minutes * 60 if back else (now // 60 + minutes) * 60


def event_beside(times: Iterable[float], now: float, by: int) -> float | None:
    """Return the PET of the event before or after an instant; 0 before all, None after all."""
    every = sorted({max(0.0, at) for at in times})
    if by < 0:
        return max((at for at in every if at < now), default=0.0)
    return next((at for at in every if at > now), None)


def _by_this_clock(progress: Progress, present: float, clock_at: float | None) -> bool:
    """Return whether the present is what this clock says; a rehearsal that is ahead of it goes by its own."""
    return clock_at is not None and not (progress.rehearsal and present > clock_at)


def _with_choices(
    shown: Snapshot, estimate: Estimate, known: int | None, choices: tuple[Choice, ...] | None = None
) -> Snapshot:
    """Return an estimate with what each choice comes to, and alerts that name the best of them."""
    before = None if shown.latest is None else shown.latest.choices
    beside = Beside(choices=(before if choices is None else choices) or None)
    return Snapshot(shown.progress, beside.onto(estimate, shown.progress), known)


def _known(desk: Snapshot) -> int:
    """Return the number of the last event that a desk's estimate knows."""
    return desk.progress.number if desk.known is None else desk.known


def _advised_anew(desk: Snapshot, before: Snapshot | None) -> bool:
    """Return whether a desk has advice for all of its events that was not taken over yet."""
    if desk.latest is None or _known(desk) != desk.progress.number:
        return False
    return before is None or before.latest is None or before.latest.advice is not desk.latest.advice


def _is_of(snapshot: Snapshot | None, shown: Progress, at: float) -> bool:
    """Return whether a snapshot is of these events, and its estimate of an instant."""
    if snapshot is None or snapshot.estimate is None:
        return False
    return snapshot.estimate.at == at and snapshot.progress.events == shown.events


def _possible(orders: Orders | None, progress: Progress, now: float) -> Orders | None:
    """Return better orders without those that events have made impossible since they were found."""
    if orders is None or not orders.found:
        return orders
    from tracker.forecast.orders import still_open_changes

    left = still_open_changes(progress, now)
    return replace(orders, found=tuple(one for one in orders.found if one.deed in left))


@dataclass
class LeadSession:
    """What one lead's view knows, and how it takes in what comes."""

    ask: Callable[[Wanted], None]
    study: Callable[[Wish], None]
    chosen: float | None = None
    """PET of the earlier instant that is shown; None: the present."""
    snapshot: Snapshot | None = None
    said: str = ""
    said_ink: Ink = ""
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys as they are shown, by id of a command."""
    local_time: bool = False
    renewal: Renewal = field(default_factory=Renewal)
    search: OrderSearch = field(default_factory=OrderSearch)
    """For better orders."""
    beneath: Callable[[], Snapshot | None] = lambda: None
    """What a desk beneath shows: at the present the same is shown here, and nothing is estimated twice."""
    _carried: Snapshot | None = None
    _carried_onto: Progress | None = None
    """The last of it that was taken over, and what was followed then."""
    _whole: Snapshot | None = None
    """The last estimate with its advice, and what it was made of; what goes beside it is asked for these."""
    _grown: Grown | None = None
    _mark: float | None = None
    studied: Studied = field(default_factory=Studied)
    _supposition: Supposition = field(default_factory=Supposition)
    _instants: Instants = field(default_factory=Instants)
    _unstudied: bool = False
    """Whether nothing has been asked beside the estimate since another instant is shown."""
    settled: bool = False
    """Whether advice for what is shown has come; before, a quick estimate would go by another instant's."""

    # What the screen sees

    @property
    def followed(self) -> Progress:
        """Everything that is known of the journal."""
        assert self._grown is not None
        return self._grown.progress

    @property
    def zero(self) -> datetime | None:
        """When the clock was started; None before it was."""
        return self.followed.zero if self._grown is not None else None

    def present(self, utc: datetime) -> float:
        """Return the PET of the present; where the clock stands, the last event's."""
        assert self._grown is not None
        return self._grown.present(utc)

    def now(self, utc: datetime) -> float:
        """Return the PET that is shown."""
        present = self.present(utc)
        return present if self.chosen is None else min(self.chosen, present)

    def since(self, now: float) -> float:
        """Return from when on it is asked what moved the ingress."""
        return self._mark if self._mark is not None and self._mark < now else max(0.0, now - TREND_S)

    def scene(self, utc: datetime) -> LeadScene:
        """Return everything that the views may look at."""
        assert self.snapshot is not None
        now, zero = self.now(utc), self.followed.zero
        back = self.chosen is not None
        live = zero is None or _by_this_clock(self.followed, self.present(utc), pet_if_live(zero, utc))
        return LeadScene(
            snapshot=self.snapshot,
            now=now,
            utc=instant_of(now, zero) if zero is not None and (back or not live) else utc,
            live=live,
            disk=Disk(self.followed.number),
            said=self.said,
            said_ink=self.said_ink,
            points=self.studied.points,
            moved=self.studied.moved,
            since=self.since(now),
            choices=(None if (made := self.snapshot.estimate) is None else made.choices) or (),
            chances=self.studied.chances,
            supposed=self._supposition.known,
            back=back,
            present=self.present(utc),
            trouble=self._grown.trouble_at(utc) if self._grown else "",
            orders=_possible(self.search.orders, self.snapshot.progress, now),
            seeking=self.search.share,
            keys=self.keys,
            local_time=self.local_time,
        )

    def say(self, words: str, ink: Ink = "") -> None:
        """Put words on the message line."""
        self.said, self.said_ink = words, ink

    # What comes in

    def carry(self) -> bool:
        """Show what a desk beneath shows; False at an earlier instant, and where there is no desk."""
        desk = self.beneath() if self.chosen is None else None
        if desk is None:
            return False
        self._grown = self._grown or Grown(desk.progress)
        if self._carried is not desk or self._carried_onto is not self.followed:
            self._carried, self._carried_onto = desk, self.followed
            self.snapshot = Snapshot(self.followed, desk.latest, _known(desk))
            if _advised_anew(desk, self._whole):
                self._whole, self._unstudied, self.settled = desk, True, True
        return True

    def grown(self, report: Grown) -> None:
        """Take in what the journal has become."""
        first = self._grown is None
        self._unstudied |= (
            self._grown is None or not self._grown.told
        )  # The course through the day is told there.
        self._grown = report
        if first and self.chosen is not None and report.progress.zero is None:
            self.chosen = None
            self.say("the clock has not started, so there is no earlier instant to show", "late")
        self._show()

    def _show(self) -> None:
        """Show the events of the instant that is shown; the estimate follows."""
        if self.carry():
            return
        shown = self.followed
        if self.chosen is not None:
            if (known := self._instants.find(shown.number, self.chosen)) is not None:
                self._show_again(known)
                return
            if self.chosen < shown.at:
                shown = shown.fold.until(at=self.chosen).progress()
            if self.settled and _is_of(self.snapshot, shown, self.chosen):
                return
            self.settled = False
        before = self.snapshot if self.settled else None
        self.snapshot = Snapshot(shown, before.latest, before.known) if before else Snapshot(shown, None)
        self.renewal.happened()

    def _show_again(self, known: Instant) -> None:
        """Show an earlier instant as it was worked out before."""
        self.snapshot, self.settled = Snapshot(known.progress, known.estimate), True
        moved = known.moved if known.since == self.since(known.estimate.at) else None
        self.studied = Studied(self.studied.points, moved, dict(known.chances))
        self.renewal.happened()

    def want(self, utc: datetime, mono: float) -> None:
        """Ask for an estimate when one is due."""
        if self.snapshot is None:
            return
        if self.chosen is not None and self.chosen >= self.present(utc):
            self.chosen = None
            self.say("that instant is not in the past: the present is shown", "late")
        now = self.now(utc)
        past = self.chosen is not None and self.settled and self.snapshot.estimate is not None
        if past or self.carry():
            # What is past does not change, and a desk beneath estimates for both.
            if self._unstudied:
                self.wish(utc)
            return
        if (advise := self.renewal.wanted(self.snapshot, now, mono)) is not None:
            self.ask(Wanted(self.snapshot.progress, now, advise))

    def estimated(self, report: Estimated | NotEstimated, utc: datetime) -> None:
        """Take in an estimate, unless something else is shown by now."""
        if isinstance(report, NotEstimated):
            self.say(f"no estimate: {report.words}", "late")
            return
        wanted = report.wanted
        if self.snapshot is None or not (report.full or self.settled) or self.carry():
            return
        # At the present a finished estimate stands though an event came meanwhile: fast ones leave no other.
        of_this = wanted.progress is self.snapshot.progress
        known = -1 if self._whole is None else self._whole.progress.number
        later = self.chosen is None and report.full and wanted.progress.number >= known
        if not (of_this or later) or (self.chosen is not None and wanted.now != self.now(utc)):
            return
        self.settled = self.settled or report.full
        self.snapshot = _with_choices(self.snapshot, report.estimate, wanted.progress.number)
        self.renewal.due = next_change(self.snapshot, wanted.now)
        if report.full:
            self._whole = Snapshot(wanted.progress, report.estimate)
            if self.chosen is not None:
                kept = Instant(wanted.progress, report.estimate, self.since(report.estimate.at))
                self._instants.keep(self.followed.number, self.chosen, kept)
            self.wish(utc)

    def wish(self, utc: datetime) -> None:
        """Ask for what goes beside the estimate that is shown."""
        carried = self.carry()
        whole = self._whole or (None if carried else self.snapshot)
        if whole is None or whole.estimate is None:
            return
        self._unstudied = False
        estimate, shown = whole.estimate, whole.progress
        supposed, events = self._supposition.onto(shown, estimate.at, utc)
        asked = Question(self.chosen, self._supposition.asked)
        since, present = self.since(estimate.at), self.present(utc)
        told = of_what_stands(self._grown.told, self.followed) if self._grown is not None else ()
        wish = Wish(self.followed, present, shown, estimate, since, supposed, events, told, asked)
        self.study(replace(wish, choices=not carried))

    def learned(self, report: Learned) -> None:
        """Take in what was learned for what is shown."""
        if report.points is not None:
            self.studied.points = report.points
        if report.trouble:
            self.say(f"not worked out: {report.trouble}", "late")
        self._supposition.learned(report)
        wish, shown = report.wish, self.snapshot
        of_this = shown is not None and (self.chosen is None or wish.shown is shown.progress)
        if shown is None or not of_this or wish.asked.chosen != self.chosen:
            return
        self.studied.learned(report, wish.since == self.since(wish.estimate.at))
        if report.choices is not None and shown.latest is not None:
            self.snapshot = _with_choices(shown, shown.latest, shown.known, report.choices)
        self._instants.learned(report, self.snapshot.estimate if self.snapshot is not None else None)

    # What the lead asks

    def go_to(self, at: float | None, utc: datetime) -> None:
        """Show another instant; None, or one that is not before the present: the present."""
        if self.followed.zero is None:
            self.say("the clock has not started: there is no earlier instant to show", "late")
            return
        present = self.present(utc)
        self.chosen = None if at is None or at >= present else max(0.0, at)
        self.settled = False
        self._whole = self._carried = None
        self._supposition.elsewhere()
        self.studied, self._unstudied = Studied(self.studied.points), True
        self.search.forget()
        self._show()
        self.say("")

    def mark(self, utc: datetime) -> None:
        """Ask what moved the ingress since the instant that is shown; again: since half an hour before."""
        now = self.now(utc)
        self._mark = None if self._mark is not None else now
        self.studied.moved = None
        since = "the last 30 minutes" if self._mark is None else f"{pet(self._mark)}, from now on"
        self.say(f"what moved the ingress: since {since}")
        self.wish(utc)

    def suppose(self, text: str, utc: datetime) -> bool:
        """Suppose what is typed, beside what stands; whether it can be. Nothing is written."""
        self._supposition.suppose(as_meant(text, self.snapshot, self.now(utc), utc))
        self.wish(utc)
        found = self._supposition.known
        return found is None or not found.trouble


Heard = Grown | NoJournal | Estimated | NotEstimated | Learned | Bettered
Hear = Callable[[Heard], object]


class LeadRuntime:
    """Starts and stops the threads of one lead's view; none of them can write."""

    def __init__(
        self,
        path: Place,
        *,
        at: float | None = None,
        utc_now: Callable[[], datetime] = clock.utc_now,
        monotonic_s: Callable[[], float] = clock.monotonic_s,
    ) -> None:
        self.path = path
        self.utc_now, self.monotonic_s = utc_now, monotonic_s
        self.failed: tuple[str, ...] = ()
        """Why the journal could not be opened."""
        self._opening: Callable[[str], object] = lambda words: None
        self._hear: Hear = lambda report: None
        self._following = Following(path, self._heard)
        self._estimates = EstimateScheduler(self._heard)
        self._analysis, self._orders = analysis(self._heard), order_search(self._heard)
        search = OrderSearch(self._orders.ask)
        self.session = LeadSession(self._estimates.ask, self._analysis.ask, chosen=at, search=search)

    def _heard(self, report: Heard) -> None:
        self._hear(report)

    def start(self, hear: Hear) -> None:
        """Begin to follow; reports come from other threads."""
        self._hear = hear
        for thread in (self._estimates, self._following, self._analysis, self._orders):
            thread.start()

    def until_open(self, tell: Callable[[str], object]) -> None:
        """Have somebody told what happens until the journal is open."""
        self._opening = tell
        tell(f" opening {self.path.name} ...")

    def stop(self) -> None:
        """End the threads, and wait for a look that is under way."""
        self._hear = lambda report: None
        for thread in (self._estimates, self._analysis, self._orders, self._following):
            thread.stop()
        if self._following.is_alive():
            self._following.join(timeout=2.0)

    def scene(self) -> LeadScene:
        """Return everything that the views may look at, at this instant."""
        return self.session.scene(self.utc_now())

    def want(self) -> None:
        """Ask for an estimate when one is due."""
        self.session.want(self.utc_now(), self.monotonic_s())

    def take(self, report: Heard) -> None:
        """Take in what a thread says."""
        session = self.session
        if isinstance(report, NoJournal):
            why = report.lines[0].removeprefix(f"{self.path}: ")
            self.failed = () if report.tried_again else report.lines
            self._opening(f" opening {self.path.name}: {why}; it is tried again")
        elif isinstance(report, Grown):
            session.grown(report)
        elif isinstance(report, Learned):
            session.learned(report)
        elif isinstance(report, Bettered):
            trouble = session.search.heard(report, self.monotonic_s())
            if trouble:
                session.say(f"no better orders: {trouble}", "late")
        else:
            session.estimated(report, self.utc_now())
