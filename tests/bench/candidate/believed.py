"""A pace file's belief as the grid of components and the spreads of the state that a filter begins with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from tests.bench.candidate.filter import Spreads
from tests.bench.candidate.grid import (
    HABITS,
    MIXTURES,
    SIGMA_WEIGHTS,
    SIGMAS,
    USUAL_BELIEF,
    USUAL_SIGMA,
    Grid,
    mixture,
)
from tracker.forecast.prior import DEFAULT_PRIOR, PacePrior

DEFAULT_MIXTURE = "M"
WALKS = ((0.0, "level"), (0.06, "walk"), (0.15, "wander"))
"""Which process a drift of a pace file is: between two shared linearly, beyond the last that one."""
SURE = 1000.0
"""So many steps behind the noise of a pace file, and it is taken at its word."""
WIDEST = 1.5
"""However little stands behind the noise, the grid of it is at most so much wider, as logarithms."""


def believed(
    prior: PacePrior,
    processes: Mapping[str, float] | None = None,
    lateness: Mapping[str, float] | None = None,
) -> tuple[Grid, Spreads]:
    """The components and spreads that a pace file says.

    With every spread, the drift and the noise at 0 there is one component and ticks are exact: the network of
    planned times at the given pace.
    """
    exact = is_exact(prior)
    weights = processes or _of_drifts(prior)
    habits = tuple(
        replace(h, weight=(lateness or {}).get(h.id, 0.0 if lateness else h.weight)) for h in HABITS
    )
    sigmas, sigma_weights = noise_grid(prior.sigma, prior.sigma_weight)
    kept = () if exact else tuple(h for h in habits if h.weight > 0)
    return Grid(mixture(weights), sigmas, sigma_weights, kept), _spreads(prior)


def is_exact(prior: PacePrior) -> bool:
    """Whether nothing is left to chance."""
    spreads = (prior.spread, prior.sigma, prior.crew_spread, prior.work_spread, *prior.drifts)
    return not any(spreads) and not any(spread for _, spread in (*prior.crew.values(), *prior.work.values()))


def noise_grid(sigma: float, worth: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Noises and their weights: the usual ones scaled, closer together the more steps stand behind them."""
    if sigma <= 0 or worth >= SURE:
        return (sigma,), (1.0,)
    narrow = min(math.sqrt(USUAL_BELIEF / worth), WIDEST)
    return tuple(sigma * (s / USUAL_SIGMA) ** narrow for s in SIGMAS), SIGMA_WEIGHTS


def _of_drifts(prior: PacePrior) -> Mapping[str, float]:
    if (prior.drifts, prior.weights) == (DEFAULT_PRIOR.drifts, DEFAULT_PRIOR.weights):
        return MIXTURES[DEFAULT_MIXTURE]
    return of_drifts(prior.drifts, prior.weights)


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


def _spreads(prior: PacePrior) -> Spreads:
    return Spreads(
        median=prior.median,
        level=prior.spread,
        crew={c: spread for c, (_, spread) in prior.crew.items()},
        any_crew=prior.crew_spread,
        work={w: spread for w, (_, spread) in prior.work.items()},
        any_work=prior.work_spread,
    )
