"""The only file that reads the clock, or waits for it; everything else is handed the time."""

from __future__ import annotations

from datetime import UTC, datetime
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
