"""Where a seat's clock stands within an excursion. Reads no clock."""

from __future__ import annotations

from datetime import datetime

from tracker.journal.progress import Progress, pet_if_live


def is_live(progress: Progress, utc: datetime) -> bool:
    """Return whether an instant is within the excursion."""
    return progress.closed is None and (progress.zero is None or pet_if_live(progress.zero, utc) is not None)


def now_of(progress: Progress, utc: datetime) -> float:
    """Return the PET of an instant; where the clock stands, the last event's."""
    if progress.closed is not None:
        return max(progress.closed, progress.at)
    return max(pet_if_live(progress.zero, utc) or 0.0, progress.at, 0.0)
