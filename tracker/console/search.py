"""When better orders are looked for anew, and what is known of them. Reads no clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.ordering import Bettered, Sought
from tracker.console.view.lead_scene import Orders
from tracker.console.view.scene import Picture

LEAST_S, AGAIN = 15.0, 4.0
"""After a search there is none for this long, nor for so many times as long as it took."""


def _nobody(sought: Sought | None) -> None:
    """Look for nothing."""


@dataclass
class Search:
    """What was sought last, how far that is, and the orders found; `mono` counts seconds."""

    ask: Callable[[Sought | None], None] = _nobody
    orders: Orders | None = None
    share: float | None = None
    """Share of the search that is done; None while there is none."""
    _sought: Sought | None = None
    _began: float = 0.0
    _rests: float = 0.0
    """Until when there is no other search."""

    def want(self, picture: Picture, now: float, mono: float) -> None:
        """Begin a search where what is shown has changed since the last one, and that is long enough ago."""
        estimate, before = picture.estimate, self._sought
        if estimate is None or picture.progress.closed is not None or self.share is not None:
            return
        if before is not None and (before.progress is picture.progress or mono < self._rests):
            return
        at = max(estimate.at, picture.progress.at)
        self._sought = Sought(picture.progress, at, estimate.advice.kept)
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
