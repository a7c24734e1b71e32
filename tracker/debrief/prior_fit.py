"""The belief that fits many excursions: level, crew, work, noise, processes and habits of ticking at once.

The likelihood is the forecast's own: its filters run over each journal once, with crew members and kinds of
work believed wide open. For every component of the grid that leaves a normal curve over what each of them is
worth, which any narrower belief is weighed by in closed form; so neither a round of the fit nor leaving an
excursion out runs a filter again.

Level and effects are those of a mixed model, log(actual / planned) = mean + excursion + crew + work + noise:
Henderson's equations with the excursions eliminated, variances by EM (Searle, Casella and McCulloch, Variance
Components, 1992, chapters 7 and 8). Weights of processes, noises and habits are the mode of a mixture's
posterior, by EM too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.late_ticks import ticks_of
from tracker.forecast.pace import TEMPER, Layout, middle_h, posterior
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.pace_grid import COMMON_WORK, SIGMA_WEIGHTS, SIGMAS, Grid, Spreads, believed
from tracker.journal.progress import Progress

Array = NDArray[np.float64]
Person = tuple[str, str]
"""Id and name: the same id is another person where the name is another."""

WIDE_CREW, WIDE_WORK = 0.35, 0.25
"""How widely effects are believed to spread while an excursion's filters run."""
BELIEF_IN_WEIGHTS = 6.0
"""How many excursions' worth of belief stand behind the built-in weights."""
BELIEF_IN_SPREADS = 3.0
"""How many effects' worth of belief stand behind the built-in spreads."""
BELIEF_IN_LEVEL = 1.5
"""How many excursions' worth stand behind that of the level."""
USUAL_DAY = 0.04
"""How far people, and kinds of work, are from one day to the next, as far as they are not alike that day."""
MOST_SPREAD = 0.6
"""However far apart excursions were, of one to come more is known than that."""
_ROUNDS, _STILL = 60, 1e-4


@dataclass(frozen=True, eq=False)
class Likelihood:
    """What one excursion says of its crew's and works' paces, for each of the K components of the grid.

    exp(constant + pull·c - c·precision·c / 2), where c are the q log paces beyond the built-in median: each
    crew member's with the level of the excursion in it, then each kind of work's.
    """

    crew: tuple[Person, ...]
    work: tuple[str, ...]
    precision: Array
    """(K, q, q)."""
    pull: Array
    """(K, q)."""
    constant: Array
    """(K,)."""
    share: Array
    """(q,): each one's part in the steps; the crew's add up to 1."""

    @cached_property
    def level(self) -> Array:
        """(q,): what the level of the excursion adds to."""
        return np.array([1.0] * len(self.crew) + [0.0] * len(self.work))

    @cached_property
    def along(self) -> Array:
        """(K, q): precision along the level."""
        return np.asarray(self.precision @ self.level)


@dataclass(frozen=True, eq=False)
class Fit:
    """What the excursions say; logarithms."""

    crew: tuple[Person, ...]
    work: tuple[str, ...]
    mean: float
    effect: Array
    """(crew + work,): of each crew member, then each kind of work."""
    cov: Array
    """(1 + crew + work, …): how unsure mean and effects are."""
    level_var: float
    day_var: float
    """Of each crew member and kind of work, from one excursion to the next."""
    crew_var: float
    work_var: float
    processes: Array
    """Weights, in the order of the grid; so are the next two."""
    sigmas: Array
    habits: Array
    share: Array
    """(crew + work,): each one's part in the steps."""

    @property
    def sd(self) -> Array:
        """(crew + work,): how unsure each effect is for an excursion to come, beside the others of its kind.

        What all of a kind have in common cannot be told from the level, and counts there.
        """
        out = []
        for kind in (slice(0, len(self.crew)), slice(len(self.crew), None)):
            share = self.share[kind] / max(self.share[kind].sum(), 1e-9)
            apart = np.eye(len(share)) - share
            out.append(np.diag(apart @ self.cov[1:, 1:][kind, kind] @ apart.T) + self.day_var)
        return np.sqrt(np.concatenate(out))

    @property
    def spread(self) -> float:
        """Standard deviation of the level of an excursion to come, with what is unsure beyond each effect."""
        row = np.concatenate([[1.0], self.share])
        unsure = row @ self.cov @ row - self.share**2 @ (self.sd**2 - self.day_var)
        return min(math.sqrt(self.level_var + max(0.0, float(unsure))), MOST_SPREAD)


