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
    """Return the state in every scenario; processes take stretches of scenarios by their probability.

    Each scenario has a noise of its own. The state's spread is taken at the estimated noise: how crews
    differ is believed in its own right, not in units of the noise.
    """
    z = np.stack([normals(uuid, name, n) for name in layout.names()])
    scale = normals(uuid, "noise", n).astype(np.float64)
    lower = root(belief.cov * belief.variance[:, None, None]).astype(np.float32)
    walk = np.sqrt(belief.drift * belief.variance)
    state = np.empty((layout.size, n), dtype=np.float32)
    sigma, drift = np.zeros(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    begin = 0
    for k, end in enumerate(np.rint(np.cumsum(belief.shares()) * n).astype(int)):
        part = slice(begin, int(end))
        begin = int(end)
        np.einsum("ij,jn->in", lower[k], z[:, part], out=state[:, part])
        state[:, part] += belief.mean[k].astype(np.float32)[:, None]
        drift[part] = walk[k]
        if prior.sigma > 0:
            sigma[part] = math.sqrt(belief.variance[k]) * _noise_scale(scale[part], float(belief.weight[k]))
    return Scenarios(state, sigma, drift)


def _noise_scale(z: Array, freedom: float) -> Array:
    """Return the root of a chi-square's median over a draw of it made from normals: median 1.

    Source: Wilson and Hilferty, PNAS 17 (1931) 684-688.
    """
    third = 2.0 / (9.0 * freedom)
    cube = np.maximum(1.0 + z * math.sqrt(third) / (1.0 - third), MOST_SIGMA ** (-2.0 / 3.0))
    return np.asarray(cube**-1.5)
