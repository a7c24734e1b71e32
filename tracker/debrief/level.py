"""What many excursions say of pace: effects of crew and work first, then its level, processes and noise.

The effects come from the mixed model of the forecast without its drift: log(actual / planned) = mean +
excursion + crew + work + noise. Solved by Henderson's equations with the excursions eliminated, variances
by EM. Source: Searle, Casella and McCulloch, Variance Components (1992), chapters 7 and 8.

The level has the marginal likelihood of a filter like the forecast's own (`tracker.forecast.pace`), run for
all excursions at once on what is left: level at PET 0 from a normal distribution, then one of the forecast's
processes on the planned clock (their good and bad stretches left out), Student noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.late_ticks import Group, groups, ticks_of
from tracker.forecast.pace import Layout, logarithm, spread_of
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.pace_grid import USUAL_SIGMA, WARMING_H, mixture, weights_of
from tracker.journal.progress import Progress

Array = NDArray[np.float64]

TAIL = 10.0
"""Degrees of freedom of the tails that steps are expected to have."""
STRANGE = 5.0
"""A squared surprise (2.2 standard deviations) beyond which a step pulls the level the less the stranger it
is: neither a stuck fastener nor a tick after one second is a new pace."""
CLOCK_ERROR_S = 45.0
"""Standard deviation of a tick's lateness."""
BELIEF_IN_SPREADS = 3.0
"""How many effects' worth of belief stand behind the built-in spreads."""
_NEUTRAL = PacePrior(median=1.0)
_ROUNDS = 40


@dataclass(frozen=True, slots=True, eq=False)
class PooledEvidence:
    """All observations of several excursions, one after another; n observations, J excursions."""

    layout: Layout
    value: Array
    """(n,): log(actual / planned)."""
    noise: Array
    """(n,): variance as a multiple of the noise variance."""
    clock: Array
    """(n,): variance from late ticks."""
    hours: Array
    """(n,): place on the planned clock."""
    past: Array
    """(n,): hours beyond the middle of the plan."""
    faded: Array
    """(n,): what is left of the slowness of a crew that warms up."""
    members: Array
    """(n, crew + work): shares of the crew members and kinds of work of the layout."""
    excursion: NDArray[np.int64]
    """(n,): which excursion, ascending from 0."""
    excursions: int


@dataclass(frozen=True, slots=True, eq=False)
class Effects:
    """What the mixed model says; logarithms."""

    mean: float
    effect: Array
    """(crew + work,): of each crew member, then each kind of work."""
    sd: Array
    """(crew + work,): how unsure each of them is."""
    excursion_var: float
    crew_var: float
    work_var: float
    noise_var: float


def gather(excursions: Sequence[Progress]) -> PooledEvidence:
    """Return what the journals have seen of durations, in the order given."""
    crew = sorted({c for p in excursions for o in p.observations for c in o.crew})
    work = sorted({o.work for p in excursions for o in p.observations})
    layout = Layout(tuple(crew), tuple(work), 0.0)
    found = [_evidence(progress, layout) for progress in excursions]
    every = [seen for mine in found for seen in mine]
    return PooledEvidence(
        layout,
        np.array([seen.value for seen in every]),
        np.array([seen.noise for seen in every]),
        np.array([seen.clock for seen in every]),
        np.array([seen.hours for seen in every]),
        np.array([seen.past for seen in every]),
        np.array([seen.faded for seen in every]),
        np.array([seen.members for seen in every]).reshape(len(every), len(crew) + len(work)),
        np.repeat(np.arange(len(found)), [len(mine) for mine in found]),
        len(found),
    )


class _Seen(NamedTuple):
    """One observation; see `PooledEvidence`."""

    value: float
    noise: float
    clock: float
    hours: float
    past: float
    faded: float
    members: Array


def _evidence(progress: Progress, layout: Layout) -> list[_Seen]:
    """The observations that a journal's ticks most likely are, in the order of the planned clock."""
    # The middle of the plan on its clock, in hours.
    middle_h = max((finish for _, finish in progress.planned.values()), default=0.0) / 7200.0
    run = groups(ticks_of(progress, _NEUTRAL), DEFAULT_PRIOR.median)
    seen = [_of_group(group, layout, middle_h) for group in run if group.power > 0.5 and not group.blind]
    return sorted(seen, key=lambda one: one.hours)


