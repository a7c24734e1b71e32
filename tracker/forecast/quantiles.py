"""Quantiles of rows of scenarios as nearest ranks, by nested partitions of one rank each.

Three one-rank partitions, the outer ones inside the halves that the first leaves, take a tenth of the
time of a general quantile and never more, whatever vector units the machine has.
"""

from __future__ import annotations

import math

import numpy as np

from tracker.forecast.figures import Range
from tracker.forecast.world import Row

NOTHING = Range(None, None, None)
"""A figure that does not exist."""


def rank(share: float, n: int) -> int:
    """The nearest rank, from 0, of a share of n values; halves go to the even rank."""
    return round(share * (n - 1))


def three(row: Row) -> tuple[float, float, float]:
    """The values at 10, 50 and 90 %; `row` (N,) is left as it was."""
    scratch = row.copy()
    low, mid, high = (rank(share, len(scratch)) for share in (0.1, 0.5, 0.9))
    scratch.partition(mid)
    if low < mid:
        scratch[:mid].partition(low)
    if high > mid:
        scratch[mid + 1 :].partition(high - mid - 1)
    return scratch.item(low), scratch.item(mid), scratch.item(high)


def one(row: Row, share: float) -> float:
    """The value at one share; `row` (N,) is left as it was."""
    k = rank(share, len(row))
    return float(np.partition(row, k)[k])


def finite(value: float) -> float | None:
    """The value, or None where there is none: infinite or not a number."""
    return value if math.isfinite(value) else None


def ranged(row: Row, *, base: float = 0.0, mean: bool = False) -> Range:
    """The range of a row, `base` added (the instant to which its times are relative)."""
    low, mid, high = three(row)
    middle = finite(float(np.mean(row, dtype=np.float64)) + base) if mean else None
    return Range(finite(low + base), finite(mid + base), finite(high + base), middle)


def fact(value: float | None) -> Range:
    """A figure that is known: a range without width."""
    return Range(value, value, value, value)


class Instants:
    """Ranges of instants of one estimate, `base` (now) added; a row that several steps share is ranked once.

    Where a step follows at once, its start is the very row of the finish before it. What may have happened
    already, and was not ticked, is awaited now.
    """

    def __init__(self, base: float) -> None:
        self._base = base
        self._known: dict[int, tuple[Row, Range]] = {}

    def ranged(self, row: Row) -> Range:
        """The range of a row, which must not change any more."""
        known = self._known.get(id(row))
        if known is None or known[1].p10 is None:
            low, mid, high = three(row)
            known = self._known[id(row)] = row, Range(self._pet(low), self._pet(mid), self._pet(high))
        return known[1]

    def _pet(self, value: float) -> float | None:
        return finite(max(value, 0.0) + self._base)

    def median(self, row: Row) -> Range:
        """Only the median of a row as a range."""
        known = self._known.get(id(row))
        if known is None:
            known = row, Range(None, self._pet(one(row, 0.5)), None)
            self._known[id(row)] = known
        return Range(None, known[1].p50, None)
