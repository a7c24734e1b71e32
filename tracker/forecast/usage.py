"""When each consumable reaches its reserve: along the projected course, then on at the mean rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import Mask, weights
from tracker.forecast.waits import Row
from tracker.forecast.world import Account, Course, World

HALVINGS = 26
"""Of a day: to two thousandths of a second."""
STRETCH = 16
"""So many steps are looked at together at first, from the last one backwards, and then twice as many each
time: reserves are mostly reached late."""
BLOCK = 1024
"""About so many scenarios, of all accounts together, are looked at at a time, so that they stay in the
cache."""

Columns = NDArray[np.intp]
"""Indices of scenarios."""


def reserves_reached(
    world: World, present: Sequence[int], course: Course, beyond: NDArray[np.float32], inside: Row
) -> NDArray[np.float32]:
    """Return per account and scenario when the reserve is reached, relative to now: (accounts, N).

    `beyond` (accounts, N) is what the remaining steps take beyond waiting, at use factor 1; `inside`
    (N,) when everybody is inside. Before ingress the projected course counts, after it the crew
    member's mean rate along that course. It lies before ingress exactly when the reserve is broken at
    ingress. Now where it is reached already, infinite where nothing runs down.
    """
    counts = weights(world, present)
    found = np.empty_like(beyond)
    stores = world.stores
    shorts: list[_Pairs] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        for k, account in enumerate(world.accounts):
            early = _at_mean_rate(account, stores[k], beyond[k], inside, found[k])
            shorts.append(_Pairs.of(k, np.flatnonzero(early), stores[k], beyond[k]))
        for crew in dict.fromkeys(account.crew for account in world.accounts):
            mine = [shorts[k] for k, account in enumerate(world.accounts) if account.crew == crew]
            work = _Work(world, course, counts, _nodes_of(world, present, crew))
            settle = _side_by_side if crew == "*" else _one_after_another
            for part in _joined(mine).parts():
                settle(work, part, found)
    return found


def _at_mean_rate(account: Account, store: Row, extra: Row, inside: Row, out: Row) -> Mask:
    """Put the instant at the mean rate into `out`; return where instead it lies before ingress."""
    taken = np.float32(account.waiting_per_s) * inside
    taken += extra
    rate = np.divide(taken, inside, out=out)
    if not inside.all():
        rate[inside == 0] = account.waiting_per_s
    falls = None if rate.min() > 0 else rate > 0
    np.divide(store, rate, out=out)
    if falls is not None:
        out[~falls] = np.inf
    early = store < taken
    if not store.min() > 0:
        out[store <= 0] = 0.0
        early &= store > 0
    return early


def _nodes_of(world: World, present: Sequence[int], crew: str) -> NDArray[np.intp]:
    """Return the steps that this crew member does; for a shared store, those of anybody."""
    if crew == "*":
        return np.array([i for i in present if world.nodes[i].crew], dtype=np.intp)
    c = world.crew.index(crew)
    return np.array([i for i in present if c in world.nodes[i].crew], dtype=np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Accounts in scenarios in which their reserve is reached before ingress: rows of pairs."""

    accounts: NDArray[np.intp]
    columns: Columns
    store: Row
    taken: Row
    """What the steps up to where the search stands take beyond waiting."""

    @staticmethod
    def of(account: int, columns: Columns, store: Row, beyond: Row) -> _Pairs:
        """Return one account in some scenarios."""
        return _Pairs(np.full(len(columns), account), columns, store[columns], beyond[columns])

    def some(self, which: slice | NDArray[np.intp]) -> _Pairs:
        """Return some of the pairs."""
        return _Pairs(self.accounts[which], self.columns[which], self.store[which], self.taken[which])

    def parts(self) -> list[_Pairs]:
        """Return the pairs in parts of at most a block."""
        starts = range(0, len(self.columns), BLOCK)
        return [self.some(slice(begin, begin + BLOCK)) for begin in starts]


def _joined(pairs: Sequence[_Pairs]) -> _Pairs:
    """Return the pairs of several accounts as one."""
    return _Pairs(
        np.concatenate([one.accounts for one in pairs]),
        np.concatenate([one.columns for one in pairs]),
        np.concatenate([one.store for one in pairs]),
        np.concatenate([one.taken for one in pairs]),
    )


