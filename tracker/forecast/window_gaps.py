"""When a step with windows can start: gaps between openings, and patterns of gaps that repeat.

All times are seconds relative to now, and no start that is asked about lies before now. A start that finds no
later opening is infinite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tracker.forecast.draws import Row


def wait_for_opening(t: Row, gaps: Sequence[tuple[float, float]]) -> None:
    """Move every start that falls into a gap to the gap's end, in place."""
    regular = regular_gaps(tuple(gaps)) if len(gaps) > MANY_GAPS else None
    if regular is not None:
        regular.wait(t)
        return
    low, high = float(t.min()), float(t.max())
    for close, opening in gaps:
        if high < close:
            break
        if low >= opening:
            continue
        if opening == np.inf:
            t[t >= np.float32(close)] = np.inf
        else:
            np.maximum(t, (t >= np.float32(close)) * np.float32(opening), out=t)
        high = max(high, opening)


MANY_GAPS = 3
"""From so many gaps on it pays to look whether they repeat."""
SAME_S = 0.01
"""Gaps repeat when no period differs from the others by more."""


@dataclass(frozen=True, slots=True)
class RegularGaps:
    """Gaps that repeat, as on a circular orbit: one formula for all of them."""

    first_open: float
    """Before the first opening it is closed from now on, or the gaps repeat from further back."""
    close: float
    """Of some gap."""
    opening: float
    """After that gap."""
    period: float
    last: float
    """From then on there is no opening."""
    first_close: float
    """Since when it is closed before the first opening."""

    def wait(self, t: Row) -> None:
        """Move every start that falls into a gap to the gap's end, in place."""
        high = float(t.max())
        if self.first_open > 0:
            high = max(high, self.first_open)
            np.maximum(t, np.float32(self.first_open), out=t)
        ends = self._end(high)
        if ends > self.first_open:
            self.wait_inside(t, np.empty_like(t))
        if max(high, ends) >= self.last:
            t[t >= np.float32(self.last)] = np.inf

    def _end(self, t: float) -> float:
        """The end of the last gap that begins by t, as if they repeated for ever."""
        if t == math.inf:
            return t
        return self.opening + math.floor((t - self.close) / self.period) * self.period

    def before(self, t: Row) -> None:
        """Move every latest start that falls into a gap back to the gap's beginning, in place."""
        first = self.first_open + 2 * SAME_S
        early = np.minimum(t, np.float32(first))
        close = (t - np.float32(self.opening)) / np.float32(self.period)
        np.floor(close, out=close)
        close *= np.float32(self.period)
        close += np.float32(self.close + self.period)
        np.minimum(close, np.float32(self.last), out=close)
        np.minimum(t, close, out=t)
        if self.first_open > 0:
            early[(early > np.float32(self.first_close)) & (early < np.float32(self.first_open))] = (
                self.first_close
            )
            np.copyto(t, early, where=early < np.float32(first))
        else:
            np.maximum(t, early, out=t)

    def wait_inside(self, t: Row, scratch: Row) -> None:
        """Do the same where no start is negative, nor any at or after the last opening; quicker."""
        if self.first_open > 0:
            np.maximum(t, np.float32(self.first_open), out=t)
        period = np.float32(self.period)
        np.subtract(t, np.float32(self.close), out=scratch)
        np.divide(scratch, period, out=scratch)
        np.floor(scratch, out=scratch)
        np.multiply(scratch, period, out=scratch)
        np.add(scratch, np.float32(self.opening), out=scratch)
        np.maximum(t, scratch, out=t)


@lru_cache(maxsize=64)
def regular_gaps(gaps: tuple[tuple[float, float], ...]) -> RegularGaps | None:
    """The pattern of ascending gaps, None where they do not repeat.

    The first one may be cut short by the present, or longer than the others; the last one has no end.
    """
    inner = gaps[1:-1] if gaps[0][0] <= 0 else gaps[:-1]
    if len(inner) < 2 or gaps[-1][1] != np.inf:
        return None
    (close, opening), (second, _) = inner[0], inner[1]
    period = second - close
    for k, (a, b) in enumerate(inner):
        if abs(a - close - k * period) > SAME_S or abs(b - opening - k * period) > SAME_S:
            return None
    last = gaps[-1][0]
    first = gaps[0][1] if gaps[0][0] <= 0 else 0.0
    # Before the first and after the last of them the same formula must have nothing to move.
    if first < opening - period - SAME_S or last > close + len(inner) * period + SAME_S:
        return None
    return RegularGaps(first, close, opening, period, last, min(gaps[0][0], 0.0))
