"""What is due at a seat, and when: estimates, advice, what goes to disk, better orders, instants seen before.

Hides every span and its bookkeeping. Nothing here reads a clock: spans (`mono`, seconds) and instants (`now`,
PET seconds) are told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from tracker.console.view.scene import Moved, Orders, Snapshot
from tracker.console.workers import Bettered, Sought
from tracker.forecast.values import Choice, Estimate
from tracker.journal.progress import Progress, pet_if_live

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
    choices: tuple[Choice, ...] = ()


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

    def learned(
        self,
        progress: Progress,
        moved: Moved | None,
        chances: Mapping[str, float] | None,
        choices: tuple[Choice, ...] | None,
    ) -> None:
        """Add what was learned beside an estimate that is kept."""
        for key, instant in self._known.items():
            if instant.progress is progress:
                now_moved = instant.moved if moved is None else moved
                known = instant.chances if chances is None else chances
                chosen = instant.choices if choices is None else choices
                self._known[key] = replace(instant, moved=now_moved, chances=known, choices=chosen)


LEAST_S, AGAIN = 15.0, 4.0
"""After a search there is none for this long, nor for so many times as long as it took."""


def _nobody(sought: Sought | None) -> None:
    """Look for nothing."""


@dataclass
class OrderSearch:
    """What was sought last, how far that is, and the orders found; `mono` counts seconds."""

    ask: Callable[[Sought | None], None] = _nobody
    orders: Orders | None = None
    share: float | None = None
    """Share of the search that is done; None while there is none."""
    _sought: Sought | None = None
    _began: float = 0.0
    _rests: float = 0.0
    """Until when there is no other search."""

    def want(self, snapshot: Snapshot, now: float, mono: float) -> None:
        """Begin a search where what is shown has changed since the last one, and that is long enough ago."""
        estimate, before = snapshot.estimate, self._sought
        if estimate is None or snapshot.progress.closed is not None or self.share is not None:
            return
        if before is not None and (before.progress is snapshot.progress or mono < self._rests):
            return
        at = max(estimate.at, snapshot.progress.at)
        self._sought = Sought(snapshot.progress, at, estimate.advice.kept)
        self.share, self._began = 0.0, mono
        self.ask(self._sought)

    def heard(self, report: Bettered, mono: float) -> str:
        """Take in how far the search is, or what it found; what went wrong with it, in words."""
        if report.sought is not self._sought:
            return ""
        self.share = report.share
        if report.orders is None and not report.trouble:
            return ""
        self.share, self.orders = None, report.orders or self.orders
        self._rests = mono + max(LEAST_S, AGAIN * (mono - self._began))
        return report.trouble

    def forget(self) -> None:
        """Another instant is shown: what is known is for that no more."""
        self.orders = self.share = self._sought = None
        self._rests = 0.0
        self.ask(None)


def is_live(progress: Progress, utc: datetime) -> bool:
    """Return whether an instant is within the excursion."""
    return progress.closed is None and (progress.zero is None or pet_if_live(progress.zero, utc) is not None)


def now_of(progress: Progress, utc: datetime) -> float:
    """Return the PET of an instant; where the clock stands, the last event's."""
    if progress.closed is not None:
        return max(progress.closed, progress.at)
    return max(pet_if_live(progress.zero, utc) or 0.0, progress.at, 0.0)
