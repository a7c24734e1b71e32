"""What the steps so far say about pace: dynamic linear models side by side, in closed form.

The logarithm of actual over planned time is level + crew effect + work effect + noise. The level
drifts along the planned clock, how strongly is not known: one process for each drift, weighed by how
well it predicted (multi-process models of class I: West and Harrison, Bayesian Forecasting and
Dynamic Models, 2nd ed. 1997, ch. 12), each with its own unknown noise variance (ch. 4: conjugate,
Student predictive). All arrays have the processes first: K processes, d components of the state.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.normal import hazard, upper_tail
from tracker.forecast.pace_file import PacePrior

Array = NDArray[np.float64]

TAIL = 10.0
"""Degrees of freedom of the tails that steps are expected to have where processes are weighed."""
STRANGE = 5.0
"""A squared surprise (2.2 standard deviations) beyond which a step pulls the level the less the stranger it
is, and says no more about the noise: neither a stuck fastener nor a tick after one second is a new pace."""
NOISE_SHARE = (TAIL - 4.0) / (TAIL - 1.0)
"""What a step adds to the belief about noise, in steps: squares of a noise with such tails scatter by so
much more than a normal's, 2 / (2 + excess kurtosis)."""
SLOPE_MEAN = 1.6
SLOPE_SPREAD = 1.4
"""A process that drifts also tires: slope an hour, mean and spread, as multiples of its drift squared
(the walk's variance an hour)."""
COMMON_WORK = "general"
"""The kind of work that the level of pace is meant for: no effect of its own unless a pace file says so."""
MISSED_TICK = 0.2
"""Chance that a step seems to run on for a reason that says nothing about pace."""
_LEAST_VARIANCE = 1e-10
_CERTAIN = 1e12


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the components of the state are: level, slope, crew effects, work effects."""

    crew: tuple[str, ...]
    work: tuple[str, ...]
    middle_h: float
    """Middle of the plan on the planned clock."""

    @property
    def size(self) -> int:
        """Number of components."""
        return 2 + len(self.crew) + len(self.work)

    def names(self) -> tuple[str, ...]:
        """Return a key for each component, which also keys its random numbers."""
        crew = tuple(f"crew:{c}" for c in self.crew)
        return ("level", "slope", *crew, *(f"work:{w}" for w in self.work))

    def row(self, crew: Iterable[str], work: Iterable[tuple[str, float]], past_middle_h: float) -> Array:
        """Return what a step sees of the state: its crew in the mean, kinds of work by their shares.

        `past_middle_h` is how far the step lies beyond the middle of the plan, in hours of the planned
        clock: planned times are meant for the crew at its average, so a slope turns about the middle.
        """
        row = np.zeros(self.size)
        row[0], row[1] = 1.0, past_middle_h
        members = [c for c in crew if c in self.crew]
        for c in members:
            row[2 + self.crew.index(c)] += 1.0 / len(members)
        for kind, share in work:
            row[2 + len(self.crew) + self.work.index(kind)] += share
        return row


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One finished step, batch or counted part, as an observation of the state."""

    row: Array
    """(d,): what it sees of the state."""
    value: float
    """log(actual / planned), less what the prior's medians say."""
    noise: float
    """Its variance as a multiple of the noise variance."""
    clock: float
    """Variance from ticks that come late, log; not scaled with the noise."""
    hours: float
    """Its place on the planned clock."""


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What K processes believe about the state; means are deviations from the prior's medians."""

    mean: Array
    """(K, d)."""
    cov: Array
    """(K, d, d), as a multiple of `variance`."""
    variance: Array
    """(K,): estimated noise variance."""
    weight: Array
    """(K,): steps' worth of belief behind it, the degrees of freedom."""
    log_weight: Array
    """(K,): logarithm of the processes' probabilities, up to a constant."""
    drift: Array
    """(K,): variance of the level's walk an hour, as a multiple of `variance`."""
    hours: float
    """Where on the planned clock the belief stands."""

    def shares(self) -> Array:
        """Return the processes' probabilities, (K,), which add up to 1."""
        raw = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(raw / raw.sum())


