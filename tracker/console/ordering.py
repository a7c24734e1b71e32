"""Looks for better orders in a thread of its own: with hundreds of steps that takes seconds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.latest import Latest
from tracker.console.view.lead_scene import Orders
from tracker.journal.progress import Progress

TOLD_SHARE = 0.02
"""How often it is told how far the search is."""


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


def heeding(tell: Callable[[float], None], wanted: Callable[[], bool]) -> Callable[[float], bool]:
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


class Ordering(Latest[Sought | None]):
    """Takes what is sought, reports what is found; something else sought, or nothing, ends a search."""

    def __init__(self, report: Callable[[Bettered], None]) -> None:
        super().__init__("ordering")
        self._report = report
        self._sought: Sought | None = None
        """What is being looked for; it is wanted as long as nothing else is."""

    def run(self) -> None:
        """Search until stopped."""
        while (sought := self._next()) is not None:
            try:
                self._search(sought)
            except Exception as error:
                # Whatever goes wrong in here, the figures are still shown, and the lead is told.
                self._report(Bettered(sought, 1.0, trouble=f"{type(error).__name__}: {error}"))

    def _next(self) -> Sought | None:
        """Return what is sought, once it is something else; it stays wanted while it is looked for."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wanted not in (None, self._sought))
            self._sought = self._wanted
            return None if self._stopped else self._sought

    def _search(self, sought: Sought) -> None:
        # Arrays are imported here, after the first frame is painted.
        from tracker.forecast.orders import better_orders

        heed = heeding(
            lambda share: self._report(Bettered(sought, share)),
            lambda: not self._stopped and self._wanted is sought,
        )
        found = better_orders(sought.progress, now=sought.now, kept=sought.kept, heed=heed)
        if self._wanted is sought:
            rows = tuple((order.text.partition(":")[0], order.gain_s, order.safe) for order in found)
            self._report(Bettered(sought, 1.0, Orders(sought.now, rows)))
