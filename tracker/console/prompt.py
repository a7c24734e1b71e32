"""Estimates for a seat: quick figures never wait behind advice that is being worked out."""

from __future__ import annotations

import threading
from collections.abc import Callable

from tracker.console.workers import Estimated, Forecaster, NotEstimated, Wanted
from tracker.forecast.values import Advice

Report = Callable[[Estimated | NotEstimated], None]


class Prompt:
    """Two forecasters: one for figures by the advice that stands, and one for the advice.

    The first takes some hundredths of a second; the other, with hundreds of steps, more than one.
    """

    def __init__(self, report: Report) -> None:
        self._report = report
        self._thorough = Forecaster(self._thoroughly, alone=False)
        self._quick = Forecaster(self._quickly)
        self._lock = threading.Lock()
        self._advice: Advice | None = None

    def start(self) -> None:
        """Begin to take what is wanted."""
        self._thorough.start()
        self._quick.start()

    def stop(self) -> None:
        """End after what is being worked out."""
        self._thorough.stop()
        self._quick.stop()

    def ask(self, wanted: Wanted) -> None:
        """Want an estimate; the quick figures come first, by the advice that stands."""
        with self._lock:
            standing = self._advice is not None
        if standing:
            self._quick.ask(Wanted(wanted.progress, wanted.now, False))
        if wanted.advise or not standing:
            self._thorough.ask(wanted)

    def _thoroughly(self, report: Estimated | NotEstimated) -> None:
        if isinstance(report, Estimated):
            with self._lock:
                self._advice = report.estimate.advice
                self._quick.go_by(self._advice)
        self._report(report)

    def _quickly(self, report: Estimated | NotEstimated) -> None:
        """Hand figures on, unless advice has come that is newer than what they go by."""
        if isinstance(report, Estimated):
            with self._lock:
                if report.estimate.advice is not self._advice:
                    return
        self._report(report)
