"""How a planned time scatters: the shape of a whole step and of a part of its items."""

from __future__ import annotations

import math

HIGH_OVER_LOW = 3.29
"""Width of a 90 % interval in standard deviations: low and high are the 5 and 95 % points."""
USUAL_SIGMA = 0.33
"""The noise at which a step's own low and high are taken as they stand."""


def own_shape(likely: float, low: float | None, high: float | None, sigma: float) -> tuple[float, float]:
    """Return (median in seconds, variance as a multiple of the noise variance) of a planned time.

    With low and high the median is their geometric mean and `likely` gives way; without any noise
    (`sigma` 0) there is nothing between them, and the planned time is `likely`, as on paper.
    """
    if low is None or high is None or low <= 0 or high < low or sigma <= 0:
        return likely, 1.0
    own = math.log(high / low) / HIGH_OVER_LOW
    return math.sqrt(low * high), (own / USUAL_SIGMA) ** 2


def part_shape(items: float, of: float, sigma: float, noise: float) -> tuple[float, float]:
    """Return (shift of the log median, variance as a multiple of the noise) of some of n equal items.

    The whole is lognormal with variance `noise * sigma**2`; its items are alike and independent, so
    that mean and variance of the part are exactly `items / of` of the whole's.
    """
    if items >= of:
        return 0.0, noise
    whole = noise * sigma * sigma
    if whole < 1e-12:
        return math.log(items / of), noise * of / items
    part = math.log1p(math.expm1(whole) * of / items)
    return math.log(items / of) + 0.5 * (whole - part), part / (sigma * sigma)