def grid_of_learning() -> Grid:
    """The components that excursions are read by: the built-in ones."""
    return believed(DEFAULT_PRIOR)[0]


def likelihood(progress: Progress) -> Likelihood | None:
    """What an excursion says, None where no step of it tells of pace."""
    ticks = ticks_of(progress, DEFAULT_PRIOR)
    telling = [t for t in ticks if not t.blind and t.planned_s > 0]
    if not telling:
        return None
    ids = sorted({c for t in ticks for c in t.crew})
    kinds = sorted({t.work for t in ticks})
    layout, grid = Layout(tuple(ids), tuple(kinds), middle_h(progress)), grid_of_learning()
    spreads = Spreads(DEFAULT_PRIOR.median, 0.0, any_crew=WIDE_CREW, any_work=WIDE_WORK)
    belief = posterior(grid, layout, spreads, ticks, temper=1.0)
    work = [kind for kind in kinds if kind != COMMON_WORK]
    first = 2 + len(ids)
    where = [*range(2, first), *(first + kinds.index(kind) for kind in work)]
    before = np.array([WIDE_CREW] * len(ids) + [WIDE_WORK] * len(work)) ** -2.0
    mean, cov = belief.mean[:, where], belief.cov[:, where][:, :, where]
    after = np.asarray(np.linalg.inv(cov), dtype=np.float64)
    pull = np.einsum("kij,kj->ki", after, mean)
    fitted = 0.5 * (np.linalg.slogdet(cov)[1] + np.log(before).sum() + np.einsum("ki,ki->k", mean, pull))
    names = {member.id: member.name for member in progress.plan.crew}
    share = np.array([layout.row(t.crew, ((t.work, 1.0),))[where] for t in telling]).mean(axis=0)
    return Likelihood(
        tuple((c, names.get(c, c)) for c in ids),
        tuple(work),
        np.asarray(after - np.diag(before)),
        pull,
        np.asarray(belief.log_weight - grid.log_prior - fitted),
        share,
    )


def fit(seen: Sequence[Likelihood]) -> Fit:
    """The fit to these excursions, starting from and shrunk towards the built-in belief."""
    crew = tuple(sorted({c for one in seen for c in one.crew}))
    work = tuple(sorted({w for one in seen for w in one.work}))
    grid, size = grid_of_learning(), len(crew) + len(work)
    each = [p.weight for p in grid.processes], SIGMA_WEIGHTS, [h.weight for h in grid.habits]
    processes, sigmas, habits = (np.array(weights) / sum(weights) for weights in each)
    now = Fit(
        crew,
        work,
        math.log(DEFAULT_PRIOR.median),
        np.zeros(size),
        np.zeros((1 + size, 1 + size)),
        DEFAULT_PRIOR.spread**2,
        USUAL_DAY**2,
        DEFAULT_PRIOR.crew_spread**2,
        DEFAULT_PRIOR.work_spread**2,
        processes,
        sigmas,
        habits,
        _shares(seen, crew, work),
    )
    places = [[*map(crew.index, one.crew), *(len(crew) + work.index(w) for w in one.work)] for one in seen]
    weights = processes, sigmas, habits
    for _ in range(_ROUNDS if seen else 0):
        before, now = now, _round(seen, places, now, weights)
        if _moved(before, now) < _STILL:
            break
    return now


def _shares(seen: Sequence[Likelihood], crew: Sequence[Person], work: Sequence[str]) -> Array:
    out = np.zeros(len(crew) + len(work))
    for one in seen:
        where = [*map(crew.index, one.crew), *(len(crew) + work.index(w) for w in one.work)]
        out[where] += one.share / len(seen)
    return out


def _moved(before: Fit, now: Fit) -> float:
    """Return how far anything went in a round."""
    pairs = (
        (np.array([before.mean, before.level_var]), np.array([now.mean, now.level_var])),
        (before.effect, now.effect),
        (before.processes, now.processes),
        (before.sigmas, now.sigmas),
        (before.habits, now.habits),
    )
    return max(float(np.abs(a - b).max(initial=0.0)) for a, b in pairs)


