"""Chance from a seed: a draw belongs to what it is drawn for, and never depends on what was drawn before.

A draw is the SHA-256 of the seed and the names of what it is for, read as a number. Rehearsals with the
same seed are the same on every machine.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from statistics import NormalDist
from typing import TypeVar

T = TypeVar("T")

_STANDARD = NormalDist()
_BITS = 52


class Chance:
    """Draws of one seed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def uniform(self, *names: object) -> float:
        """Return a number between 0 and 1, neither included."""
        text = "\0".join(map(str, (self.seed, *names)))
        digest = hashlib.sha256(text.encode()).digest()
        return ((int.from_bytes(digest[:8], "big") >> (64 - _BITS)) + 0.5) / 2.0**_BITS

    def normal(self, *names: object) -> float:
        """Return a number of the standard normal distribution."""
        return _STANDARD.inv_cdf(self.uniform(*names))

    def between(self, low: float, high: float, *names: object) -> float:
        """Return a number between two others."""
        return low + (high - low) * self.uniform(*names)

    def happens(self, probability: float, *names: object) -> bool:
        """Return whether something of this probability happens."""
        return self.uniform(*names) < probability

    def pick(self, among: Sequence[T], *names: object) -> T:
        """Return one of several, each as likely; ValueError when there are none."""
        if not among:
            raise ValueError("there is nothing to pick from")
        return among[min(int(self.uniform(*names) * len(among)), len(among) - 1)]
