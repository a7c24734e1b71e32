"""Windows as the recursion wants them: the gaps in which a step cannot start, relative to now."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from tracker.plan.windows import Interval, Intervals, usable


def gaps(openings: Sequence[Intervals], now: float, fit_s: float | None) -> tuple[Interval, ...]:
    """Return ascending [close, next opening), relative to `now`, for a step that must start inside all.

    `openings` are half-open intervals in PET seconds, one list a window. With `fit_s` the whole of that
    time must fit too. The last opening is followed by a gap without end.
    """
    out = []
    closed = 0.0
    for a, b in usable(openings, fit_s):
        if b > now:
            if a - now > closed:
                out.append((closed, a - now))
            closed = b - now
    out.append((closed, inf))
    return tuple(out)
