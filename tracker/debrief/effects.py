"""Pace of crew members and kinds of work over many excursions, told apart by shrinkage.

The mixed model of the forecast without its drift: log(actual / planned) = mean + excursion + crew +
work + noise. Solved by Henderson's equations with the excursions eliminated, variances by EM. Source:
Searle, Casella and McCulloch, Variance Components (1992), chapters 7 and 8.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.pace import TAIL, Layout, of_progress
from tracker.forecast.prior import DEFAULT_PRIOR, PacePrior
from tracker.journal.progress import Progress

Array = NDArray[np.float64]

BELIEF_IN_SPREADS = 3.0
"""How many effects' worth of belief stand behind the built-in spreads."""
_NEUTRAL = PacePrior(median=1.0)
_ROUNDS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
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


def gather(excursions: Sequence[Progress]) -> Seen:
    """Return what the journals have seen of durations, in the order given."""
    crew = sorted({c for p in excursions for o in p.observations for c in o.crew})
    work = sorted({w for p in excursions for o in p.observations for w in o.work})
    layout = Layout(tuple(crew), tuple(work), 0.0)
    found = [
        of_progress(progress, _NEUTRAL, replace(layout, middle_h=_middle_h(progress)))
        for progress in excursions
    ]
    every = [seen for mine in found for seen in mine]
    return Seen(
        layout,
        np.array([seen.value for seen in every]),
        np.array([seen.noise for seen in every]),
        np.array([seen.clock for seen in every]),
        np.array([seen.hours for seen in every]),
        np.array([seen.row[1] for seen in every]),
        np.array([seen.row[2:] for seen in every]).reshape(len(every), layout.size - 2),
        np.repeat(np.arange(len(found)), [len(mine) for mine in found]),
        len(found),
    )


def _middle_h(progress: Progress) -> float:
    """Return the middle of the plan on its clock, in hours."""
    return max((finish for _, finish in progress.planned.values()), default=0.0) / 7200.0


def fit(seen: Seen, prior: PacePrior = DEFAULT_PRIOR) -> Effects:
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


def _round(seen: Seen, prior: PacePrior, now: Effects, weight: Array, crews: int) -> tuple[Effects, Array]:
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
    cross = _summed(seen, w[:, None] * features)
    right = np.bincount(seen.excursion, w * seen.value, seen.excursions)
    left = features.T @ (w[:, None] * features) + np.diag(precision) - cross.T @ (cross / block[:, None])
    cov = np.linalg.inv(left)
    theta = cov @ (features.T @ (w * seen.value) + pull - cross.T @ (right / block))
    level = (right - cross @ theta) / block
    level_var = 1.0 / block + np.einsum("jf,fg,jg->j", cross, cov, cross) / block**2
    residual = seen.value - features @ theta - level[seen.excursion]
    unsure = np.einsum("if,fg,ig->i", features, cov, features)
    effects = _variances(seen, prior, theta, np.diag(cov), level, level_var, crews)
    noise_var = _noise(seen, prior, now.noise_var, residual**2 + unsure, w)
    new = Effects(float(theta[0]), theta[1:], np.sqrt(np.diag(cov)[1:]), *effects, noise_var)
    return new, (TAIL + 1.0) / (TAIL + residual**2 / variance)


def _summed(seen: Seen, rows: Array) -> Array:
    """Return sums of (n, f) rows by excursion, (J, f)."""
    out = np.zeros((seen.excursions, rows.shape[1]))
    np.add.at(out, seen.excursion, rows)
    return out


def _variances(
    seen: Seen, prior: PacePrior, theta: Array, var: Array, level: Array, level_var: Array, crews: int
) -> tuple[float, float, float]:
    """Return the variances between excursions, crew members and kinds of work."""
    crew = slice(1, 1 + crews)
    work = slice(1 + crews, None)
    return (
        _shrunk(level**2 + level_var, prior.spread),
        _shrunk(theta[crew] ** 2 + var[crew], prior.crew_spread),
        _shrunk(theta[work] ** 2 + var[work], prior.work_spread),
    )


def _shrunk(squares: Array, spread: float) -> float:
    """Return a variance from expected squares, held by some effects' worth of belief in a spread."""
    belief = BELIEF_IN_SPREADS * spread**2
    return float((squares.sum() + belief) / (squares.size + BELIEF_IN_SPREADS))


def _noise(seen: Seen, prior: PacePrior, noise_var: float, squares: Array, w: Array) -> float:
    """Return the noise variance: what late ticks explain is left out observation by observation."""
    variance = noise_var * seen.noise + seen.clock
    share = noise_var * seen.noise / variance
    mine = (w * variance) * share**2 * squares / seen.noise + noise_var * seen.clock / variance
    total = float(mine.sum()) + prior.sigma_weight * prior.sigma**2
    return total / (squares.size + prior.sigma_weight)
