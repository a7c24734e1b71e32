"""Trend, shares and quartiles against SciPy and NumPy, and Murphy's decomposition as an identity."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy import stats

from tests.debrief.made import excursion
from tracker.debrief.forecast_scores import Forecasted, judgement
from tracker.debrief.trend import binomial_band, quartiles, reliability, theil_sen, wilson


@pytest.mark.parametrize("seed", range(20))
def test_the_line_is_that_of_theil_and_sen(seed: int) -> None:
    dice = random.Random(seed)
    n = dice.randint(8, 40)
    x = [float(i) for i in range(n)]
    y = [1.0 + 0.01 * i + dice.gauss(0, 0.1) for i in range(n)]
    if seed % 3 == 0:
        y = [round(one, 1) for one in y]
    line, theirs = theil_sen(x, y), stats.theilslopes(y, x, 0.95)
    assert line is not None
    assert (line.slope, line.intercept) == pytest.approx((theirs.slope, theirs.intercept))
    assert (line.low, line.high) == pytest.approx((theirs.low_slope, theirs.high_slope))


@pytest.mark.parametrize(("kept", "of"), [(0, 10), (3, 10), (10, 10), (47, 50), (500, 1000)])
def test_the_interval_of_a_share_is_wilsons(kept: int, of: int) -> None:
    theirs = stats.binomtest(kept, of).proportion_ci(0.95, "wilson")
    assert wilson(kept, of) == pytest.approx((theirs.low, theirs.high))


def test_quartiles_are_of_type_seven() -> None:
    values = [0.9, 1.4, 1.1, 2.0, 1.0, 1.2]
    assert quartiles(values) == pytest.approx(tuple(np.quantile(values, (0.25, 0.5, 0.75), method="linear")))


def test_the_band_of_a_bin_holds_ninety_five_of_a_hundred() -> None:
    low, high = binomial_band(400, 0.1)
    inside = stats.binom.cdf(high, 400, 0.1) - stats.binom.cdf(low, 400, 0.1)
    assert inside == pytest.approx(0.95, abs=0.02)


def test_reliability_resolution_and_uncertainty_add_up_to_the_score() -> None:
    """Brier = reliability - resolution + uncertainty on any data whose bins hold one stated chance each."""
    dice = random.Random(7)
    stated = [dice.choice((0.15, 0.45, 0.75, 0.95)) for _ in range(400)]
    came = [dice.random() < chance * 0.9 for chance in stated]
    brier = sum((chance - kept) ** 2 for chance, kept in zip(stated, came, strict=True)) / len(came)
    moments = [
        Forecasted(0, 0, 0, 0, 0, 0, 0, 0, 0, True, 0.5, chance, kept)
        for chance, kept in zip(stated, came, strict=True)
    ]
    one = excursion(judgement=judgement(moments, [0.0] * len(moments), 100))
    bins = reliability([one])
    assert sum(found.forecasts for found in bins) == len(came)
    share = sum(came) / len(came)
    weights = [found.forecasts / len(came) for found in bins]
    off = sum(w * (found.stated - found.kept) ** 2 for w, found in zip(weights, bins, strict=True))
    resolved = sum(w * (found.kept - share) ** 2 for w, found in zip(weights, bins, strict=True))
    assert brier == pytest.approx(off - resolved + share * (1 - share))
