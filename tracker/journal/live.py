"""When a journal is live: while its excursion can be going on."""

from __future__ import annotations

from datetime import datetime

from tracker.foundation.times import pet_of

LIVE_S = 7 * 86400
"""How long after zero a journal can be live."""


def pet_if_live(zero: datetime | None, utc_now: datetime) -> float | None:
    """Return the PET now where a journal is live, that is, from its zero to seven days after; else None."""
    if zero is None:
        return None
    now = pet_of(utc_now, zero)
    return now if 0 <= now <= LIVE_S else None
