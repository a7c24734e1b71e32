"""A seat that only watches: the session, the threads beside it and the clock it goes by."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from tracker.console.following import Following, Grown, NoJournal
from tracker.console.lead_session import LeadSession
from tracker.console.ordering import Bettered, Ordering
from tracker.console.prompt import Prompt
from tracker.console.search import Search
from tracker.console.studies import Learned, Studies
from tracker.console.workers import Estimated, NotEstimated
from tracker.foundation import clock

Heard = Grown | NoJournal | Estimated | NotEstimated | Learned | Bettered
Hear = Callable[[Heard], None]
SWITCH_S = 0.0005
"""How soon a thread that works something out gives way to what is painted."""


class Watching:
    """Starts and stops the threads of one lead's view; none of them can write."""

    def __init__(
        self,
        path: Path,
        *,
        at: float | None = None,
        utc_now: Callable[[], datetime] = clock.utc_now,
        monotonic_s: Callable[[], float] = clock.monotonic_s,
    ) -> None:
        self.path = path
        self.utc_now, self.monotonic_s = utc_now, monotonic_s
        self.failed: tuple[str, ...] = ()
        """Why the journal could not be opened."""
        self._hear: Hear = lambda report: None
        self._following = Following(path, lambda report: self._hear(report))
        self._forecaster = Prompt(lambda report: self._hear(report))
        self._studies = Studies(lambda report: self._hear(report))
        self._ordering = Ordering(lambda report: self._hear(report))
        search = Search(self._ordering.ask)
        self.session = LeadSession(self._forecaster.ask, self._studies.ask, chosen=at, search=search)

    def start(self, hear: Hear) -> None:
        """Begin to follow; reports come from other threads."""
        self._hear = hear
        sys.setswitchinterval(SWITCH_S)
        self._forecaster.start()
        for thread in (self._following, self._studies, self._ordering):
            thread.start()

    def stop(self) -> None:
        """End the threads, and wait for a look that is under way."""
        self._hear = lambda report: None
        self._forecaster.stop()
        self._studies.stop()
        self._ordering.stop()
        self._following.stop()
        if self._following.is_alive():
            self._following.join(timeout=2.0)

    def take(self, report: Heard) -> None:
        """Take in what a thread says."""
        session = self.session
        if isinstance(report, NoJournal):
            self.failed = report.lines
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
