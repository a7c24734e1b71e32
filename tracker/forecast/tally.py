"""What steps take from the accounts, summed while a course is played and each duration is at hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.product import alike_steps, by_account
from tracker.forecast.waits import Row
from tracker.forecast.world import World

MOST = 24
"""So many sums at most are kept: with more they would not stay in the cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Tally:
    """Sums of durations, of steps that take the same from every account together."""

    groups: tuple[tuple[int, ...], ...]
    rates: NDArray[np.float32]
    """(accounts, groups): units a second beyond waiting."""
    sums: NDArray[np.float32]
    """(groups, N): seconds."""

    @staticmethod
    def of(world: World) -> Tally | None:
        """Return sums at zero; None where steps differ too much for this to pay."""
        if not world.accounts:
            return None
        extra = np.stack([account.extra_per_s for account in world.accounts])
        groups = tuple(map(tuple, alike_steps(extra)))
        if len(groups) > MOST:
            return None
        rates = extra[:, [steps[0] for steps in groups]]
        return Tally(groups, rates, np.zeros((len(groups), world.scenarios), dtype=np.float32))

    def fork(self) -> Tally:
        """Return sums that go on from here."""
        return Tally(self.groups, self.rates, self.sums.copy())

    def rows(self) -> dict[int, Row]:
        """Return per node the sum to which its duration belongs."""
        return {i: row for row, steps in zip(self.sums, self.groups, strict=True) for i in steps}

    def beyond_waiting(self) -> NDArray[np.float32]:
        """Return (accounts, N): what the steps so far take beyond waiting, at use factor 1."""
        return by_account(self.rates, self.sums)