def start(prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief before the first step."""
    variance = max(prior.sigma**2, _LEAST_VARIANCE)
    drifts = np.array(prior.drifts, dtype=float)
    crew = [prior.crew[c][1] if c in prior.crew else prior.crew_spread for c in layout.crew]
    work = [
        prior.work[w][1] if w in prior.work else prior.work_spread * (w != COMMON_WORK) for w in layout.work
    ]
    k, d = len(drifts), layout.size
    spread = np.tile(np.array([prior.spread, 0.0, *crew, *work]), (k, 1))
    spread[:, 1] = drifts**2 * SLOPE_SPREAD
    mean = np.zeros((k, d))
    mean[:, 1] = drifts**2 * SLOPE_MEAN
    cov = np.zeros((k, d, d))
    cov[:, range(d), range(d)] = spread**2 / variance
    with np.errstate(divide="ignore"):
        log_weight = np.log(np.array(prior.weights, dtype=float))
    weight = prior.sigma_weight if prior.sigma > 0 else _CERTAIN
    full = np.full(k, 1.0)
    return Belief(mean, cov, full * variance, full * weight, log_weight, drifts**2 / variance, 0.0)


def move_on(belief: Belief, hours: float) -> Belief:
    """Return the belief at a later place of the planned clock: the walk widens."""
    ahead = hours - belief.hours
    if ahead <= 0:
        return belief
    cov = belief.cov.copy()
    cov[:, 0, 0] += ahead * belief.drift
    return replace(belief, cov=cov, hours=hours)


def observe(belief: Belief, seen: Evidence, *, tail: float = TAIL) -> Belief:
    """Return the belief after one observation.

    With `tail` infinite and no clock error this is the conjugate update exactly. With a finite one
    processes are weighed by Student densities of that many degrees of freedom, and what a single step can
    do to the level and to the noise is bounded.
    """
    moved = move_on(belief, seen.hours)
    reach = moved.cov @ seen.row
    spread = reach @ seen.row
    error = seen.value - moved.mean @ seen.row
    noise = seen.noise + seen.clock / moved.variance
    surprise = error**2 / (moved.variance * (spread + noise))
    log_weight = moved.log_weight + _log_student(surprise, moved, spread + noise, tail)
    share, scatter = 1.0, surprise
    if math.isfinite(tail):
        noise = softened(noise, surprise)
        share, scatter = NOISE_SHARE, np.minimum(surprise, STRANGE)
    total = spread + np.maximum(noise, 1e-12)
    gain = reach / total[:, None]
    weight = moved.weight + share
    return replace(
        moved,
        mean=moved.mean + gain * error[:, None],
        cov=moved.cov - gain[:, :, None] * reach[:, None, :],
        variance=moved.variance * (moved.weight + share * scatter) / weight,
        weight=weight,
        log_weight=log_weight,
    )


def softened(noise: Array, surprise: Array) -> Array:
    """Return a step's noise variance, raised for one that is strange; the pull on the level is bounded."""
    return np.asarray(noise * np.maximum(1.0, surprise / STRANGE))


def _log_student(surprise: Array, belief: Belief, total: Array, tail: float) -> Array:
    """Return the log predictive density, Student; constants that all processes share left out."""
    freedom = np.minimum(belief.weight, tail)
    return -0.5 * np.log(belief.variance * total) - 0.5 * (freedom + 1.0) * np.log1p(surprise / freedom)


def outlast(belief: Belief, row: Array, bound: float, noise: float) -> Belief:
    """Return the belief after a step was seen to take longer than exp(bound) times its planned time.

    It may run on for a reason of its own, or not have been ticked yet, so the likelihood is the mixture
    (1 - MISSED_TICK) P(longer) + MISSED_TICK; the first two moments of the product are kept.
    """
    reach = belief.cov @ row
    total = np.maximum(reach @ row + noise, 1e-12)
    alpha = (bound - belief.mean @ row) / np.sqrt(belief.variance * total)
    longer = upper_tail(alpha)
    likelihood = (1.0 - MISSED_TICK) * longer + MISSED_TICK
    pull = hazard(alpha) * (1.0 - MISSED_TICK) * longer / likelihood
    shift = reach * (np.sqrt(belief.variance / total) * pull)[:, None]
    shrink = pull * (pull - alpha) / total
    return replace(
        belief,
        mean=belief.mean + shift,
        cov=belief.cov - shrink[:, None, None] * reach[:, :, None] * reach[:, None, :],
        log_weight=belief.log_weight + np.log(likelihood),
    )


def root(cov: Array) -> Array:
    """Return lower triangles L with L Lᵀ = cov for a stack of covariances, also singular ones, (K, d, d).

    A component without variance of its own gets a column of zeros.
    """
    left, out = cov.copy(), np.zeros_like(cov)
    size = cov.shape[-1]
    scale = np.maximum(np.abs(cov[:, range(size), range(size)]).max(axis=1), 1e-300)
    for j in range(size):
        pivot = left[:, j, j]
        solid = pivot > 1e-13 * scale
        column = np.where(solid[:, None], left[:, :, j] / np.sqrt(np.where(solid, pivot, 1.0))[:, None], 0.0)
        column[:, :j] = 0.0
        out[:, :, j] = column
        left -= column[:, :, None] * column[:, None, :]
    return out
