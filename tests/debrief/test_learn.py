"""What learning finds in observations whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tracker.debrief import level
from tracker.debrief.level import Level, PooledEvidence, fit_level, log_likelihood, side_by_side
from tracker.forecast.pace import Layout
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.pace_grid import PROCESSES, mixture

LAYOUT = Layout(("EV1", "EV2"), ("carry", "drive", "fasten"), 2.75)
CREW_TRUTH = np.array([-0.10, 0.10])
WORK_TRUTH = np.array([-0.20, 0.0, 0.20])
DRIFTS = PacePrior(drifts=(0.0, 0.06, 0.15), weights=(0.6, 0.25, 0.15))


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
        LAYOUT,
        value,
        np.ones(n),
        np.zeros(n),
        hours,
        hours - 2.75,
        np.exp(-hours / 0.6),
        members,
        which,
        excursions,
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
    found = fit_level(side_by_side(seen, np.concatenate([CREW_TRUTH, WORK_TRUTH])), DRIFTS)
    assert found.mean == pytest.approx(math.log(1.2), abs=0.02)
    assert found.spread == pytest.approx(0.07, abs=0.02)
    # The likelihood is Student's, for outliers; of purely normal noise it sees a little too much.
    assert found.sigma == pytest.approx(0.25, abs=0.02)
    assert found.weights[0] > 0.6


def test_drift_is_found() -> None:
    truth = np.concatenate([CREW_TRUTH, WORK_TRUTH])
    steady = fit_level(side_by_side(_season(100), truth), DRIFTS)
    drifting = fit_level(side_by_side(_season(100, drift=0.15), truth), DRIFTS)
    assert drifting.weights[2] > 0.5 > steady.weights[2]
    assert sum(drifting.weights) == pytest.approx(1.0)


def test_a_crew_that_tires_is_found_and_one_that_warms_up_too() -> None:
    hours = np.tile(np.linspace(0.1, 5.5, 60), 100)
    truth = np.concatenate([CREW_TRUTH, WORK_TRUTH])
    for name, trend in (("tires2", 0.12 * (hours - 2.75)), ("warms", 0.3 * np.exp(-hours / 0.6))):
        plain = _season(100)
        seen = replace(plain, value=plain.value + trend)
        found = fit_level(side_by_side(seen, truth), DEFAULT_PRIOR)
        weights = dict(zip(PROCESSES, found.weights, strict=True))
        assert max(weights, key=lambda one: weights[one]) == name


def test_likelihood_is_that_of_a_filter_in_matrices() -> None:
    """Level and slope as a state of two, each process by itself, Student densities of ten degrees."""
    seen = _season(1, drift=0.1, steps=25)
    prior = PacePrior(median=1.0, sigma=0.25)
    processes = mixture({p.id: p.weight for p in PROCESSES.values()})
    now = Level(0.0, prior.spread, prior.sigma, tuple(p.weight for p in processes))
    ours = log_likelihood(side_by_side(seen, np.zeros(5)), prior, now)[:, 0]
    for process, found in zip(processes, ours, strict=True):
        mean, cov = np.array([0.0, process.trend]), np.diag([prior.spread**2, process.trend_sd**2])
        total, before = 0.0, 0.0
        for value, at, past, faded in zip(seen.value, seen.hours, seen.past, seen.faded, strict=True):
            cov[0, 0] += (at - before) * process.walk**2
            before, row = at, np.array([1.0, faded if process.warms else past])
            own = (level.STUDENT_SCALE * prior.sigma) ** 2
            spread, error = row @ cov @ row, value - row @ mean
            total += stats.t.logpdf(error, 10, scale=math.sqrt(spread + own)) - stats.t.logpdf(0.0, 10)
            own *= max(1.0, error**2 / (spread + own) / 5.0)
            gain = cov @ row / (spread + own)
            mean, cov = mean + gain * error, cov - np.outer(gain, row @ cov)
        assert found == pytest.approx(total, abs=1e-9)


def test_excursions_of_different_length_stand_side_by_side() -> None:
    seen = _season(2, steps=3)
    kept = {
        name: getattr(seen, name)[:4]
        for name in ("value", "noise", "clock", "hours", "past", "faded", "members", "excursion")
    }
    short = PooledEvidence(LAYOUT, **kept, excursions=2)
    courses = side_by_side(short, np.zeros(5))
    assert courses.there.tolist() == [[True, True], [True, False], [True, False]]
    assert courses.value[:, 0].tolist() == seen.value[:3].tolist()
    assert courses.step_h[0].tolist() == [seen.hours[0], seen.hours[3]]
