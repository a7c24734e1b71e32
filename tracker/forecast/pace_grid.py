"""What is believed before the first tick: processes of pace, noises and habits of ticking, as a grid.

A pace file's belief becomes the components of that grid here, and the spreads of the state that a filter
begins with. All arrays have the K components of the grid first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.pace_file import PacePrior

Array = NDArray[np.float64]

WARMING_H = 0.6
"""Planned hours in which the slowness of a crew that warms up falls to 1/e."""
USUAL_LENGTH_S = 600.0
"""The planned time for which the noise is meant; shorter steps scatter more, longer ones less."""
LENGTH_POWER = 0.2
LENGTH_RANGE = (0.55, 1.6)


@dataclass(frozen=True, slots=True)
class Process:
    """How pace changes over the planned clock."""

    id: str
    weight: float
    walk: float = 0.0
    """Random walk of the level, log per square-root hour."""
    trend: float = 0.0
    trend_sd: float = 0.0
    """Slope an hour about the middle of the plan, mean and spread; of one that warms up, what it begins
    with."""
    warms: bool = False
    streak: float = 0.0
    """Spread of each crew member's own good and bad stretches (Ornstein-Uhlenbeck)."""
    lasting_h: float = 1.0
    """Planned hours in which a stretch is forgotten to 1/e."""


@dataclass(frozen=True, slots=True)
class Lateness:
    """How late ticks are pressed."""

    id: str
    weight: float
    mean_s: float
    sd_s: float
    unit_s: float = 1.0
    """Instants are typed in whole multiples of it."""


SIGMAS = (0.05, 0.10, 0.17, 0.24, 0.31, 0.40, 0.55)
SIGMA_WEIGHTS = (0.02, 0.05, 0.03, 0.28, 0.36, 0.19, 0.07)
USUAL_SIGMA = 0.33
"""The noise of a pace file for which the grid stands as it is."""
USUAL_BELIEF = 6.0
"""The steps' worth of belief in it for which it does."""
HABITS = (
    Lateness("prompt", 0.62, 8.0, 12.0),
    Lateness("slow", 0.18, 40.0, 40.0),
    Lateness("late", 0.08, 100.0, 120.0),
    Lateness("minutes", 0.06, 30.0, 20.0, 60.0),
    Lateness("five_minutes", 0.06, 190.0, 120.0, 300.0),
)
PROCESSES: Mapping[str, Process] = MappingProxyType(
    {
        p.id: p
        for p in (
            Process("level", 0.43),
            Process("walk", 0.06, walk=0.08, trend=0.01, trend_sd=0.01),
            Process("wander", 0.06, walk=0.14, trend=0.03, trend_sd=0.03),
            Process("roam", 0.02, walk=0.25),
            Process("tires", 0.08, walk=0.03, trend=0.06, trend_sd=0.03),
            Process("tires2", 0.04, walk=0.04, trend=0.12, trend_sd=0.05),
            Process("warms", 0.14, walk=0.03, trend=0.30, trend_sd=0.20, warms=True),
            Process("streaks", 0.05, streak=0.25, lasting_h=0.4),
            Process("long", 0.12, streak=0.18, lasting_h=1.0),
        )
    }
)
"""Every process the forecast knows, with its built-in weight, in the order of scenarios."""
COMMON_WORK = "general"
"""The kind of work that the level of pace is meant for: no effect of its own unless a pace file says so."""
WALKS = ((0.0, "level"), (0.06, "walk"), (0.15, "wander"))
"""Which process a drift of a pace file is: between two shared linearly, beyond the last that one."""
SURE = 1000.0
"""So many steps behind the noise of a pace file, and it is taken at its word."""
WIDEST = 1.5
"""However little stands behind the noise, the grid of it is at most so much wider, as logarithms."""
HIGH_OVER_LOW = 3.29
"""Width of a 90 % interval in standard deviations: low and high are the 5 and 95 % points."""


def mixture(weights: Mapping[str, float]) -> tuple[Process, ...]:
    """The processes with these weights, which need not add up to 1; those without weight are left out."""
    total = sum(weights.values())
    return tuple(
        replace(p, weight=weights[p.id] / total) for p in PROCESSES.values() if weights.get(p.id, 0.0) > 0
    )


@dataclass(frozen=True)
class Grid:
    """The components: every process (outermost) with every noise and every habit (innermost)."""

    processes: tuple[Process, ...]
    sigmas: tuple[float, ...] = SIGMAS
    sigma_weights: tuple[float, ...] = SIGMA_WEIGHTS
    habits: tuple[Lateness, ...] = HABITS
    """None of them: ticks are exact."""

    @cached_property
    def shape(self) -> tuple[int, int, int]:
        """Numbers of processes, noises and habits."""
        return len(self.processes), len(self.sigmas), len(self._kinds)

    @cached_property
    def _kinds(self) -> tuple[Lateness, ...]:
        return self.habits or (Lateness("exact", 1.0, 0.0, 0.0),)

    @cached_property
    def size(self) -> int:
        """K."""
        return math.prod(self.shape)

    @cached_property
    def log_prior(self) -> Array:
        """(K,): logarithm of each component's prior probability."""
        parts = ([p.weight for p in self.processes], self.sigma_weights, [k.weight for k in self._kinds])
        j, i, h = (np.log(np.array(w) / sum(w)) for w in parts)
        return np.asarray((j[:, None, None] + i[:, None] + h).ravel())

    def of_process(self, values: Iterable[float]) -> Array:
        """(K,): a value per process."""
        return np.repeat(np.array(list(values), dtype=float), self.shape[1] * self.shape[2])

    def of_sigma(self, values: Array) -> Array:
        """(K,): a value per noise."""
        return np.tile(np.repeat(values, self.shape[2]), self.shape[0])

    def of_habit(self, values: Iterable[float]) -> Array:
        """(K,): a value per habit."""
        return np.tile(np.array(list(values), dtype=float), self.shape[0] * self.shape[1])

    @cached_property
    def sigma(self) -> Array:
        """(K,): the noise of a ten-minute step."""
        return self.of_sigma(np.array(self.sigmas))

    def late(self, stated: bool) -> tuple[Array, Array]:
        """(K,), (K,): mean and variance of a tick's lateness in seconds.

        Whoever states an instant states when it was: they are late by what their grid is coarse.
        """
        first = self._kinds[0]
        kinds = [first if stated and k.unit_s <= 1.0 else k for k in self._kinds]
        return self.of_habit(k.mean_s for k in kinds), self.of_habit(k.sd_s**2 for k in kinds)


