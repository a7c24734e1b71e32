"""The only file that reads the clock; everything else is handed the time."""

from __future__ import annotations

from datetime import UTC, datetime
from time import monotonic as _monotonic


def utc_now() -> datetime:
    """The present instant, aware, in UTC."""
    return datetime.now(UTC)


def monotonic_s() -> float:
    """Seconds on a clock that never steps, for measuring short spans."""
    return _monotonic()