def _of_group(group: Group, layout: Layout, middle_h: float) -> _Seen:
    value, second = logarithm(group.took_s, group.planned_s, group.usual_s)
    shift, variance = spread_of(np.array([USUAL_SIGMA]), group.ticks)
    past, faded, members = 0.0, 0.0, np.zeros(layout.size)
    for tick in group.ticks:
        share = tick.planned_s / group.planned_s
        past += share * (tick.clock_h - middle_h)
        faded += share * math.exp(-max(tick.clock_h, 0.0) / WARMING_H)
        members += layout.row(tick.crew, ((tick.work, 1.0),), share)
    return _Seen(
        value=value - float(shift[0]),
        noise=float(variance[0]) / USUAL_SIGMA**2,
        clock=(second * CLOCK_ERROR_S) ** 2,
        hours=min(group.ticks[-1].clock_h, group.end / 3600.0),
        past=past,
        faded=faded,
        members=members[2 : 2 + len(layout.crew) + len(layout.work)],
    )


def fit_effects(seen: PooledEvidence, prior: PacePrior = DEFAULT_PRIOR) -> Effects:
    """Return the effects, starting from and shrunk towards a prior; without an observation the prior."""
    crews = len(seen.layout.crew)
    now = Effects(
        mean=float(np.log(prior.median)),
        effect=np.zeros(seen.members.shape[1]),
        sd=np.zeros(seen.members.shape[1]),
        excursion_var=prior.spread**2,
        crew_var=prior.crew_spread**2,
        work_var=prior.work_spread**2,
        noise_var=prior.sigma**2,
    )
    weight = np.ones_like(seen.value)
    for _ in range(_ROUNDS if seen.value.size else 0):
        now, weight = _round(seen, prior, now, weight, crews)
    return now


def _round(
    seen: PooledEvidence, prior: PacePrior, now: Effects, weight: Array, crews: int
) -> tuple[Effects, Array]:
    """Return the effects after one EM step, and the weights of the observations for the next one."""
    variance = now.noise_var * seen.noise + seen.clock
    w = weight / variance
    features = np.column_stack([np.ones_like(seen.value), seen.members])
    own = np.full(seen.members.shape[1], 1.0 / now.work_var)
    own[:crews] = 1.0 / now.crew_var
    precision = np.concatenate([[1.0 / prior.spread**2], own])
    pull = np.zeros_like(precision)
    pull[0] = np.log(prior.median) * precision[0]
    # Excursion effects are eliminated: their block of the equations is diagonal.
    block = np.bincount(seen.excursion, w, seen.excursions) + 1.0 / now.excursion_var
    cross = np.zeros((seen.excursions, features.shape[1]))
    np.add.at(cross, seen.excursion, w[:, None] * features)
    right = np.bincount(seen.excursion, w * seen.value, seen.excursions)
    left = features.T @ (w[:, None] * features) + np.diag(precision) - cross.T @ (cross / block[:, None])
    cov = np.linalg.inv(left)
    theta = cov @ (features.T @ (w * seen.value) + pull - cross.T @ (right / block))
    level = (right - cross @ theta) / block
    level_var = 1.0 / block + np.einsum("jf,fg,jg->j", cross, cov, cross) / block**2
    residual = seen.value - features @ theta - level[seen.excursion]
    unsure = np.einsum("if,fg,ig->i", features, cov, features)
    squares = theta[1:] ** 2 + np.diag(cov)[1:]
    new = Effects(
        mean=float(theta[0]),
        effect=theta[1:],
        sd=np.sqrt(np.diag(cov)[1:]),
        excursion_var=_shrunk(level**2 + level_var, prior.spread),
        crew_var=_shrunk(squares[:crews], prior.crew_spread),
        work_var=_shrunk(squares[crews:], prior.work_spread),
        noise_var=_noise(seen, prior, now.noise_var, residual**2 + unsure, w),
    )
    return new, (TAIL + 1.0) / (TAIL + residual**2 / variance)


def _shrunk(squares: Array, spread: float) -> float:
    """Return a variance from expected squares, held by some effects' worth of belief in a spread."""
    belief = BELIEF_IN_SPREADS * spread**2
    return float((squares.sum() + belief) / (squares.size + BELIEF_IN_SPREADS))


def _noise(seen: PooledEvidence, prior: PacePrior, noise_var: float, squares: Array, w: Array) -> float:
    """Return the noise variance: what late ticks explain is left out observation by observation."""
    variance = noise_var * seen.noise + seen.clock
    share = noise_var * seen.noise / variance
    mine = (w * variance) * share**2 * squares / seen.noise + noise_var * seen.clock / variance
    total = float(mine.sum()) + prior.sigma_weight * prior.sigma**2
    return total / (squares.size + prior.sigma_weight)


