"""What chance makes of each step's time in every scenario, kept as long as nothing is learned about it.

Between two events only the pace of the crew moves, and that by little; how widely steps scatter stays as
it is, except in the few scenarios that go over from one process to another.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, field

import numpy as np

from tracker.forecast.draws import Normals, Row

FEW = 16
"""Where no more than one scenario in so many has another noise, only those are made anew."""


@dataclass(slots=True, eq=False)
class Noise:
    """Durations at pace 1 of whole steps, or of parts of them, in every scenario of one excursion."""

    uuid: str
    normals: Normals
    sigma: Row
    rows: dict[str, Row] = field(default_factory=dict)
    """By key; a row is written to again when its time or the noise have changed."""
    shapes: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Of the rows that hold: median in seconds, variance as a multiple of the noise variance."""

    def fill(self, key: str, shape: tuple[float, float], pace: Row, out: Row) -> None:
        """Fill `out` with a key's durations at a pace; `shape`: median in seconds, variance in noises."""
        if self.shapes.get(key) == shape:
            np.multiply(self.rows[key], pace, out)
            return
        row = self.rows.get(key)
        if row is None:
            row = self.rows[key] = np.empty_like(self.sigma)
        median, noise = self.shapes[key] = shape
        np.multiply(self.normals(key), self.sigma, out)
        if noise != 1.0:
            np.multiply(out, np.float32(math.sqrt(noise)), out)
        np.exp(out, out)
        np.multiply(out, np.float32(median), row)
        np.multiply(row, pace, out)

    def turn_to(self, sigma: Row) -> None:
        """Take over another noise."""
        other = np.flatnonzero(sigma != self.sigma)
        self.sigma = sigma
        if other.size * FEW > sigma.size:
            self.shapes.clear()
        elif other.size and self.shapes:
            self._mend(other)

    def _mend(self, columns: np.ndarray[tuple[int], np.dtype[np.intp]]) -> None:
        """Make these scenarios anew, in the same steps of arithmetic as all of them."""
        part = np.stack([self.normals(key)[columns] for key in self.shapes])
        medians, noises = np.array(list(self.shapes.values())).T[:, :, None]
        part *= self.sigma[columns]
        part *= np.sqrt(noises).astype(np.float32)
        np.exp(part, part)
        part *= medians.astype(np.float32)
        for key, some in zip(self.shapes, part, strict=True):
            self.rows[key][columns] = some


class _Memory(threading.local):
    """The last excursion of this thread."""

    noise: Noise | None = None


_memory = _Memory()


def noise_of(uuid: str, sigma: Row) -> Noise:
    """Return the durations at pace 1 of an excursion at this noise, as far as they are made already."""
    known = _memory.noise
    if known is None or known.uuid != uuid or known.sigma.size != sigma.size:
        known = _memory.noise = Noise(uuid, Normals(uuid, sigma.size), sigma)
    else:
        known.turn_to(sigma)
    return known