def scatter(planned_s: float) -> float:
    """The noise of a step of this planned time over that of a ten-minute step."""
    raw = math.pow(max(planned_s, 60.0) / USUAL_LENGTH_S, -LENGTH_POWER)
    return min(max(raw, LENGTH_RANGE[0]), LENGTH_RANGE[1])


def own_shape(likely: float, low: float | None, high: float | None, *, certain: bool) -> tuple[float, float]:
    """The (median in seconds, noise as a multiple of a ten-minute step's) of a planned time.

    With low and high the median is their geometric mean and `likely` gives way; without any noise
    (`certain`) there is nothing between them, and the planned time is `likely`, as on paper.
    """
    if low is None or high is None or low <= 0 or high < low or certain:
        return likely, scatter(likely)
    return math.sqrt(low * high), math.log(high / low) / HIGH_OVER_LOW / USUAL_SIGMA


def offset(prior: PacePrior, crew: Sequence[str], work: str) -> float:
    """The log pace that the prior's medians expect of this crew at this work, beyond that of all."""
    out = 0.0
    for c in crew:
        out += math.log(prior.crew[c][0]) / len(crew) if c in prior.crew else 0.0
    return out + (math.log(prior.work[work][0]) if work in prior.work else 0.0)


@dataclass(frozen=True)
class Spreads:
    """How widely the state is believed to spread before the first step, logarithms."""

    median: float = 1.05
    level: float = 0.15
    crew: Mapping[str, float] = field(default_factory=dict)
    """Per crew member; others `any_crew`."""
    any_crew: float = 0.08
    work: Mapping[str, float] = field(default_factory=dict)
    any_work: float = 0.08


def believed(prior: PacePrior) -> tuple[Grid, Spreads]:
    """The components and spreads that a pace file says.

    With every spread, the drift and the noise at 0 there is one component and ticks are exact: the network of
    planned times at the given pace.
    """
    exact = is_exact(prior)
    habits = tuple(
        replace(h, weight=prior.lateness.get(h.id, 0.0) if prior.lateness else h.weight) for h in HABITS
    )
    sigmas, sigma_weights = noise_grid(prior.sigma, prior.sigma_weight)
    kept = () if exact else tuple(h for h in habits if h.weight > 0)
    spreads = Spreads(
        median=prior.median,
        level=prior.spread,
        crew={c: spread for c, (_, spread) in prior.crew.items()},
        any_crew=prior.crew_spread,
        work={w: spread for w, (_, spread) in prior.work.items()},
        any_work=prior.work_spread,
    )
    return Grid(mixture(weights_of(prior)), sigmas, sigma_weights, kept), spreads


def weights_of(prior: PacePrior) -> Mapping[str, float]:
    """The weights of the processes: as said, else as drifts mean them, else the built-in ones."""
    if prior.processes:
        return prior.processes
    if prior.drifts:
        return of_drifts(prior.drifts, prior.weights)
    return {p.id: p.weight for p in PROCESSES.values()}


def is_exact(prior: PacePrior) -> bool:
    """Whether nothing of pace is left to chance."""
    spreads = (prior.spread, prior.sigma, prior.crew_spread, prior.work_spread)
    single = [spread for _, spread in (*prior.crew.values(), *prior.work.values())]
    moving = [w for name, w in weights_of(prior).items() if name != "level"]
    return not any((*spreads, *single, *moving))


def noise_grid(sigma: float, worth: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Noises and their weights: the usual ones scaled, closer together the more steps stand behind them."""
    if sigma <= 0 or worth >= SURE:
        return (sigma,), (1.0,)
    narrow = min(math.sqrt(USUAL_BELIEF / worth), WIDEST)
    return tuple(sigma * (s / USUAL_SIGMA) ** narrow for s in SIGMAS), SIGMA_WEIGHTS


def of_drifts(drifts: Sequence[float], weights: Sequence[float]) -> dict[str, float]:
    """The weights of processes that drifts with weights mean."""
    out = {name: 0.0 for _, name in WALKS}
    for drift, weight in zip(drifts, weights, strict=True):
        for (low, name), (high, following) in pairwise(WALKS):
            if low <= drift < high:
                beyond = (drift - low) / (high - low)
                out[name] += weight * (1.0 - beyond)
                out[following] += weight * beyond
        if drift >= WALKS[-1][0]:
            out[WALKS[-1][1]] += weight
    return out
