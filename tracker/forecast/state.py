"""The state of pace in every scenario, drawn from a belief with the excursion's fixed numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import Row, normals
from tracker.forecast.pace import Array, Belief, Layout, root
from tracker.forecast.pace_file import PacePrior

MOST_SIGMA = 3.0
"""A scenario's noise is at most this multiple of the estimated one."""


@dataclass(frozen=True, slots=True, eq=False)
class Scenarios:
    """The state in every scenario: rows of N."""

    state: NDArray[np.float32]
    """(d, N): level now, slope, crew and work effects."""
    sigma: Row
    """Standard deviation of a step's noise."""
    drift: Row
    """Standard deviation of the level's walk over the root of an hour."""


def draw_state(uuid: str, belief: Belief, prior: PacePrior, layout: Layout, n: int) -> Scenarios:
    """Return the state in every scenario; processes take stretches of scenarios by their probability."""
    z = np.stack([normals(uuid, name, n) for name in layout.names()])
    scale = normals(uuid, "noise", n).astype(np.float64)
    lower = root(belief.cov).astype(np.float32)
    state = np.empty((layout.size, n), dtype=np.float32)
    spread, drift = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    ends = np.rint(np.cumsum(belief.shares()) * n).astype(int)
    begin = 0
    for k, end in enumerate(ends):
        part = slice(begin, int(end))
        begin = int(end)
        spread[part] = math.sqrt(belief.variance[k]) * _noise_scale(scale[part], float(belief.weight[k]))
        np.matmul(lower[k], z[:, part], out=state[:, part])
        state[:, part] *= spread[part]
        state[:, part] += belief.mean[k].astype(np.float32)[:, None]
        drift[part] = spread[part] * np.float32(math.sqrt(belief.drift[k]))
    return Scenarios(state, spread if prior.sigma > 0 else np.zeros_like(spread), drift)


def _noise_scale(z: Array, freedom: float) -> Array:
    """Return the root of freedom over a chi-square draw made from normals.

    Source: Wilson and Hilferty, PNAS 17 (1931) 684-688.
    """
    third = 2.0 / (9.0 * freedom)
    cube = np.maximum(1.0 - third + z * math.sqrt(third), MOST_SIGMA ** (-2.0 / 3.0))
    return np.asarray(cube**-1.5)
