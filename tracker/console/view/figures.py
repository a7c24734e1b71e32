"""The limits of an estimate, and how late a step is, as they are shown."""

from __future__ import annotations

from tracker.forecast.values import Estimate, LimitFigure
from tracker.foundation.shown import down, nearest


def reached_at(limit: LimitFigure) -> int | None:
    """The shown instant at which a limit is reached; None where there is none."""
    return None if limit.reached is None else down(limit.reached.p50)


def by_spare(estimate: Estimate) -> list[LimitFigure]:
    """The limits that have an instant, the one with the least to spare first."""
    known = [(left, limit) for limit in estimate.limits if (left := limit.to_spare) is not None]
    return [limit for _, limit in sorted(known, key=lambda one: (one[0], one[1].id))]


def later(real: float | None, planned: float | None, *, fact: bool = False) -> int | None:
    """Seconds from the planned instant to the real one, as both are shown; a fact is rounded down."""
    one, other = down(real) if fact else nearest(real), nearest(planned)
    return None if one is None or other is None else one - other
