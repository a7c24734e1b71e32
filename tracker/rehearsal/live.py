"""Plays a rehearsal along a clock that may run faster than time, in a thread beside the desk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from tracker.foundation import clock
from tracker.foundation.errors import TrackerError
from tracker.foundation.times import pet_of
from tracker.rehearsal.setting import Rehearsal

LOOK_S = 0.2
"""How often the crew goes on, seconds of real time."""


class FastClock:
    """A clock that stands at an instant until it is started, and then runs so many times as fast as time."""

    def __init__(
        self, base: datetime, speed: float, monotonic_s: Callable[[], float] = clock.monotonic_s
    ) -> None:
        self._base, self._speed, self._monotonic_s = base, speed, monotonic_s
        self._since: float | None = None

    def start(self) -> None:
        """Let it run; a second call does nothing."""
        if self._since is None:
            self._since = self._monotonic_s()

    def utc_now(self) -> datetime:
        """Return the instant that it shows."""
        passed = 0.0 if self._since is None else self._monotonic_s() - self._since
        return self._base + timedelta(seconds=passed * self._speed)


class Player(threading.Thread):
    """Plays a rehearsal by a clock until it is over or stopped.

    It has a journal of its own, which it opens in its thread: `make` returns the rehearsal and what closes
    its journal.
    """

    def __init__(
        self,
        make: Callable[[], tuple[Rehearsal, Callable[[], None]]],
        utc_now: Callable[[], datetime],
        *,
        starts: bool,
    ) -> None:
        """Make ready. `starts`: it starts the excursion's clock itself."""
        super().__init__(name="rehearsal", daemon=True)
        self._make, self._utc_now, self._starts = make, utc_now, starts
        self._stopped = threading.Event()
        self.fault: tuple[str, ...] = ()
        """Why it could not go on."""
        self.outcome = ""

    def stop(self, timeout_s: float = 5.0) -> None:
        """End soon."""
        self._stopped.set()
        if self.is_alive():
            self.join(timeout_s)

    def run(self) -> None:
        """Play until over or stopped; a fault ends it and stays to be told."""
        try:
            rehearsal, close = self._make()
            try:
                self._play(rehearsal)
                self.outcome = rehearsal.outcome()
            finally:
                close()
        except TrackerError as error:
            self.fault = error.lines
        except OSError as error:
            self.fault = (str(error),)

    def _play(self, rehearsal: Rehearsal) -> None:
        if self._starts:
            rehearsal.start(self._utc_now())
        while not self._stopped.wait(LOOK_S) and not rehearsal.play.over:
            rehearsal.log.refresh()
            zero = rehearsal.log.progress().zero
            if zero is not None:
                rehearsal.play.to(pet_of(self._utc_now(), zero))
