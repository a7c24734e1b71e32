"""The closed forms of pace, held against brute-force numerical integration."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from tracker.forecast.durations import root
from tracker.forecast.pace import (
    MISSED_TICK,
    Belief,
    Evidence,
    Layout,
    move_on,
    observe,
    outlast,
    start,
)
from tracker.forecast.prior import PacePrior

Array = NDArray[np.float64]

ALONE = Layout((), (), 0.0)
STILL = PacePrior(drifts=(0.0,), weights=(1.0,))


def seen(layout: Layout, value: float, hours: float = 0.0, crew: tuple[str, ...] = ()) -> Evidence:
    return Evidence(layout.row(crew, (), 0.0), value, 1.0, 0.0, hours)


def taught(belief: Belief, evidence: list[Evidence], tail: float = math.inf) -> Belief:
    for each in evidence:
        belief = observe(belief, each, tail=tail)
    return belief


def test_unknown_noise_and_two_crew_effects_match_integration() -> None:
    """Level, one crew effect and the noise variance on a grid: scaled normal times inverse gamma."""
    layout = Layout(("EV1",), (), 0.0)
    prior = replace(STILL, spread=0.2, crew_spread=0.1, sigma=0.3, sigma_weight=4.0)
    values = [(0.31, ("EV1",)), (0.12, ()), (0.44, ("EV1",)), (-0.2, ()), (0.25, ("EV1",))]
    belief = taught(start(prior, layout), [seen(layout, v, crew=c) for v, c in values])

    level = np.linspace(-1.5, 1.5, 161)[:, None, None]
    effect = np.linspace(-0.8, 0.8, 121)[None, :, None]
    log_variance = np.linspace(math.log(0.003), math.log(3.0), 121)
    variance = np.exp(log_variance)[None, None, :]
    log_density = -(4.0 / 2 + 1) * np.log(variance) - 4.0 * 0.3**2 / (2 * variance) + np.log(variance)
    log_density = log_density - np.log(variance) / 2 - level**2 / (2 * variance * (0.2 / 0.3) ** 2)
    log_density = log_density - np.log(variance) / 2 - effect**2 / (2 * variance * (0.1 / 0.3) ** 2)
    for value, crew in values:
        error = value - level - (effect if crew else 0.0)
        log_density = log_density - np.log(variance) / 2 - error**2 / (2 * variance)
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    level_mean, effect_mean = float((weight * level).sum()), float((weight * effect).sum())
    level_var = float((weight * (level - level_mean) ** 2).sum())
    both = float((weight * (level - level_mean) * (effect - effect_mean)).sum())

    freedom, scale = float(belief.weight[0]), float(belief.variance[0])
    student = freedom / (freedom - 2.0) * scale
    assert belief.mean[0, 0] == pytest.approx(level_mean, abs=1e-4)
    assert belief.mean[0, 2] == pytest.approx(effect_mean, abs=1e-4)
    assert student * belief.cov[0, 0, 0] == pytest.approx(level_var, rel=2e-3)
    assert student * belief.cov[0, 0, 2] == pytest.approx(both, rel=2e-3)
    assert float((weight * variance).sum()) == pytest.approx(student, rel=2e-3)


def test_processes_are_weighed_by_their_marginal_likelihood() -> None:
    """Two drifts, known noise: the shares against the density of all observations at once."""
    prior = PacePrior(drifts=(0.0, 0.4), weights=(0.7, 0.3), sigma=0.2, sigma_weight=1e9, spread=0.3)
    hours = [0.5, 1.0, 2.0, 3.5]
    values = [0.0, 0.1, 0.5, 0.7]
    belief = start(prior, ALONE)
    belief = replace(belief, mean=belief.mean * 0.0, cov=belief.cov * np.array([[[1.0, 0.0], [0.0, 0.0]]]))
    belief = taught(belief, [seen(ALONE, v, h) for v, h in zip(values, hours, strict=True)])
    likelihood = []
    for drift in prior.drifts:
        walk = drift**2 * np.minimum.outer(hours, hours)
        cov = 0.3**2 + walk + 0.2**2 * np.eye(4)
        likelihood.append(stats.multivariate_normal(np.zeros(4), cov).pdf(values))
    shares = np.array(likelihood) * np.array(prior.weights)
    assert belief.shares() == pytest.approx(shares / shares.sum(), rel=1e-5)


def test_a_drifting_level_matches_the_joint_normal() -> None:
    """The last level given all observations, by conditioning one joint normal distribution."""
    prior = PacePrior(drifts=(0.3,), weights=(1.0,), sigma=0.25, sigma_weight=1e9, spread=0.2)
    hours, values = np.array([0.2, 0.9, 1.4, 3.0]), np.array([0.3, -0.1, 0.4, 0.6])
    belief = start(prior, ALONE)
    belief = replace(belief, mean=belief.mean * 0.0, cov=belief.cov * np.array([[[1.0, 0.0], [0.0, 0.0]]]))
    belief = taught(belief, [seen(ALONE, v, h) for v, h in zip(values, hours, strict=True)])
    belief = move_on(belief, 4.0)
    levels = 0.2**2 + 0.3**2 * np.minimum.outer([*hours, 4.0], [*hours, 4.0])
    gain = levels[4, :4] @ np.linalg.inv(levels[:4, :4] + 0.25**2 * np.eye(4))
    assert belief.mean[0, 0] == pytest.approx(float(gain @ values), abs=1e-6)
    left = levels[4, 4] - gain @ levels[:4, 4]
    assert belief.variance[0] * belief.cov[0, 0, 0] == pytest.approx(left, rel=1e-6)


@pytest.mark.parametrize("bound", [-0.8, -0.1, 0.3, 0.9, 1.5])
def test_a_step_still_going_on_moves_level_by_the_moments_of_the_mixture(bound: float) -> None:
    prior = replace(STILL, spread=0.2, sigma=0.3, sigma_weight=1e9)
    belief = outlast(start(prior, ALONE), ALONE.row((), (), 0.0), bound, 1.0)
    level = np.linspace(-2.0, 2.0, 20001)
    density = stats.norm.pdf(level, 0.0, 0.2)
    density *= (1 - MISSED_TICK) * stats.norm.sf((bound - level) / 0.3) + MISSED_TICK
    total = density.sum()
    mean = (density * level).sum() / total
    var = (density * (level - mean) ** 2).sum() / total
    assert belief.mean[0, 0] == pytest.approx(mean, abs=1e-6)
    assert belief.variance[0] * belief.cov[0, 0, 0] == pytest.approx(var, rel=1e-5)
    assert math.exp(belief.log_weight[0]) == pytest.approx(total * (level[1] - level[0]), rel=1e-5)


def test_a_very_long_overrun_is_trouble_of_its_own() -> None:
    first = start(STILL, ALONE)
    row = ALONE.row((), (), 0.0)
    moved = [float(outlast(first, row, bound, 1.0).mean[0, 0]) for bound in (0.5, 1.0, 2.0, 6.0, 40.0)]
    assert max(moved) < 0.15
    assert moved[-1] == pytest.approx(0.0, abs=1e-9)


def test_one_stuck_step_does_not_drag_the_level() -> None:
    usual = [seen(ALONE, v) for v in (0.1, -0.2, 0.3, 0.0, -0.1, 0.2, -0.3, 0.1, 0.0, 0.1)]
    before = taught(start(STILL, ALONE), usual)
    stuck = seen(ALONE, math.log(8.0))
    plain = float(observe(before, stuck, tail=math.inf).mean[0, 0] - before.mean[0, 0])
    ours = float(observe(before, stuck).mean[0, 0] - before.mean[0, 0])
    assert 0.0 < ours < 0.3 * plain


@pytest.mark.parametrize("times", [0.003, 0.05, 6.0, 40.0])
def test_one_strange_step_changes_neither_level_nor_noise_much(times: float) -> None:
    """Ticked off at once, or stuck: from the very first step on, also where noise is still to be learned."""
    first = start(STILL, ALONE)
    after = observe(first, seen(ALONE, math.log(times)))
    usual = observe(first, seen(ALONE, math.log(2.0)))
    assert abs(float(after.mean[0, 0])) < float(usual.mean[0, 0])
    assert math.sqrt(float(after.variance[0] / first.variance[0])) < 1.2


def test_the_stranger_a_step_the_less_it_pulls() -> None:
    first = start(STILL, ALONE)
    pulls = [float(observe(first, seen(ALONE, value)).mean[0, 0]) for value in (0.4, 0.8, 1.6, 3.2, 6.4)]
    assert pulls[0] < pulls[1] and pulls[1:] == sorted(pulls[1:], reverse=True)
    assert pulls[-1] > 0.0


@pytest.mark.parametrize("true", [0.20, 0.50])
def test_noise_is_learned_from_many_steps(true: float) -> None:
    """Noise far from what was believed: half the way is gone in fifty steps (mean of 20 crews)."""
    gone = []
    for seed in range(20):
        values = np.random.default_rng(seed).normal(0.0, true, 50)
        belief = taught(start(STILL, ALONE), [seen(ALONE, v) for v in values], 10.0)
        gone.append((math.sqrt(float(belief.variance[0])) - STILL.sigma) / (true - STILL.sigma))
    assert 0.5 < float(np.mean(gone)) < 1.0


def test_a_tick_that_may_be_late_counts_less() -> None:
    sharp, blurred = seen(ALONE, 0.6), replace(seen(ALONE, 0.6), clock=0.5)
    first = start(STILL, ALONE)
    assert observe(first, blurred).mean[0, 0] < 0.5 * observe(first, sharp).mean[0, 0]


def test_without_spread_nothing_is_learned() -> None:
    prior = PacePrior(spread=0.0, drifts=(0.0,), weights=(1.0,), sigma=0.0, crew_spread=0.0, work_spread=0.0)
    layout = Layout(("EV1",), ("fasten",), 1.0)
    row = layout.row(("EV1",), (("fasten", 1.0),), 0.5)
    belief = observe(start(prior, layout), Evidence(row, 0.4, 1.0, 0.01, 0.5))
    belief = outlast(belief, row, 0.7, 1.0)
    assert not belief.mean.any() and not belief.cov.any()


def test_a_joint_step_sees_the_mean_of_its_crew() -> None:
    layout = Layout(("EV1", "EV2", "IV"), ("general", "fasten"), 0.0)
    row = layout.row(("EV1", "EV2"), (("fasten", 0.25), ("general", 0.75)), -1.5)
    assert row.tolist() == [1.0, -1.5, 0.5, 0.5, 0.0, 0.75, 0.25]


def test_roots_of_covariances_also_of_singular_ones() -> None:
    rng = np.random.default_rng(3)
    half = rng.normal(size=(4, 6, 6))
    half[1, 2] = 0.0
    half[2] = half[2] @ np.diag([1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    half[3] = 0.0
    cov = half @ np.swapaxes(half, 1, 2)
    lower = root(cov)
    assert np.allclose(lower @ np.swapaxes(lower, 1, 2), cov, atol=1e-9)
    assert np.allclose(np.triu(lower, 1), 0.0)