@dataclass(frozen=True, eq=False)
class _Work:
    """The steps that touch some accounts, in the order of the course."""

    world: World
    course: Course
    counts: NDArray[np.float32]
    nodes: NDArray[np.intp]

    def of(self, part: slice, columns: Columns) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return finish and duration of some of the steps in some scenarios: (steps, columns)."""
        nodes = self.nodes[part]
        if not nodes.size:
            nothing = np.zeros((0, len(columns)), dtype=np.float32)
            return nothing, nothing
        rows, counts = self.world.durations, self.counts[nodes][:, None]
        # Rows lie in memory one after another: taking by place is twice as fast as by row and column.
        places = nodes[:, None] * rows.shape[1] + columns
        worked = rows.reshape(-1).take(places)
        if (counts != 1).any():
            worked *= counts
        if self.course.table is not None:
            return self.course.table.reshape(-1).take(places), worked
        return np.stack([self.course.finish[int(i)][columns] for i in nodes]), worked

    @cached_property
    def waiting(self) -> Row:
        """(accounts,): what waiting takes a second."""
        return np.array([account.waiting_per_s for account in self.world.accounts], dtype=np.float32)

    @cached_property
    def extra(self) -> NDArray[np.float32]:
        """(steps, accounts): what each step takes a second beyond that."""
        return np.stack([account.extra_per_s[self.nodes] for account in self.world.accounts], axis=1)


def _one_after_another(work: _Work, pairs: _Pairs, found: NDArray[np.float32]) -> None:
    """Settle when one crew member's steps, one after another, have used each store up.

    From the last steps backwards, a stretch at a time, until every scenario is settled.
    """
    end, size = len(work.nodes), STRETCH
    found[pairs.accounts, pairs.columns] = (pairs.store - pairs.taken) / work.waiting[pairs.accounts]
    # Where steps take no more than waiting does, what was just set stands.
    pairs = pairs.some(np.flatnonzero(np.count_nonzero(work.extra, axis=0)[pairs.accounts]))
    while end and pairs.columns.size:
        begin = max(0, end - size)
        pairs = _settle(work, pairs, slice(begin, end), found)
        end, size = begin + 1 if begin else 0, 2 * size


def _settle(work: _Work, pairs: _Pairs, part: slice, found: NDArray[np.float32]) -> _Pairs:
    """Settle in a stretch of steps; return the pairs that lie before it.

    Steps at whose end something is left come first, since use never falls: their number says where.
    """
    finish, worked = work.of(part, pairs.columns)
    waiting, extra = work.waiting[pairs.accounts], work.extra[part, pairs.accounts]
    takes = np.multiply(worked, extra, dtype=np.float32)
    for earlier, later in pairwise(takes):
        later += earlier
    start_with = pairs.taken - takes[-1]
    used = waiting * finish
    used += takes
    place = np.add.reduce(used < pairs.store - start_with, axis=0, dtype=np.int16)
    across, at = np.arange(len(place)), np.minimum(place, len(extra) - 1)
    before = start_with + np.where(place > 0, takes[place - 1, across], np.float32(0))
    start = finish[at, across] - worked[at, across]
    resting = (pairs.store - before) / waiting
    working = start + (pairs.store - before - waiting * start) / (waiting + extra[at, across])
    rest = (place == len(extra)) | (resting <= start)
    found[pairs.accounts, pairs.columns] = np.where(rest, resting, working)
    # Used up by the end of the first of them: perhaps even before, so look at those before it.
    left = np.flatnonzero(place == 0)
    pairs = pairs.some(left)
    return replace(pairs, taken=(start_with + takes[0])[left])


def _side_by_side(work: _Work, pairs: _Pairs, found: NDArray[np.float32]) -> None:
    """Settle when steps of several crew members have used a shared store up, by halving the time."""
    finish, worked = work.of(slice(None), pairs.columns)
    waiting, extra = work.waiting[pairs.accounts], work.extra[:, pairs.accounts]
    start = finish - worked
    ends = np.max(finish, axis=0, initial=0.0)
    high = np.where(np.isfinite(ends), ends, np.float32(0))
    high = np.where(waiting > 0, np.maximum(high, pairs.store / waiting), high)
    low = np.zeros_like(pairs.store)
    for _ in range(HALVINGS):
        middle = (low + high) / np.float32(2)
        used = waiting * middle + np.einsum("ij,ij->j", extra, np.clip(middle - start, 0, worked))
        enough = used >= pairs.store
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    found[pairs.accounts, pairs.columns] = high
