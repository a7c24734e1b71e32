"""Beside the lead's view: the journal that somebody else writes, and what the lead asks of an estimate.

Hides two threads. One follows the journal, which it opens only to read. The other works out what if, what
moved the ingress and how the day went, in the order in which it is wanted; what a newer wish no longer needs
is left. What was worked out for an earlier instant is kept for when it is shown again.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from tracker.console.view.scene import Moved, Point, Snapshot, Supposed
from tracker.console.view.styled_text import Ink
from tracker.console.view.what_if_pages import EXAMPLES, refused
from tracker.console.workers import LatestOnly, choices_at, now_of
from tracker.forecast.figures import Choice, Estimate, Range
from tracker.foundation import clock
from tracker.foundation.errors import TrackerError
from tracker.journal.fold import withdrawn_numbers
from tracker.journal.follow import Follower
from tracker.journal.place import Place
from tracker.journal.progress import Progress
from tracker.journal.store import Lost
from tracker.journal.typed import naming_steps, with_supposed
from tracker.journal.wording import event_words

LOOK_S = 0.2
"""How often the journal is looked at: a tick is seen within a second, and a look costs next to nothing."""
AGAIN_S = 1.0
"""How often it is tried again to open a journal whose server does not answer."""
TOLD_S, REHEARSED_S = 60.0, 2.0
"""How often the estimates on record are read again, of an excursion and of a rehearsal: desks keep at most
one a minute of the former, and of the latter one every few seconds, which tell what time it is there."""


@dataclass(frozen=True)
class Grown:
    """The journal as it is now known."""

    progress: Progress
    told: tuple[Point, ...] = ()
    """Estimates on record, as they were shown, by PET."""
    trouble: str = ""
    """Why the journal could not be read at the last look."""
    answered: datetime | None = None
    """When it could be read last."""

    def present(self, utc: datetime) -> float:
        """Return the PET of the present; where the clock stands, the last event's.

        A rehearsal has a clock of its own, and its desk tells on record what time it is there.
        """
        now = now_of(self.progress, utc)
        played = self.progress.rehearsal and self.progress.closed is None
        return max(now, self.told[-1].at) if played and self.told else now

    def trouble_at(self, utc: datetime) -> str:
        """Return why the journal cannot be read, and how old is what is known; empty where it can be."""
        if not self.trouble or self.answered is None:
            return self.trouble
        age = max(0, round((utc - self.answered).total_seconds()))
        return f"as of {self.answered:%H:%M:%S}Z, {age} s ago; {self.trouble}"


@dataclass(frozen=True)
class NoJournal:
    """The journal could not be opened at all."""

    lines: tuple[str, ...]
    tried_again: bool = False
    """Whether it is tried again: its server does not answer."""


class Following(threading.Thread):
    """Looks again and again, and reports what changed."""

    def __init__(self, path: Place, report: Callable[[Grown | NoJournal], None]) -> None:
        super().__init__(name="following", daemon=True)
        self._path = path
        self._report = report
        self._ended = threading.Event()
        self._told: tuple[Point, ...] = ()
        self._rows = 0
        self._answered = clock.utc_now()

    def stop(self) -> None:
        """End after the next look."""
        self._ended.set()

    def run(self) -> None:
        """Look until stopped."""
        if (follower := self._opened()) is None:
            return
        with follower:
            self._read_told(follower)
            self._report(Grown(follower.progress, self._told))
            looks = 0
            while not self._ended.is_set():
                follower.wait(LOOK_S)
                looks += 1
                span = REHEARSED_S if follower.progress.rehearsal else TOLD_S
                self._look(follower, again=looks % round(span / LOOK_S) == 0)

    def _opened(self) -> Follower | None:
        """The journal, once it can be opened; None where it cannot be."""
        while not self._ended.is_set():
            try:
                return Follower(self._path)
            except Lost as error:
                self._report(NoJournal(tuple(error.lines), tried_again=True))
                self._ended.wait(AGAIN_S)
            except TrackerError as error:
                self._report(NoJournal(tuple(error.lines)))
                break
        return None

    def _look(self, follower: Follower, *, again: bool) -> None:
        """Report what changed since the last look, if anything did."""
        before, told = follower.trouble, self._told
        grown = follower.look()
        if follower.trouble is None:
            self._answered = clock.utc_now()
        if again:
            self._read_told(follower)
        newer = follower.progress.rehearsal and self._told is not told
        if grown or newer or follower.trouble != before:
            why = (follower.trouble or "").removeprefix(f"{self._path}: ")
            self._report(Grown(follower.progress, self._told, why, self._answered))

    def _read_told(self, follower: Follower) -> None:
        if follower.journal is None:
            return
        try:
            rows = follower.journal.estimates(self._rows)
        except TrackerError:
            # The next look says what is wrong with the file.
            return
        new = [point for row in rows if (point := told(row.estimate, row.event)) is not None]
        self._rows += len(rows)
        if new:
            self._told = tuple(sorted((*self._told, *new), key=lambda point: point.at))


def of_what_stands(points: tuple[Point, ...], progress: Progress) -> tuple[Point, ...]:
    """Return the points without those that count an entry which was taken back since."""
    recorded = progress.fold.recorded
    gone = withdrawn_numbers(recorded)
    spans = [
        (int(event.body["event"]), event.number)
        for event in recorded
        if event.kind == "withdrawn" and event.number not in gone
    ]
    return tuple(p for p in points if not any(taken <= p.entry < back for taken, back in spans))


def told(text: str, entry: int = 0) -> Point | None:
    """Return the point of an estimate on record; None for a row that says nothing of the kind."""
    try:
        row = json.loads(text)
        return Point(
            at=float(row["at"]),
            inside=_range(row["inside"]),
            safe=float(row["safe"]),
            margins={str(one["id"]): _figure(one["margin"]["p50"]) for one in row["limits"]},
            levels={f"{one['crew']}.{one['consumable']}": float(one["now"]) for one in row["consumables"]},
            turn_back=_figure(row["turn_back"]["latest"]),
            chances={str(one["id"]): float(one["chance"]) for one in row["limits"]},
            reached={str(one["id"]): _reached(one) for one in row["limits"]},
            entry=entry,
        )
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


def _range(row: dict[str, Any]) -> Range:
    return Range(*(_figure(row[key]) for key in ("p10", "p50", "p90")))


def _reached(limit: dict[str, Any]) -> float | None:
    """Return when a limit is reached; old rows tell only instants that are the same in every course."""
    reached = limit.get("reached")
    return _figure(limit["at"] if reached is None else reached["p50"])


def _figure(value: Any) -> float | None:
    return None if value is None else float(value)


GRIDS_S = (300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0)
MOST_POINTS = 40
"""At most so many estimates through the day are worked out."""
TOLD = 0.4
"""How far beside its place an estimate that was shown may lie, as a share of the time between two points."""


@dataclass(frozen=True)
class Question:
    """What is looked at, and asked of it."""

    chosen: float | None = None
    """PET of the earlier instant; None: the present."""
    number: int = 0
    """Of what is supposed."""


@dataclass(frozen=True)
class Wish:
    """What is wanted, for an estimate that stands."""

    live: Progress
    """Everything on record; the course through the day is of this."""
    present: float
    shown: Progress
    """What is shown: as it stood at `estimate.at`."""
    estimate: Estimate
    since: float
    supposed: Progress | None = None
    """With supposed events."""
    events: tuple[Mapping[str, Any], ...] = ()
    """Those events."""
    told: tuple[Point, ...] = ()
    """Estimates that were shown through the day and are on record."""
    asked: Question = Question()
    """For what is looked at and asked; an answer to another question is of no use."""
    choices: bool = True
    """Whether it is wanted what each choice comes to; a desk beneath works that out itself."""


@dataclass(frozen=True)
class Learned:
    """One result, for the wish it was worked out for."""

    wish: Wish
    supposed: Estimate | None = None
    choices: tuple[Choice, ...] | None = None
    moved: Moved | None = None
    chances: dict[str, float] | None = None
    points: tuple[Point, ...] | None = None
    trouble: str = ""


def instants(present: float) -> list[float]:
    """Return the PETs at which the course through the day is drawn, from 0 on."""
    step = next((grid for grid in GRIDS_S if present / grid <= MOST_POINTS), present / MOST_POINTS)
    return [k * step for k in range(int(present // step) + 1)]


def _near(wanted: list[float]) -> float:
    return TOLD * (wanted[1] if len(wanted) > 1 else GRIDS_S[0])


def unchanged_until(before: Progress, after: Progress) -> float:
    """Return the PET before which both have the same events in force; infinite where they are the same."""
    one, other = before.events, after.events
    if one == other:
        return float("inf")
    same = next((k for k, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), None)
    if same is None:
        longer = one if len(one) > len(other) else other
        return longer[min(len(one), len(other))].at
    return min(one[same].at, other[same].at)


def analysis(report: Callable[[Learned], None]) -> LatestOnly[Wish]:
    """Return a thread that takes wishes and reports what it learned; the latest wish wins."""
    work = LeadAnalysis()

    def learn(wish: Wish) -> None:
        for learned in work.results(wish):
            report(learned)
            if thread.overtaken():
                return

    # Where it goes wrong, the estimate itself is still shown.
    thread = LatestOnly("analysis", learn, lambda wish, words: report(Learned(wish, trouble=words)))
    return thread


class LeadAnalysis:
    """What is learned from estimates, and the course through the day as far as it was worked out."""

    def __init__(self) -> None:
        self._points: dict[float, Point] = {}
        self._live: Progress | None = None
        self._turns: dict[str, int] = {}
        """When each part had its last turn: one that events overtake has its turn with the next wish."""

    def results(self, wish: Wish) -> Iterator[Learned]:
        """Yield one result after the other: what is supposed first, then what has waited longest."""
        from tracker.forecast.estimate import estimate

        if wish.supposed is not None:
            now = max(wish.estimate.at, wish.supposed.at)
            yield Learned(wish, supposed=estimate(wish.supposed, now=now))
        if wish.live.zero is not None:
            yield from self._trends(wish)
        parts = {
            "choices": self._choices,
            "chances": self._chances,
            "moved": self._moved,
            "course": self._course,
        }
        for name in sorted(parts, key=lambda one: self._turns.get(one, 0)):
            self._turns[name] = 1 + max(self._turns.values(), default=0)
            yield from parts[name](wish)

    def _choices(self, wish: Wish) -> Iterator[Learned]:
        """Tell what each choice comes to."""
        if wish.choices:
            yield Learned(wish, choices=choices_at(wish.shown, wish.estimate.at, wish.estimate.advice))

    def _chances(self, wish: Wish) -> Iterator[Learned]:
        """Tell for each task the chance that it is done before they must turn for home."""
        from tracker.forecast.chances import done_by

        back, kept = wish.estimate.turn_back.latest, wish.estimate.advice.kept
        if back is not None:
            yield Learned(wish, chances=done_by(wish.shown, now=wish.estimate.at, by=back, kept=kept))

    def _moved(self, wish: Wish) -> Iterator[Learned]:
        """Tell what moved INSIDE since the mark."""
        from tracker.forecast.changed import moved

        now = wish.estimate.at
        if wish.live.zero is not None and wish.since < now:
            earlier = wish.live.fold.until(at=wish.since).progress()
            causes = moved(earlier, wish.shown, then=wish.since, now=now)
            made = wish.estimate
            yield Learned(wish, moved=Moved(wish.since, now, causes, made.inside.p50, made.safe))

    def _trends(self, wish: Wish) -> Iterator[Learned]:
        """Forget what events made untrue, and tell what is left of the course at once."""
        stale = unchanged_until(self._live, wish.live) if self._live is not None else 0.0
        self._live = wish.live
        self._points = {at: point for at, point in self._points.items() if at < stale}
        yield Learned(wish, points=self._known(wish))

    def _known(self, wish: Wish) -> tuple[Point, ...]:
        """Return the course as far as it is known: what was shown before what was worked out since."""
        wanted = instants(wish.present)
        near = _near(wanted)
        found = {}
        for at in wanted:
            told = min(wish.told, key=lambda point: abs(point.at - at), default=None)
            if told is not None and abs(told.at - at) <= near:
                found[told.at] = told
            elif at in self._points:
                found[at] = self._points[at]
        return tuple(found[at] for at in sorted(found))

    def _course(self, wish: Wish) -> Iterator[Learned]:
        """Work out what is missing of the course, what lies nearest first: the trend is looked at most."""
        from tracker.forecast.estimate import estimate

        if wish.live.zero is None:
            return
        wanted = instants(wish.present)
        near = _near(wanted)
        for at in sorted(wanted, key=lambda at: abs(at - wish.estimate.at)):
            if at in self._points or any(abs(point.at - at) <= near for point in wish.told):
                continue
            then = wish.live.fold.until(at=at).progress()
            if then.zero is not None:
                self._points[at] = Point.of(estimate(then, now=max(at, then.at), ranges="shown"))
                yield Learned(wish, points=self._known(wish))


Events = tuple[Mapping[str, Any], ...]

MOST = 64


@dataclass(frozen=True, slots=True)
class Instant:
    """What was worked out for one earlier instant."""

    progress: Progress
    estimate: Estimate
    since: float
    """From when on `moved` was asked."""
    moved: Moved | None = None
    chances: Mapping[str, float] = field(default_factory=dict)


class Instants:
    """The latest of them, by the number of events known and the PET that was shown."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, float], Instant] = {}

    def find(self, number: int, at: float) -> Instant | None:
        """Return what is known of an instant."""
        return self._known.get((number, at))

    def keep(self, number: int, at: float, instant: Instant) -> None:
        """Keep an instant; the one kept first goes when there are too many."""
        self._known.pop((number, at), None)
        self._known[number, at] = instant
        if len(self._known) > MOST:
            del self._known[next(iter(self._known))]

    def learned(self, report: Learned, estimate: Estimate | None) -> None:
        """Add what was learned of an instant that is kept, and the estimate with its choices."""
        for key, instant in self._known.items():
            if instant.progress is report.wish.shown:
                self._known[key] = replace(
                    instant,
                    moved=instant.moved if report.moved is None else report.moved,
                    chances=instant.chances if report.chances is None else report.chances,
                    estimate=instant.estimate if report.choices is None else estimate or instant.estimate,
                )