BELIEF_IN_WEIGHTS = 4.0
"""How many excursions' worth of belief stand behind the prior's weights of the processes."""
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
    faded: Array
    """(T, J): what is left of the slowness of a crew that warms up."""
    step_h: Array
    """(T, J): hours on the planned clock since the observation before, or since PET 0."""
    there: NDArray[np.bool_]
    """(T, J): False in the gaps."""

    def by_place(self) -> Iterator[tuple[Array, ...]]:
        """Yield the rows of all fields: each excursion's first observation, their second, and so on."""
        trend = (self.past, self.faded)
        return zip(self.value, self.noise, self.clock, *trend, self.step_h, self.there, strict=True)


@dataclass(frozen=True, slots=True)
class Level:
    """What is believed about the level of pace; logarithms."""

    mean: float
    spread: float
    sigma: float
    weights: tuple[float, ...]
    """Of the prior's processes, in their order."""


def side_by_side(seen: PooledEvidence, effect: Array) -> Courses:
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
        faded=laid(seen.faded, 0.0),
        step_h=laid(seen.hours - before, 0.0),
        there=laid(np.ones_like(seen.value), 0.0) > 0,
    )


def log_likelihood(courses: Courses, prior: PacePrior, level: Level) -> Array:
    """Return the log marginal likelihood of each excursion under each process of the prior, (K, J).

    Constants that depend on nothing estimated here are left out.
    """
    processes = mixture(weights_of(prior))
    slope, sd, walk = (np.array([[p.trend, p.trend_sd, p.walk] for p in processes]).T)[:, :, None]
    warms = np.array([[p.warms] for p in processes])
    total = np.zeros((len(processes), courses.value.shape[1]))
    pace, var = np.full_like(total, level.mean), np.full_like(total, level.spread**2)
    cross, var_slope = np.zeros_like(total), sd**2
    for value, noise, clock, beyond, faded, ahead, there in courses.by_place():
        past = np.where(warms, faded, beyond)
        var = var + ahead * walk**2
        reach, reach_slope = var + past * cross, cross + past * var_slope
        spread = reach + past * reach_slope
        own = (STUDENT_SCALE * level.sigma) ** 2 * noise + clock
        error = value - pace - past * slope
        surprise = error**2 / (spread + own)
        density = -0.5 * np.log(spread + own) - 0.5 * (TAIL + 1) * np.log1p(surprise / TAIL)
        total += np.where(there, density, 0.0)
        softened = own * np.maximum(1.0, surprise / STRANGE)
        gain = np.where(there, 1.0 / (spread + softened), 0.0)
        pace, slope = pace + gain * reach * error, slope + gain * reach_slope * error
        var, cross = var - gain * reach**2, cross - gain * reach * reach_slope
        var_slope = var_slope - gain * reach_slope**2
    return total


def fit_level(courses: Courses, prior: PacePrior, *, rounds: int = 6) -> Level:
    """Return the level's mean, spread, noise and weights of the processes, shrunk towards a prior."""
    weights = tuple(p.weight for p in mixture(weights_of(prior)))
    now = Level(math.log(prior.median), prior.spread, prior.sigma, weights)

    def score(level: Level) -> float:
        mixed = np.logaddexp.reduce(_weighted(courses, prior, level), axis=0)
        return float(mixed.sum()) + _belief(level, prior)

    for _ in range(rounds):
        now = _tuned(now, score, "mean", now.mean - 0.3, now.mean + 0.3)
        now = _tuned(now, score, "spread", prior.spread / 8, prior.spread * 4)
        now = _tuned(now, score, "sigma", prior.sigma / 8, prior.sigma * 4)
        now = replace(now, weights=_weights(courses, prior, now))
    return now


def _weighted(courses: Courses, prior: PacePrior, level: Level) -> Array:
    """Return the log likelihood of each excursion under each process, by its weight, (K, J)."""
    with np.errstate(divide="ignore"):
        return log_likelihood(courses, prior, level) + np.log(level.weights)[:, None]


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
    """Return the weights of the processes after one EM step."""
    each = _weighted(courses, prior, level)
    share = np.exp(each - np.logaddexp.reduce(each, axis=0)).sum(axis=1)
    raw = share + BELIEF_IN_WEIGHTS * np.array([p.weight for p in mixture(weights_of(prior))])
    return tuple(float(x) for x in raw / raw.sum())
