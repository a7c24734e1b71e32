"""How the level of pace differs between excursions and drifts within them, by marginal likelihood.

The likelihood is that of the forecast's own filter (`tracker.forecast.pace`), run for all excursions
at once on observations from which crew and work effects have been taken out: level at PET 0 from a
normal distribution, a random walk on the planned clock whose strength is one of a few, Student noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.pace import SLOPE_PER_DRIFT, TAIL
from tracker.forecast.pace_file import PacePrior

Array = NDArray[np.float64]

BELIEF_IN_WEIGHTS = 4.0
"""How many excursions' worth of belief stand behind the prior's weights of the drifts."""
BELIEF_IN_SPREAD = 3.0
"""The same for the spread of the level."""

STUDENT_SCALE = math.sqrt((TAIL - 2) / TAIL)
"""Scale of a Student distribution over its standard deviation; `sigma` is the latter."""


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Observations of J excursions side by side; T is the longest's number, shorter ones end in gaps."""

    value: Array
    """(T, J): log pace without crew and work effects."""
    noise: Array
    """(T, J): variance as a multiple of the noise variance."""
    clock: Array
    """(T, J): variance from late ticks."""
    step_h: Array
    """(T, J): hours on the planned clock since the observation before, or since PET 0."""
    there: NDArray[np.bool_]
    """(T, J): False in the gaps."""


@dataclass(frozen=True, slots=True)
class Level:
    """What is believed about the level of pace; logarithms."""

    mean: float
    spread: float
    sigma: float
    weights: tuple[float, ...]


def side_by_side(
    value: Array, noise: Array, clock: Array, hours: Array, excursion: NDArray[np.int64], excursions: int
) -> Courses:
    """Arrange (n,) observations, ascending by excursion and within it by hours, side by side."""
    counts = np.bincount(excursion, minlength=excursions)
    place = np.arange(value.size) - np.repeat(np.cumsum(counts) - counts, counts)
    shape = (int(counts.max(initial=0)), excursions)

    def laid(values: Array, gap: float) -> Array:
        out = np.full(shape, gap)
        out[place, excursion] = values
        return out

    first = place == 0
    before = np.where(first, 0.0, np.roll(hours, 1))
    there = laid(np.ones_like(value), 0.0) > 0
    return Courses(laid(value, 0.0), laid(noise, 1.0), laid(clock, 0.0), laid(hours - before, 0.0), there)


def log_likelihood(courses: Courses, drifts: Array, mean: float, spread: float, sigma: float) -> Array:
    """Return the log marginal likelihood of each excursion under each drift, (K, J).

    Constants that depend on nothing estimated here are left out.
    """
    k, j = len(drifts), courses.value.shape[1]
    level, slope = np.full((k, j), mean), np.zeros((k, j))
    var, cross = np.full((k, j), spread**2), np.zeros((k, j))
    var_slope = np.repeat((drifts * SLOPE_PER_DRIFT)[:, None] ** 2, j, axis=1)
    walk, total = drifts[:, None] ** 2, np.zeros((k, j))
    for value, noise, clock, ahead, there in zip(
        courses.value, courses.noise, courses.clock, courses.step_h, courses.there, strict=True
    ):
        level = level + ahead * slope
        var = var + 2 * ahead * cross + ahead**2 * var_slope + ahead * walk
        cross = cross + ahead * var_slope
        own = (STUDENT_SCALE * sigma) ** 2 * noise + clock
        error = value - level
        surprise = error**2 / (var + own)
        density = -0.5 * np.log(var + own) - 0.5 * (TAIL + 1) * np.log1p(surprise / TAIL)
        total += np.where(there, density, 0.0)
        gain = np.where(there, 1.0 / (var + own * (TAIL + surprise) / (TAIL + 1)), 0.0)
        level, slope = level + gain * var * error, slope + gain * cross * error
        var_slope = var_slope - gain * cross**2
        var, cross = var - gain * var**2, cross - gain * var * cross
    return total


def fit(courses: Courses, prior: PacePrior, *, rounds: int = 6) -> Level:
    """Return the level's mean, spread, noise and weights of the drifts, shrunk towards a prior."""
    drifts = np.array(prior.drifts)
    now = Level(math.log(prior.median), prior.spread, prior.sigma, prior.weights)

    def score(level: Level) -> float:
        each = log_likelihood(courses, drifts, level.mean, level.spread, level.sigma)
        return _mixed(each, level.weights) + _belief(level, prior)

    for _ in range(rounds):
        now = _tuned(now, score, "mean", now.mean - 0.3, now.mean + 0.3)
        now = _tuned(now, score, "spread", prior.spread / 8, prior.spread * 4)
        now = _tuned(now, score, "sigma", prior.sigma / 8, prior.sigma * 4)
        now = replace(now, weights=_weights(courses, drifts, now, prior))
    return now


def _mixed(each: Array, weights: tuple[float, ...]) -> float:
    """Return the sum over excursions of the log of the weighted likelihood."""
    with np.errstate(divide="ignore"):
        return float(np.logaddexp.reduce(each + np.log(weights)[:, None], axis=0).sum())


def _belief(level: Level, prior: PacePrior) -> float:
    """Return the log density of what is believed without any excursion, up to a constant."""
    pull = -0.5 * ((level.mean - math.log(prior.median)) / prior.spread) ** 2
    for value, centre, weight in (
        (level.spread, prior.spread, BELIEF_IN_SPREAD),
        (level.sigma, prior.sigma, prior.sigma_weight),
    ):
        pull -= 0.5 * weight * ((centre / value) ** 2 + 2 * math.log(value / centre))
    return pull


def _tuned(now: Level, score: Callable[[Level], float], name: str, low: float, high: float) -> Level:
    """Return `now` with the best value between low and high for one field, by golden section."""

    def at(x: float) -> Level:
        return replace(now, **{name: x})  # type: ignore[arg-type]

    golden = (math.sqrt(5) - 1) / 2
    a, b = high - golden * (high - low), low + golden * (high - low)
    at_a, at_b = score(at(a)), score(at(b))
    for _ in range(18):
        if at_a >= at_b:
            high, b, at_b = b, a, at_a
            a = high - golden * (high - low)
            at_a = score(at(a))
        else:
            low, a, at_a = a, b, at_b
            b = low + golden * (high - low)
            at_b = score(at(b))
    best = at((low + high) / 2)
    return best if score(best) >= score(now) else now


def _weights(courses: Courses, drifts: Array, level: Level, prior: PacePrior) -> tuple[float, ...]:
    """Return the weights of the drifts after one EM step."""
    each = log_likelihood(courses, drifts, level.mean, level.spread, level.sigma)
    with np.errstate(divide="ignore"):
        each = each + np.log(level.weights)[:, None]
    share = np.exp(each - np.logaddexp.reduce(each, axis=0)).sum(axis=1)
    raw = share + BELIEF_IN_WEIGHTS * np.array(prior.weights)
    return tuple(float(x) for x in raw / raw.sum())
