"""What work takes from every account until it is broken off at an instant, for many instants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.product import by_account
from tracker.forecast.waits import Row

Matrix = NDArray[np.float32]
"""(steps or accounts, scenarios)."""


class Worked:
    """What the work before closeout takes from every account until it is broken off at an instant."""

    def __init__(
        self, start: Sequence[Row] | Matrix, finish: Sequence[Row] | Matrix, rates: Sequence[Row]
    ) -> None:
        """Take (steps, scenarios) of starts and finishes, and per account units a second of each step.

        There are steps, scenarios and accounts.
        """
        ends = np.asarray(finish, dtype=np.float32)
        # Steps that are surely done come first: one sum serves for them, whatever the instant.
        order = np.argsort(ends.max(axis=1), kind="stable")
        self.start, self.finish = np.asarray(start, dtype=np.float32)[order], ends[order]
        self.done_by, self.begun_from = self.finish.max(axis=1), self.start.min(axis=1)
        self.rates = np.stack(rates)[:, order]
        self.sums = {0: np.zeros((len(rates), ends.shape[1]), dtype=np.float32)}

    def until(self, at: np.float32) -> Matrix:
        """Return (accounts, scenarios): units at use factor 1."""
        done = int(np.searchsorted(self.done_by, at, side="right"))
        at_work = done + np.flatnonzero(self.begun_from[done:] < at)
        spent = np.minimum(self.finish[at_work], at) - self.start[at_work]
        np.maximum(spent, 0, out=spent)
        return np.asarray(self._sum(done) + by_account(self.rates[:, at_work], spent), dtype=np.float32)

    def _sum(self, done: int) -> Matrix:
        if done not in self.sums:
            before = max(known for known in self.sums if known < done)
            spent = self.finish[before:done] - self.start[before:done]
            self.sums[done] = self.sums[before] + by_account(self.rates[:, before:done], spent)
        return self.sums[done]
