"""Better orders of the work ahead: looked for beside the screen, as far as they are wanted.

Hides when a search begins and when it rests. No clock is read: spans (`mono`, seconds) and instants (`now`,
PET seconds) are told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.view.scene import Orders, Snapshot, Suggestion
from tracker.console.workers import LatestOnly
from tracker.journal.progress import Progress

TOLD_SHARE = 0.02
"""How often it is told how far a search is."""


@dataclass(frozen=True)
class Sought:
    """For what better orders are looked for."""

    progress: Progress
    now: float
    kept: frozenset[str]
    """Optional tasks that are kept, before and after."""


@dataclass(frozen=True)
class Bettered:
    """How far the search is, and what it found."""

    sought: Sought
    share: float
    orders: Orders | None = None
    trouble: str = ""


def heeding(tell: Callable[[float], object], wanted: Callable[[], bool]) -> Callable[[float], bool]:
    """Return what a search is to heed: it tells how far it is, and goes on while it is wanted."""
    told = -1.0

    def heed(share: float) -> bool:
        nonlocal told
        if not wanted():
            return False
        if share - told >= TOLD_SHARE:
            told = share
            tell(share)
        return True

    return heed


def order_search(report: Callable[[Bettered], object]) -> LatestOnly[Sought | None]:
    """Return a thread that looks for better orders; to seek something else, or None, ends a search."""

    def search(sought: Sought | None) -> None:
        if sought is None:
            return
        from tracker.forecast.orders import better_orders

        heed = heeding(lambda share: report(Bettered(sought, share)), lambda: not thread.overtaken())
        found = better_orders(sought.progress, now=sought.now, kept=sought.kept, heed=heed)
        if not thread.overtaken():
            rows = tuple(Suggestion(order.event, order.text, order.gain_s, order.safe) for order in found)
            report(Bettered(sought, 1.0, Orders(sought.now, rows)))

    def failed(sought: Sought | None, words: str) -> None:
        if sought is not None:
            report(Bettered(sought, 1.0, trouble=words))

    thread = LatestOnly("orders", search, failed)
    return thread


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