@dataclass
class Supposition:
    """Lines that are supposed beside what is shown, and what is known of them; nothing of it is written.

    Figures stand, with the instant they are of, until those of a later one are there.
    """

    known: Supposed | None = None
    asked: int = 0
    """How many questions there were; what is learned for an earlier one is of no use."""

    def suppose(self, text: str) -> None:
        """Suppose these lines instead; nothing where there are none."""
        self.known, self.asked = Supposed(text) if text.strip() else None, self.asked + 1

    def elsewhere(self) -> None:
        """Forget figures for another instant than the one that is shown from now on."""
        self.suppose("" if self.known is None else self.known.text)

    def onto(self, shown: Progress, now: float, utc: datetime) -> tuple[Progress | None, Events]:
        """Return what is shown with the supposed events, and these; neither where they cannot be.

        What is told of them goes with the figures: an instant that is counted from now is that of theirs.
        """
        old = self.known
        if old is None:
            return None, ()
        try:
            supposed, events = with_supposed(old.text, shown, now, utc)
        except TrackerError as error:
            self.known = Supposed(old.text, trouble=refused(error))
            return None, ()
        self.known = replace(old, events=old.events if old.estimate else tuple(events), trouble="")
        return supposed, tuple(events)

    def learned(self, report: Learned) -> None:
        """Take in both estimates, unless something else is asked by now."""
        if self.known is not None and report.supposed is not None and report.wish.asked.number == self.asked:
            wish = report.wish
            self.known = Supposed(self.known.text, wish.events, "", wish.estimate, report.supposed)


def as_meant(text: str, shown: Snapshot | None, now: float, utc: datetime) -> str:
    """Return a line with the steps that it means by their ids; one that cannot be stays as it is."""
    with suppress(TrackerError):
        return text if shown is None else naming_steps(text, shown.progress, now, utc)
    return text


def would_suppose(text: str, shown: Progress, now: float, utc: datetime) -> tuple[str, Ink]:
    """Return what a line would suppose, or why it cannot be, and how that is written."""
    if not text.strip():
        return (EXAMPLES, "dim")
    try:
        _, events = with_supposed(text, shown, now, utc)
    except TrackerError as error:
        return (refused(error), "late")
    words = "; ".join(event_words(shown, str(event["kind"]), event) for event in events)
    return (f"Enter supposes: {words}", "going")