def _round(
    seen: Sequence[Likelihood],
    places: Sequence[Sequence[int]],
    now: Fit,
    weights: tuple[Array, Array, Array],
) -> Fit:
    """Return the fit after one step of EM."""
    crews, size = len(now.crew), 1 + len(now.effect)
    own = np.array([now.crew_var] * crews + [now.work_var] * len(now.work))
    left = np.diag(np.concatenate([[DEFAULT_PRIOR.spread**-2.0], 1.0 / own]))
    right = np.zeros(size)
    counts = [BELIEF_IN_WEIGHTS * w for w in weights]
    blocks = []
    for one, place in zip(seen, places, strict=True):
        shares = _responsible(one, now, now.effect[place])
        for count, axes in zip(counts, ((1, 2), (0, 2), (0, 1)), strict=True):
            count += shares.sum(axis=axes)
        flat = shares.ravel()
        precision, pull = np.tensordot(flat, one.precision, 1), flat @ one.pull
        design = np.zeros((len(place), size))
        design[:, 0] = one.level
        design[range(len(place)), np.array(place) + 1] = 1.0
        # What is of this day alone is eliminated: it stands in no other excursion.
        loose_day = np.column_stack([one.level, np.eye(len(place))])
        wide = np.diag([1.0 / now.level_var] + [1.0 / now.day_var] * len(place))
        loose = np.linalg.inv(loose_day.T @ precision @ loose_day + wide)
        cross, day = design.T @ precision @ loose_day, loose_day.T @ pull
        left += design.T @ precision @ design - cross @ loose @ cross.T
        right += design.T @ pull - cross @ loose @ day
        blocks.append((loose, cross, day))
    cov = np.linalg.inv(left)
    theta = cov @ right
    days = [
        (loose @ (pull - cross.T @ theta)) ** 2 + np.diag(loose + loose @ cross.T @ cov @ cross @ loose)
        for loose, cross, pull in blocks
    ]
    squares = theta[1:] ** 2 + np.diag(cov)[1:]
    processes, sigmas, habits = (count / count.sum() for count in counts)
    return Fit(
        now.crew,
        now.work,
        math.log(DEFAULT_PRIOR.median) + float(theta[0]),
        theta[1:],
        cov,
        _shrunk(np.array([day[0] for day in days]), DEFAULT_PRIOR.spread, BELIEF_IN_LEVEL),
        _shrunk(np.concatenate([day[1:] for day in days]), USUAL_DAY),
        _shrunk(squares[:crews], DEFAULT_PRIOR.crew_spread),
        _shrunk(squares[crews:], DEFAULT_PRIOR.work_spread),
        processes,
        sigmas,
        habits,
        now.share,
    )


def _responsible(one: Likelihood, now: Fit, effect: Array) -> Array:
    """Return each component's probability for an excursion, (processes, noises, habits)."""
    beyond, var = now.mean - math.log(DEFAULT_PRIOR.median), now.level_var
    steep = one.along @ one.level
    slope = one.pull @ one.level - one.along @ effect
    fixed = one.pull @ effect - 0.5 * np.einsum("i,kij,j->k", effect, one.precision, effect)
    seen = (slope + beyond / var) ** 2 / (steep + 1.0 / var) - beyond**2 / var
    log = one.constant + fixed + 0.5 * seen - 0.5 * np.log1p(steep * var)
    by_process = log.reshape(len(now.processes), len(now.sigmas), len(now.habits))
    with np.errstate(divide="ignore"):
        by_process = by_process + np.log(now.sigmas)[:, None] + np.log(now.habits)
        top = by_process.max()
        within = np.exp(by_process - top)
        total = within.sum(axis=(1, 2))
        # None of the processes is the truth: their evidence is tempered, as in the forecast.
        tempered = np.log(now.processes) + TEMPER * np.log(total)
    share = np.exp(tempered - tempered.max())
    share /= share.sum()
    return np.asarray(within * (share / np.maximum(total, 1e-300))[:, None, None])


def _shrunk(squares: Array, spread: float, belief: float = BELIEF_IN_SPREADS) -> float:
    """Return a variance from expected squares, held by some effects' worth of belief in a spread."""
    return float((squares.sum() + belief * spread**2) / (squares.size + belief))


def noise_of(weights: Array) -> tuple[float, float]:
    """The middle of the logarithms of noises so weighed, and how far they differ: mean and deviation."""
    logs = np.log(SIGMAS)
    mean = float(weights @ logs)
    return mean, math.sqrt(float(weights @ (logs - mean) ** 2))
