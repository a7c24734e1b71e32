"""One remaining step whose duration is wanted: its planned time, and what is known of it so far."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracker.forecast.shapes import own_shape, part_shape


@dataclass(frozen=True, slots=True)
class Ask:
    """One remaining step whose duration is wanted; planned times in seconds."""

    step: str
    crew: tuple[str, ...]
    work: str
    likely: float
    low: float | None
    high: float | None
    fixed: bool
    count: int
    counted: int
    counted_worked_s: float
    """Work time at the last count."""
    worked_s: float
    """Work time up to now."""
    running: bool
    """At work now: that it is not done yet is evidence. A step set aside only has its time so far."""
    begun: bool
    evidence: bool
    silent: bool
    clock_s: float
    """Planned PET of its middle."""
    left_s: float | None
    """The crew said that it takes this long from `left_worked_s` of work time on."""
    left_worked_s: float

    @property
    def all_counted(self) -> bool:
        """Whether every item is done, so that only the tick is wanting."""
        return self.left_s is None and self.counted >= self.count

    def shape(self, sigma: float) -> tuple[float, float, float]:
        """Return (median at pace 1, variance as multiple of the noise, work time in it) of what is timed now.

        That is the whole step, what was said to be left of it, or its next item.
        """
        if self.left_s is not None:
            return self.left_s, 1.0, max(self.worked_s - self.left_worked_s, 0.0)
        median, noise = own_shape(self.likely, self.low, self.high, sigma)
        if not 0 < self.counted < self.count:
            return median, noise, self.worked_s if self.begun else 0.0
        shift, noise = part_shape(1, self.count, sigma, noise)
        return median * math.exp(shift), noise, max(self.worked_s - self.counted_worked_s, 0.0)

    def rest(self, sigma: float) -> tuple[float, float] | None:
        """Return (median at pace 1, variance) of the items after the next one, None without such."""
        if self.left_s is not None or not 0 < self.counted < self.count - 1:
            return None
        median, noise = own_shape(self.likely, self.low, self.high, sigma)
        shift, noise = part_shape(self.count - self.counted - 1, self.count, sigma, noise)
        return median * math.exp(shift), noise
