"""Scores against published values and against a library that computes the same independently."""

from __future__ import annotations

import math

import numpy as np
import properscoring
import pytest

from tracker.debrief.forecast_scores import (
    coverage,
    crps_samples,
    earned_schedule,
    mean_pinball,
    pinball,
)

CLOSED_FORM = [(0.0, 1.0, 0.0, 0.233695), (0.0, 1.0, 1.0, 0.602441), (10.0, 2.0, 13.0, 1.988848)]
"""Mean, sd, outcome, CRPS. Source: Gneiting and Raftery, JASA 102 (2007), closed form."""


@pytest.mark.parametrize(("mean", "sd", "actual", "expected"), CLOSED_FORM)
def test_crps_of_many_samples_approaches_the_closed_form(
    mean: float, sd: float, actual: float, expected: float
) -> None:
    # The quantiles at (i + 1/2)/N are the best N equally likely points; their error falls with N.
    from scipy.stats import norm

    points = norm.ppf((np.arange(4000) + 0.5) / 4000, mean, sd)
    assert crps_samples(points, actual) == pytest.approx(expected, abs=2e-4)


def test_crps_of_samples_agrees_with_properscoring() -> None:
    rng = np.random.default_rng(7)
    for size in (1, 2, 3, 50, 501):
        samples = rng.lognormal(1.0, 0.6, size)
        actual = float(rng.lognormal(1.0, 0.6))
        expected = float(properscoring.crps_ensemble(actual, samples))
        assert crps_samples(samples, actual) == pytest.approx(expected, rel=1e-9)


def test_crps_of_a_point_is_its_absolute_error() -> None:
    assert crps_samples([3.0], 5.5) == pytest.approx(2.5)


def test_no_sample_has_no_score() -> None:
    with pytest.raises(ValueError, match="at least one sample"):
        crps_samples([], 1.0)


def test_earned_schedule_of_lipke() -> None:
    # Planned value 0/20/40/60, earned 50 at time 3. Source: Lipke's definition.
    assert earned_schedule([0, 1, 2, 3], [0, 20, 40, 60], 50) == pytest.approx(2.5)


def test_earned_schedule_at_its_ends() -> None:
    assert earned_schedule([0, 1, 2], [0, 5, 5], 5) == 1
    assert earned_schedule([0, 1, 2], [0, 5, 5], 9) == 1
    assert earned_schedule([0, 1, 2], [0, 5, 10], 0) == 0


def test_mean_pinball_is_least_at_the_true_quantiles() -> None:
    rng = np.random.default_rng(11)
    outcomes = rng.normal(100, 10, 4000)

    def loss(shift: float) -> float:
        true = [(0.1, 87.184), (0.5, 100.0), (0.9, 112.816)]  # quantiles of N(100, 10)
        return float(np.mean([mean_pinball([(q, v + shift) for q, v in true], y) for y in outcomes]))

    assert loss(0) < loss(3)
    assert loss(0) < loss(-3)


def test_pinball_weighs_a_miss_by_its_side() -> None:
    assert pinball(10, 14, 0.9) == pytest.approx(3.6)
    assert pinball(10, 6, 0.9) == pytest.approx(0.4)


def test_coverage_counts_both_ends_as_inside() -> None:
    assert coverage([(0, 1), (0, 1), (0, 1), (0, 1)], [0, 1, 1.5, -1]) == 0.5
    assert math.isnan(coverage([], []))
