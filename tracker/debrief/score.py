"""How good a forecast was: quantile loss, CRPS, coverage and the earned schedule it is held against.

All functions are pure; times may be in any unit as long as it is the same throughout.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray


def pinball(forecast: float, actual: float, level: float) -> float:
    """Return the quantile loss of a forecast quantile at `level` (0 to 1), in the unit of the values.

    Its mean is least for the true quantile. Source: Koenker and Bassett, Econometrica 46 (1978) 33-50.
    """
    miss = actual - forecast
    return level * miss if miss >= 0 else (level - 1) * miss


def mean_pinball(quantiles: Iterable[tuple[float, float]], actual: float) -> float:
    """Return the mean quantile loss over (level, forecast) pairs; NaN without a pair."""
    losses = [pinball(forecast, actual, level) for level, forecast in quantiles]
    return sum(losses) / len(losses) if losses else math.nan


def crps_samples(samples: ArrayLike, actual: float) -> float:
    """Return the continuous ranked probability score of equally likely samples, shape (N,).

    E|X - y| - E|X - X'|/2, computed from the sorted samples in O(N log N). Raises ValueError without a
    sample. Source: Gneiting and Raftery, JASA 102 (2007) 359-378, equation 21.
    """
    values: NDArray[np.float64] = np.sort(np.asarray(samples, dtype=np.float64).ravel())
    n = values.size
    if n == 0:
        raise ValueError("a score needs at least one sample")
    ranks = np.arange(1, n + 1)
    spread = float(np.dot(2 * ranks - n - 1, values)) / (n * n)
    return float(np.abs(values - actual).mean()) - spread


def crps_normal(mean: float, sd: float, actual: float) -> float:
    """Return the continuous ranked probability score of a normal forecast, closed form.

    With `sd` 0 it is the absolute error. Source: Gneiting and Raftery, JASA 102 (2007) 359-378, section 4.2.
    """
    if sd == 0:
        return abs(actual - mean)
    z = (actual - mean) / sd
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return sd * (z * math.erf(z / math.sqrt(2)) + 2 * density - 1 / math.sqrt(math.pi))


def coverage(ranges: Iterable[tuple[float, float]], actuals: Iterable[float]) -> float:
    """Return the share of actual values inside their (low, high) ranges; NaN without a range."""
    inside = [low <= actual <= high for (low, high), actual in zip(ranges, actuals, strict=True)]
    return sum(inside) / len(inside) if inside else math.nan


def earned_schedule(times: Sequence[float], planned_value: Sequence[float], earned: float) -> float:
    """Return when the value earned so far was planned to be earned, between the times by straight lines.

    `times` and `planned_value` ascend together. Earned value beyond the plan gives the last time, none the
    first. Source: Lipke's definition of earned schedule.
    """
    if earned >= planned_value[-1]:
        return next(t for t, value in zip(times, planned_value, strict=True) if value >= planned_value[-1])
    last = max((i for i, value in enumerate(planned_value) if value <= earned), default=0)
    low, high = planned_value[last], planned_value[last + 1]
    share = max(0.0, earned - low) / (high - low)
    return times[last] + share * (times[last + 1] - times[last])


def schedule_performance(earned_schedule_time: float, actual_time: float) -> float:
    """Return SPI(t), earned schedule over actual time; NaN at time zero. Source: Lipke's definition."""
    return earned_schedule_time / actual_time if actual_time > 0 else math.nan
