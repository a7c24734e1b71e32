"""By when each crew member must be free, scenario by scenario, so that enough more can still be kept.

A bound for the search of what to keep. Every scenario may choose for itself which of the tasks ahead it
takes, if only they are worth what is still missing, and between crew members as it likes best: no set can
do better in any scenario. Since starts are made of the latest of instants, of sums and of windows alone,
"safe" then means that nobody is free later than an instant, which one pass backward finds.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np

from tracker.forecast.limits import Mask, bound_crew, clocked
from tracker.forecast.quick import Block, Run
from tracker.forecast.task_sets import Stage
from tracker.forecast.waits import Row

WORTHS = 64
"""So many amounts of missing value are told apart before each task; others count as the next lower."""
_LONG_S = 1e9
"""Longer than any excursion, and finite."""


class Reach:
    """The bound for one amount of value that is to be reached in all."""

    def __init__(
        self, stage: Stage, order: Sequence[int], firsts: Sequence[int], values: Sequence[int], target: int
    ) -> None:
        """Make the bound ready; nothing is worked out before it is asked for.

        `order`: tasks by their first nodes; `firsts`: those nodes, and past the last one. `values`: per
        task of the order.
        """
        self.stage, self.order, self.firsts, self.values = stage, order, firsts, values
        world = stage.world
        self._amounts = _amounts(values)
        self._takes = [_own_takes(stage, m) for m in order]
        # What float32 sums may round away on the longest path, so that the bound stays one.
        last = max((abs(limit.at) for limit in world.limits), default=0.0)
        self._grain = np.float32(len(world.nodes) * last * 2.0**-23 + stage.grain)
        self._clocked = [at for at, k in enumerate(stage.accounts) if clocked(world, k)]
        self._nothing = np.zeros(world.scenarios, dtype=np.float32)
        self._least: dict[tuple[int, int], list[Row]] = {}
        self._by: dict[tuple[int, int], list[Row] | None] = {}
        self._ends = self._until(target)

    def misses(self, j: int, missing: int, run: Run, inside: Row | None, left: Sequence[Row]) -> Mask | None:
        """Return the scenarios that surely fail when a run stands before task j with so much missing.

        `inside`: when everybody is inside without any task from there on, or earlier than that. `left`: per
        account what is left then. None: so much is not to be had any more.
        """
        by = self._free_by(j, missing)
        if by is None:
            return None
        out = np.zeros(self.stage.world.scenarios, dtype=np.bool_)
        for ready, latest in zip(run.ready, by, strict=True):
            if latest is not self._never:
                np.logical_or(out, ready > latest, out=out)
        if inside is not None and self.stage.world.confidence_joint:
            early = inside - self._grain
            taken = self._least_taken(j, missing)
            for k in self._clocked:
                np.logical_or(out, early > left[k] - taken[k], out=out)
        return out

    def _until(self, target: int) -> list[Row]:
        """Return per crew member, and for steps that nobody owns, until when they may be at it."""
        stage, world = self.stage, self.stage.world
        everybody = np.full(world.scenarios, _LONG_S, dtype=np.float32)
        for limit in world.limits:
            if bound_crew(world, limit) is None:
                np.minimum(everybody, np.float32(limit.at), out=everybody)
        if world.confidence_joint:
            for k, left, least in zip(
                stage.accounts, stage.always, self._least_taken(0, target), strict=True
            ):
                if clocked(world, k):
                    np.minimum(everybody, left - least, out=everybody)
        everybody += self._grain
        self._never = np.full(world.scenarios, _LONG_S, dtype=np.float32)
        nobodys = any(not node.crew for node in world.nodes)
        ends = [everybody if c in world.counted else self._never for c in range(len(world.crew))]
        for limit in world.limits:
            if bound_crew(world, limit) is not None:
                for c in set(limit.crew) & set(world.counted):
                    ends[c] = np.minimum(ends[c], np.float32(limit.at) + self._grain)
        return [*ends, everybody if nobodys else self._never]

    def _amount(self, j: int, missing: int) -> int | None:
        """Return the amount that stands for what is missing before task j; None if there is less to get."""
        amounts = self._amounts[j]
        if missing > amounts[-1]:
            return None
        return amounts[bisect_right(amounts, max(missing, 0)) - 1]

    def _least_taken(self, j: int, missing: int) -> list[Row]:
        """Return the least that tasks from j on take of each account, as far as they make up for it."""
        amount = self._amount(j, missing)
        if not amount:
            # Beyond reach as well: there the bound is asked for nothing else.
            return [self._nothing] * len(self.stage.accounts)
        if (j, amount) not in self._least:
            taking = self._least_taken(j + 1, amount - self.values[j])
            found = [row + own for row, own in zip(taking, self._takes[j], strict=True)]
            if self._amount(j + 1, amount) is not None:
                leaving = self._least_taken(j + 1, amount)
                found = [np.minimum(a, b) for a, b in zip(found, leaving, strict=True)]
            self._least[j, amount] = found
        return self._least[j, amount]

    def _free_by(self, j: int, missing: int) -> list[Row] | None:
        """Return per crew member by when they must be free before task j."""
        amount = self._amount(j, missing)
        if amount is None:
            return None
        if j == len(self.order):
            return self._ends
        if (j, amount) not in self._by:
            taking = self._free_by(j + 1, amount - self.values[j])
            leaving = self._free_by(j + 1, amount)
            ways = []
            if leaving is not None:
                ways.append(self._back(j, leaving, taken=False))
            if taking is not None and amount:
                ways.append(self._back(j, taking, taken=True))
            self._by[j, amount] = _later(ways)
        return self._by[j, amount]

    def _back(self, j: int, by: list[Row], *, taken: bool) -> list[Row]:
        """Go back over the nodes from the first of task j to the first of the next one."""
        by, needed = list(by), dict[int, Row]()
        program = self.stage.program
        for block in reversed(program.between(self.firsts[j], self.firsts[j + 1])):
            if not block.groups or (taken and self.order[j] in block.groups):
                self._back_over(block, by, needed)
        return by

    def _back_over(self, block: Block, by: list[Row], needed: dict[int, Row]) -> None:
        t = by[block.crew[0]] if block.crew else by[-1]
        for c in block.crew[1:]:
            if by[c] is not t:
                t = np.minimum(t, by[c])
        if block.at in needed:
            t = np.minimum(t, needed[block.at])
        t = t - block.seconds
        waits = not block.node.running
        if waits and block.node.gaps:
            _before_gaps(t, block, self._grain)
        for c in block.crew:
            by[c] = t
        for need in block.node.needs if waits else ():
            needed[need] = np.minimum(needed[need], t) if need in needed else t


def _amounts(values: Sequence[int]) -> list[list[int]]:
    """Return, per place in the order and after the last, ascending amounts of value to be had from there.

    From nothing to everything; where there are too many, some are left out.
    """
    out = [[0]]
    for value in reversed(values):
        sums = sorted({*out[-1], *(amount + value for amount in out[-1])})
        places = np.linspace(0, len(sums) - 1, min(WORTHS, len(sums))).astype(int)
        out.append([sums[k] for k in places])
    return out[::-1]


def _own_takes(stage: Stage, m: int) -> tuple[Row | np.float32, ...]:
    """Return what the nodes that only this task keeps take of each account."""
    nothing = (np.float32(0),) * len(stage.accounts)
    return next((rows for groups, rows in stage.takes if groups == {m}), nothing)


def _later(ways: list[list[Row]]) -> list[Row]:
    if len(ways) == 1:
        return ways[0]
    return [a if a is b else np.maximum(a, b) for a, b in zip(*ways, strict=True)]


def _before_gaps(t: Row, block: Block, grain: np.float32) -> None:
    """Move every latest start that falls into a gap back to its beginning, in place.

    One that is hardly before the opening stays: it may be there only by rounding.
    """
    regular = block.regular
    if regular is not None:
        until = (t - (np.float32(regular.opening) - 2 * grain)) / np.float32(regular.period)
        np.floor(until, out=until)
        until *= np.float32(regular.period)
        until += np.float32(regular.close + regular.period) + grain
        np.minimum(until, np.float32(regular.last) + grain, out=until)
        np.minimum(t, until, out=t)
        if regular.first_open > 0:
            t[t < np.float32(regular.first_open) - grain] = -_LONG_S
        return
    for close, opening in block.node.gaps:
        if opening == np.inf:
            np.minimum(t, np.float32(close), out=t)
        else:
            t[(t > np.float32(close)) & (t < np.float32(opening) - grain)] = np.float32(close)
