"""The only file that reads the clock, or waits for it; everything else is handed the time."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from time import monotonic as _monotonic
from time import sleep as _sleep


def utc_now() -> datetime:
    """The present instant, aware, in UTC."""
    return datetime.now(UTC)


def pause(seconds: float) -> None:
    """Let the time pass."""
    _sleep(seconds)


def monotonic_s() -> float:
    """Seconds on a clock that never steps, for measuring short spans."""
    return _monotonic()


def boot_s() -> float:
    """Seconds since this machine was started, the time in which it slept among them; they never step."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return _monotonic()


def boot_id() -> str | None:
    """The name of this start of the machine; None where the system has none."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return None


@dataclass(frozen=True, slots=True)
class ClockBegan:
    """When the clock of a sitting began; it goes on for as long as the machine does, whoever sits there."""

    utc: datetime
    """What the wall clock showed."""
    since_s: float
    """Seconds since the machine was started."""
    known: int
    """Number of the last event on record then."""
    again: bool = False
    """Whether the machine was started anew since the clock before it."""


class SteadyClock:
    """UTC that goes on evenly from where the wall clock stood, whatever is done to the wall clock later."""

    def __init__(self, wall: Callable[[], datetime] = utc_now, boot: Callable[[], float] = boot_s) -> None:
        """Begin now; `boot` counts seconds that never step."""
        self._wall, self._boot = wall, boot
        self._began, self._since = wall(), boot()

    def go_on(self, began: ClockBegan) -> None:
        """Go on as the clock that began then."""
        self._began, self._since = began.utc, began.since_s

    def utc_now(self) -> datetime:
        """The present instant by the clock that never steps."""
        return self._began + timedelta(seconds=self._boot() - self._since)

    def jump_s(self) -> float:
        """The seconds by which the wall clock was set forward since the beginning; negative: back."""
        return (self._wall() - self.utc_now()).total_seconds()
