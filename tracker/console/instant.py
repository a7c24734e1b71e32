"""Where a seat's clock stands within an excursion. Reads no clock."""

from __future__ import annotations

from datetime import datetime, timedelta

from tracker.foundation.times import pet_of
from tracker.journal.progress import Progress

LIVE = timedelta(days=7)


def is_live(progress: Progress, utc: datetime) -> bool:
    """Return whether an instant is within the excursion."""
    zero = progress.zero
    return progress.closed is None and (zero is None or timedelta(0) <= utc - zero <= LIVE)


def now_of(progress: Progress, utc: datetime) -> float:
    """Return the PET of an instant; where the clock stands, the last event's."""
    if progress.closed is not None:
        return max(progress.closed, progress.at)
    if progress.zero is None or not is_live(progress, utc):
        return max(0.0, progress.at)
    return max(pet_of(utc, progress.zero), progress.at)
