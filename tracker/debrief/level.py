"""How the level of pace differs between excursions and drifts within them, by marginal likelihood.

The likelihood is that of the forecast's own filter (`tracker.forecast.pace`), run for all excursions
at once on observations from which crew and work effects have been taken out: level at PET 0 from a
normal distribution, a random walk on the planned clock whose strength is one of a few, Student noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.debrief.effects import Seen
from tracker.forecast.pace import TAIL, Layout, softened, start
from tracker.forecast.prior import PacePrior

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
    past: Array
    """(T, J): hours beyond the middle of the plan, about which a slope turns."""
    step_h: Array
    """(T, J): hours on the planned clock since the observation before, or since PET 0."""
    there: NDArray[np.bool_]
    """(T, J): False in the gaps."""

    def by_place(self) -> Iterator[tuple[Array, ...]]:
        """Yield the rows of all fields: each excursion's first observation, their second, and so on."""
        return zip(self.value, self.noise, self.clock, self.past, self.step_h, self.there, strict=True)


@dataclass(frozen=True, slots=True)
class Level:
    """What is believed about the level of pace; logarithms."""

    mean: float
    spread: float
    sigma: float
    weights: tuple[float, ...]


def side_by_side(seen: Seen, effect: Array) -> Courses:
    """Arrange observations side by side, effects of crew and work, (crew + work,), taken out."""
    counts = np.bincount(seen.excursion, minlength=seen.excursions)
    place = np.arange(seen.value.size) - np.repeat(np.cumsum(counts) - counts, counts)
    shape = (int(counts.max(initial=0)), seen.excursions)

    def laid(values: Array, gap: float) -> Array:
        out = np.full(shape, gap)
        out[place, seen.excursion] = values
        return out

    before = np.where(place == 0, 0.0, np.roll(seen.hours, 1))
    return Courses(
        value=laid(seen.value - seen.members @ effect, 0.0),
        noise=laid(seen.noise, 1.0),
        clock=laid(seen.clock, 0.0),
        past=laid(seen.past, 0.0),
        step_h=laid(seen.hours - before, 0.0),
        there=laid(np.ones_like(seen.value), 0.0) > 0,
    )


def log_likelihood(courses: Courses, prior: PacePrior, level: Level) -> Array:
    """Return the log marginal likelihood of each excursion under each drift of the prior, (K, J).

    Constants that depend on nothing estimated here are left out.
    """
    prior = replace(prior, median=1.0, spread=level.spread, sigma=level.sigma, crew={}, work={})
    first = start(prior, Layout((), (), 0.0))
    scale = first.variance[:, None]
    pace, slope = level.mean + first.mean[:, :1], first.mean[:, 1:2]
    var, cross, var_slope = (first.cov[:, a, b, None] * scale for a, b in ((0, 0), (0, 1), (1, 1)))
    walk, total = first.drift[:, None] * scale, np.zeros((len(prior.drifts), courses.value.shape[1]))
    for value, noise, clock, past, ahead, there in courses.by_place():
        var = var + ahead * walk
        reach, reach_slope = var + past * cross, cross + past * var_slope
        spread = reach + past * reach_slope
        own = (STUDENT_SCALE * level.sigma) ** 2 * noise + clock
        error = value - pace - past * slope
        surprise = error**2 / (spread + own)
        density = -0.5 * np.log(spread + own) - 0.5 * (TAIL + 1) * np.log1p(surprise / TAIL)
        total += np.where(there, density, 0.0)
        gain = np.where(there, 1.0 / (spread + softened(own, surprise)), 0.0)
        pace, slope = pace + gain * reach * error, slope + gain * reach_slope * error
        var, cross = var - gain * reach**2, cross - gain * reach * reach_slope
        var_slope = var_slope - gain * reach_slope**2
    return total


def fit(courses: Courses, prior: PacePrior, *, rounds: int = 6) -> Level:
    """Return the level's mean, spread, noise and weights of the drifts, shrunk towards a prior."""
    now = Level(math.log(prior.median), prior.spread, prior.sigma, prior.weights)

    def score(level: Level) -> float:
        each = log_likelihood(courses, prior, level)
        return _mixed(each, level.weights) + _belief(level, prior)

    for _ in range(rounds):
        now = _tuned(now, score, "mean", now.mean - 0.3, now.mean + 0.3)
        now = _tuned(now, score, "spread", prior.spread / 8, prior.spread * 4)
        now = _tuned(now, score, "sigma", prior.sigma / 8, prior.sigma * 4)
        now = replace(now, weights=_weights(courses, prior, now))
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


def _weights(courses: Courses, prior: PacePrior, level: Level) -> tuple[float, ...]:
    """Return the weights of the drifts after one EM step."""
    each = log_likelihood(courses, prior, level)
    with np.errstate(divide="ignore"):
        each = each + np.log(level.weights)[:, None]
    share = np.exp(each - np.logaddexp.reduce(each, axis=0)).sum(axis=1)
    raw = share + BELIEF_IN_WEIGHTS * np.array(prior.weights)
    return tuple(float(x) for x in raw / raw.sum())
