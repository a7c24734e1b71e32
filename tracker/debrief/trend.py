"""How a season goes: a trend with its interval, shares with theirs, quartiles, where there is enough.

Sources: Theil (1950) and Sen, JASA 63 (1968) 1379-1389, for the line and the interval of its slope; Wilson,
JASA 22 (1927) 209-212, for the interval of a share; Hyndman and Fan, American Statistician 50 (1996) 361-365,
type 7, for quartiles.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import NormalDist, median

import numpy as np

from tracker.debrief.excursion import Excursion
from tracker.foundation.text import count

LEAST = 8
"""With fewer excursions no trend is told."""
LEAST_IN_BIN = 10
"""With fewer forecasts in it nothing is said of a bin."""
CONFIDENCE = 0.95
TOO_FEW = "too few to say"


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through points: the median of all slopes, with the interval it lies in."""

    slope: float
    intercept: float
    low: float
    high: float


def theil_sen(x: Sequence[float], y: Sequence[float]) -> Line | None:
    """Return the line through points (x, y); None where no two of them differ in x."""
    first, second = np.triu_indices(len(x), 1)
    dx, dy = np.subtract.outer(x, x)[first, second], np.subtract.outer(y, y)[first, second]
    slopes = np.sort(dy[dx != 0] / dx[dx != 0])
    if not slopes.size:
        return None
    slope = float(np.median(slopes))
    low, high = _bounds(len(slopes), x, y)
    return Line(
        slope,
        float(np.median(y)) - slope * float(np.median(x)),
        float(slopes[low]),
        float(slopes[high]),
    )


def _bounds(slopes: int, x: Sequence[float], y: Sequence[float]) -> tuple[int, int]:
    """Return which of the ascending slopes bound the interval: by the variance of Kendall's score."""
    n = len(x)
    ties = sum(k * (k - 1) * (2 * k + 5) for of in (x, y) for k in _tied(of))
    sigma = math.sqrt(max(0.0, (n * (n - 1) * (2 * n + 5) - ties) / 18.0))
    z = NormalDist().inv_cdf((1 - CONFIDENCE) / 2)
    low = max(round((slopes + z * sigma) / 2.0) - 1, 0)
    return low, min(round((slopes - z * sigma) / 2.0), slopes - 1)


def _tied(values: Sequence[float]) -> list[int]:
    return [int(k) for k in np.unique(np.asarray(values), return_counts=True)[1] if k > 1]


def wilson(kept: float, of: float) -> tuple[float, float]:
    """Return the interval of a share; of nothing all of 0 to 1."""
    if not of:
        return 0.0, 1.0
    z = -NormalDist().inv_cdf((1 - CONFIDENCE) / 2)
    share, square = kept / of, z * z / of
    middle = (share + square / 2) / (1 + square)
    half = z / (1 + square) * math.sqrt(share * (1 - share) / of + square / (4 * of))
    return max(0.0, middle - half), min(1.0, middle + half)


def binomial_band(of: int, share: float) -> tuple[float, float]:
    """Return between which counts 95 of 100 fall, of so many tries with a share each, as of a normal."""
    z = -NormalDist().inv_cdf((1 - CONFIDENCE) / 2)
    half = z * math.sqrt(of * share * (1 - share))
    return max(0.0, of * share - half), of * share + half


def quartiles(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the quarter, the half and the three-quarter point of some values; ValueError for none."""
    if not values:
        raise ValueError("no values")
    low, middle, high = (float(q) for q in np.quantile(values, (0.25, 0.5, 0.75)))
    return low, middle, high


def paced(every: Sequence[Excursion]) -> list[tuple[Excursion, float]]:
    """Return the excursions that are over with their pace, by zero."""
    found = [(one, one.pace) for one in every if one.inside is not None and one.zero is not None]
    known = [(one, ratio) for one, ratio in found if ratio is not None]
    return sorted(known, key=lambda pair: (str(pair[0].zero), pair[0].uuid))


@dataclass(frozen=True, slots=True)
class Stated:
    """Forecasts that stated about the same chance of being in time."""

    forecasts: int
    stated: float
    """Mean of what they stated."""
    kept: float
    """Share of those that were in time."""
    low: float
    """Where that share may lie; forecasts of one excursion are counted as one, since they share its end."""
    high: float


def reliability(every: Sequence[Excursion]) -> list[Stated]:
    """Return stated chances beside what came of them, for each tenth with enough forecasts."""
    moments = [(one.uuid, m) for one in every if one.judgement for m in one.judgement.moments]
    out = []
    for tenth in range(10):
        mine = [(uuid, m) for uuid, m in moments if min(9, int(m.chance * 10)) == tenth]
        if len(mine) >= LEAST_IN_BIN:
            kept = sum(m.in_time for _, m in mine) / len(mine)
            ends = len({uuid for uuid, _ in mine})
            stated = sum(m.chance for _, m in mine) / len(mine)
            out.append(Stated(len(mine), stated, kept, *wilson(kept * ends, ends)))
    return out


def told(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield a season in words: how many, what was kept, how the pace goes, whether forecasts were right."""
    over = [one for one in every if one.inside is not None]
    kept = sum(one.kept is not False for one in over)
    whole = "every limit was kept and all must work done"
    yield f"{count(len(every), 'excursion')}, {len(over)} over; in {kept} of these {whole}"
    found = paced(every)
    if found:
        low, middle, high = quartiles([ratio for _, ratio in found])
        yield f"pace {middle:.2f}, half of them between {low:.2f} and {high:.2f}"
        yield f"trend: {_trend([ratio for _, ratio in found])}"
    judged = [m for one in every if one.judgement for m in one.judgement.moments]
    if len(judged) < LEAST_IN_BIN:
        yield f"forecasts: {TOO_FEW}"
    else:
        inside = sum(m.covered for m in judged)
        ends = sum(one.judgement is not None for one in every)
        low, high = wilson(inside / len(judged) * ends, ends)
        of = count(ends, "excursion")
        yield (
            f"forecasts: {inside} of {len(judged)} ranges of 80 % held the end, of {of}; "
            f"the share may lie between {100 * low:.0f} and {100 * high:.0f} %"
        )


def _trend(ratios: Sequence[float]) -> str:
    if len(ratios) < LEAST:
        return TOO_FEW
    line = theil_sen(list(range(len(ratios))), ratios)
    assert line is not None
    last = median(ratios[-5:])
    ten = [10 * slope for slope in (line.slope, line.low, line.high)]
    way = "no trend shown" if line.low <= 0 <= line.high else "slower" if line.slope > 0 else "faster"
    over_ten = f"{ten[0]:+.2f} ({ten[1]:+.2f} to {ten[2]:+.2f})"
    return f"the last five {last:.2f}; over ten excursions {over_ten}: {way}"
