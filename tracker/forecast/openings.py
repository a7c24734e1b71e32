"""Windows as the recursion wants them: the gaps in which a step cannot start, relative to now."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np

Interval = tuple[float, float]


def gaps(openings: Sequence[Sequence[Interval]], now: float, fit_s: float | None) -> tuple[Interval, ...]:
    """Return ascending [close, next opening), relative to `now`, for a step that must start inside all.

    `openings` are half-open intervals in PET seconds, one list a window. With `fit_s` the whole of that
    time must fit too. The last opening is followed by a gap without end.
    """
    opened = _joined(openings[0]) if openings else []
    for other in openings[1:]:
        opened = _both(opened, _joined(other))
    starts = [(a, b) if fit_s is None else (a, _just_after(b - fit_s, now)) for a, b in opened]
    out = []
    closed = 0.0
    for a, b in starts:
        if b <= now or b <= a:
            continue
        if a - now > closed:
            out.append((closed, a - now))
        closed = b - now
    out.append((closed, inf))
    return tuple(out)


def _just_after(last_start: float, now: float) -> float:
    """Return an end that still lets a step start at this very instant, as float32 sees it from `now`."""
    return float(np.nextafter(np.float32(last_start - now), np.float32(np.inf))) + now


def _joined(intervals: Sequence[Interval]) -> list[Interval]:
    """Return the intervals in order, those that touch made one."""
    out: list[Interval] = []
    for a, b in sorted(intervals):
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        elif b > a:
            out.append((a, b))
    return out


def _both(one: Sequence[Interval], other: Sequence[Interval]) -> list[Interval]:
    """Return what lies in both."""
    cut = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return sorted((a, b) for a, b in cut if b > a)
