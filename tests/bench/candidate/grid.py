"""What is believed before the first tick: processes of pace, noises and habits of ticking, as a grid.

All arrays have the K components of the grid first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

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
            Process("level", 0.0),
            Process("walk", 0.0, walk=0.08, trend=0.01, trend_sd=0.01),
            Process("wander", 0.0, walk=0.14, trend=0.03, trend_sd=0.03),
            Process("roam", 0.0, walk=0.25),
            Process("tires", 0.0, walk=0.03, trend=0.06, trend_sd=0.03),
            Process("tires2", 0.0, walk=0.04, trend=0.12, trend_sd=0.05),
            Process("warms", 0.0, walk=0.03, trend=0.30, trend_sd=0.20, warms=True),
            Process("streaks", 0.0, streak=0.25, lasting_h=0.4),
            Process("long", 0.0, streak=0.18, lasting_h=1.0),
        )
    }
)
"""Every process the forecast knows, in the order in which scenarios are shared out."""
MIXTURES: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "R": {"level": 0.45, "wander": 0.03, "tires": 0.08, "tires2": 0.04, "warms": 0.10,
              "streaks": 0.10, "long": 0.20},
        "M": {"level": 0.43, "walk": 0.06, "wander": 0.06, "roam": 0.02, "tires": 0.08, "tires2": 0.04,
              "warms": 0.14, "streaks": 0.05, "long": 0.12},
        "T": {"level": 0.25, "walk": 0.05, "wander": 0.14, "roam": 0.05, "tires": 0.13, "tires2": 0.13,
              "warms": 0.10, "streaks": 0.05, "long": 0.10},
    }
)  # fmt: skip
"""Weights of the processes: R as most crews are, T for crews that tire, M between them."""


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
