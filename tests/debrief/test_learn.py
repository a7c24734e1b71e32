"""What learning finds in observations whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tracker.debrief import level
from tracker.debrief.level import Level, PooledEvidence, fit_level, log_likelihood, side_by_side
from tracker.forecast.pace import Evidence, Layout, observe, start
from tracker.forecast.prior import DEFAULT_PRIOR, PacePrior

LAYOUT = Layout(("EV1", "EV2"), ("carry", "drive", "fasten"), 2.75)
CREW_TRUTH = np.array([-0.10, 0.10])
WORK_TRUTH = np.array([-0.20, 0.0, 0.20])


def _season(excursions: int, *, drift: float = 0.0, steps: int = 60, seed: int = 3) -> PooledEvidence:
    """Return observations of excursions with median pace 1.2, spread 0.07 and noise 0.25."""
    rng = np.random.default_rng(seed)
    n = excursions * steps
    which = np.repeat(np.arange(excursions), steps)
    crew, work = rng.integers(0, 2, n), rng.integers(0, 3, n)
    members = np.zeros((n, 5))
    members[np.arange(n), crew] = 1
    members[np.arange(n), 2 + work] = 1
    hours = np.tile(np.linspace(0.1, 5.5, steps), excursions)
    walk = np.cumsum(
        rng.normal(0, drift * math.sqrt(5.5 / max(steps, 1)), (excursions, steps)), axis=1
    ).ravel()
    own = np.repeat(rng.normal(0, 0.07, excursions), steps)
    noise = rng.normal(0, 0.25, n)
    value = math.log(1.2) + own + walk + CREW_TRUTH[crew] + WORK_TRUTH[work] + noise
    return PooledEvidence(
        LAYOUT, value, np.ones(n), np.zeros(n), hours, hours - 2.75, members, which, excursions
    )


def test_effects_are_told_apart() -> None:
    found = level.fit_effects(_season(200))
    together = found.mean + found.effect[0] + found.effect[2]
    assert together == pytest.approx(math.log(1.2) - 0.30, abs=0.02)
    assert found.effect[1] - found.effect[0] == pytest.approx(0.20, abs=0.02)
    assert found.effect[4] - found.effect[2] == pytest.approx(0.40, abs=0.02)
    # An observation with an outlying value counts less, so the scale of normal noise is seen a little small.
    assert 0.20 < math.sqrt(found.noise_var) < 0.26


def test_few_steps_change_little() -> None:
    found = level.fit_effects(_season(1, steps=2))
    assert abs(found.mean - math.log(DEFAULT_PRIOR.median)) < 0.12
    assert np.abs(found.effect).max() < 0.08


def test_nothing_seen_is_the_prior() -> None:
    found = level.fit_effects(_season(1, steps=0))
    assert found.mean == pytest.approx(math.log(DEFAULT_PRIOR.median))
    assert found.noise_var == pytest.approx(DEFAULT_PRIOR.sigma**2)


def test_level_and_noise_are_found() -> None:
    seen = _season(200)
    found = fit_level(side_by_side(seen, np.concatenate([CREW_TRUTH, WORK_TRUTH])), DEFAULT_PRIOR)
    assert found.mean == pytest.approx(math.log(1.2), abs=0.02)
    assert found.spread == pytest.approx(0.07, abs=0.02)
    # The likelihood is Student's, for outliers; of purely normal noise it sees a little too much.
    assert found.sigma == pytest.approx(0.25, abs=0.02)
    assert found.weights[0] > 0.6


def test_drift_is_found() -> None:
    truth = np.concatenate([CREW_TRUTH, WORK_TRUTH])
    steady = fit_level(side_by_side(_season(100), truth), DEFAULT_PRIOR)
    drifting = fit_level(side_by_side(_season(100, drift=0.15), truth), DEFAULT_PRIOR)
    assert drifting.weights[2] > 0.5 > steady.weights[2]
    assert sum(drifting.weights) == pytest.approx(1.0)


def test_likelihood_is_that_of_the_forecast_filter() -> None:
    """With the noise known, each excursion's likelihood under each drift ranks as the forecast's own."""
    seen = _season(1, drift=0.1, steps=25)
    prior = PacePrior(median=1.0, sigma=0.25, sigma_weight=1e9)
    now = Level(0.0, prior.spread, prior.sigma * level.STUDENT_SCALE**-1, prior.weights)
    ours = log_likelihood(side_by_side(seen, np.zeros(5)), prior, now)[:, 0]
    belief = start(prior, Layout((), (), 2.75))
    for value, hours, past in zip(seen.value, seen.hours, seen.past, strict=True):
        belief = observe(belief, Evidence(np.array([1.0, past]), value, 1.0, 0.0, hours))
    theirs = belief.log_weight - np.log(prior.weights)
    assert ours - ours[0] == pytest.approx(theirs - theirs[0], abs=0.02)


def test_excursions_of_different_length_stand_side_by_side() -> None:
    seen = _season(2, steps=3)
    kept = {
        name: getattr(seen, name)[:4]
        for name in ("value", "noise", "clock", "hours", "past", "members", "excursion")
    }
    short = PooledEvidence(LAYOUT, **kept, excursions=2)
    courses = side_by_side(short, np.zeros(5))
    assert courses.there.tolist() == [[True, True], [True, False], [True, False]]
    assert courses.value[:, 0].tolist() == seen.value[:3].tolist()
    assert courses.step_h[0].tolist() == [seen.hours[0], seen.hours[3]]
