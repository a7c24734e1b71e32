"""A seat at the desk: the session, the threads beside it and the clock it goes by."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from typing import Any

from tracker.console.prompt import Prompt
from tracker.console.session import Session
from tracker.console.workers import Estimated, NotEstimated
from tracker.console.writer import Job, Report, Writer
from tracker.foundation import clock

SWITCH_S = 0.0005
"""How soon a thread that works out an estimate gives way: a tick passes between threads several times on its
way to the disk and back, and would wait for the default 5 ms each time."""

Hear = Callable[[Report | Estimated | NotEstimated], None]


class Sitting:
    """Starts and stops the threads of one desk."""

    def __init__(
        self,
        open_journal: Callable[[], Any],
        seat: str | None,
        *,
        title: str = "",
        utc_now: Callable[[], datetime] = clock.utc_now,
        monotonic_s: Callable[[], float] = clock.monotonic_s,
    ) -> None:
        self.title = title
        self.utc_now, self.monotonic_s = utc_now, monotonic_s
        self.failed: tuple[str, ...] = ()
        """Why the journal could not be opened."""
        self._hear: Hear = lambda report: None
        self._writer = Writer(open_journal, seat, lambda report: self._hear(report))
        self._forecaster = Prompt(lambda report: self._hear(report))
        writer = self._writer
        self.session = Session(
            seat or "",
            writer.submit,
            self._forecaster.ask,
            writer.keep_estimate,
            writer.keep_page,
            writer.cancel,
        )

    def start(self, hear: Hear) -> None:
        """Open the journal and begin; reports come from other threads."""
        self._hear = hear
        sys.setswitchinterval(SWITCH_S)
        self._writer.start()
        self._forecaster.start()

    def stop(self) -> tuple[Job, ...]:
        """Write what is queued, close, and return what could not be written."""
        self._hear = lambda report: None
        self._forecaster.stop()
        return self._writer.stop()
