"""When each consumable reaches its reserve: along the projected course, then on at the mean rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import Mask, weights
from tracker.forecast.world import Account, Course, Row, World

HALVINGS = 26
"""Of a day: to two thousandths of a second."""
STRETCH = 48
"""So many steps are looked at together, from the last one backwards: reserves are mostly reached late."""
BLOCK = 1024
"""So many scenarios are looked at together, so that they stay in the cache."""

Columns = NDArray[np.intp]
"""Indices of scenarios."""


def reserves_reached(
    world: World, present: Sequence[int], course: Course, beyond: NDArray[np.float32], inside: Row
) -> list[Row]:
    """Return per account and scenario when the reserve is reached, relative to now.

    `beyond` (accounts, N) is what the remaining steps take beyond waiting, at use factor 1; `inside`
    (N,) when everybody is inside. Before ingress the projected course counts, after it the crew
    member's mean rate along that course. It lies before ingress exactly when the reserve is broken at
    ingress. Now where it is reached already, infinite where nothing runs down.
    """
    counts = weights(world, present)
    stores = [(a.level - np.float32(a.reserve)) / a.use for a in world.accounts]
    found = [_at_mean_rate(*one, inside) for one in zip(world.accounts, stores, beyond, strict=True)]
    for crew in dict.fromkeys(account.crew for account in world.accounts):
        mine = [k for k, a in enumerate(world.accounts) if a.crew == crew and found[k][1].any()]
        work = _Work(world, course, counts, _nodes_of(world, present, crew))
        settle = _side_by_side if crew == "*" else _one_after_another
        with np.errstate(divide="ignore", invalid="ignore"):
            for part in _parts([found[k][1] for k in mine]):
                settle(
                    work,
                    [
                        _Short(world.accounts[k], part, found[k][1], stores[k], beyond[k], found[k][0])
                        for k in mine
                    ],
                )
    return [row for row, _ in found]


def _parts(shorts: Sequence[Mask]) -> list[slice]:
    """Return the scenarios in parts of which each has at most about a block of short ones."""
    if not shorts:
        return []
    n, most = len(shorts[0]), max(int(np.count_nonzero(short)) for short in shorts)
    size = -(-n // max(1, -(-most // BLOCK)))
    return [slice(begin, begin + size) for begin in range(0, n, size)]


def _at_mean_rate(account: Account, store: Row, extra: Row, inside: Row) -> tuple[Row, Mask]:
    """Return the instant at the mean rate, and where instead it lies before ingress."""
    waiting = np.float32(account.waiting_per_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = waiting * inside + extra
        mean = np.where(inside > 0, taken / inside, waiting)
        row = np.where(mean > 0, inside + (store - taken) / mean, np.float32(np.inf)).astype(np.float32)
        short = (store < taken) & (store > 0)
    row[store <= 0] = 0.0
    return row, short


def _nodes_of(world: World, present: Sequence[int], crew: str) -> NDArray[np.intp]:
    """Return the steps that this crew member does; for a shared store, those of anybody."""
    if crew == "*":
        return np.array([i for i in present if world.nodes[i].crew], dtype=np.intp)
    c = world.crew.index(crew)
    return np.array([i for i in present if c in world.nodes[i].crew], dtype=np.intp)


@dataclass(frozen=True, slots=True, eq=False)
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
        if self.course.table is None:
            finish = np.stack([self.course.finish[int(i)][columns] for i in nodes])
            return finish, rows[np.ix_(nodes, columns)] * counts
        # Both lie in memory row after row: taking by place is twice as fast as by row and column.
        places = nodes[:, None] * rows.shape[1] + columns
        return self.course.table.reshape(-1).take(places), rows.reshape(-1).take(places) * counts


class _Short:
    """One account in the scenarios in which its reserve is reached before ingress."""

    def __init__(self, account: Account, part: slice, short: Mask, store: Row, beyond: Row, row: Row) -> None:
        self.account = account
        self.columns = columns = np.flatnonzero(short[part]) + part.start
        """Scenarios that are still to be settled."""
        self.store = store[columns]
        self.taken = beyond[columns]
        """What the steps up to where the search stands take beyond waiting."""
        self.row = row
        """(N,): the result."""
        waiting = np.float32(account.waiting_per_s)
        row[columns] = (self.store - self.taken) / waiting

    def settle(
        self,
        finish: NDArray[np.float32],
        worked: NDArray[np.float32],
        extra: NDArray[np.float32],
        *,
        first: bool,
    ) -> None:
        """Look at a stretch of steps: (steps, columns); `first` when none comes before it.

        Those at whose end something is left come first, since use never falls: their number says where.
        """
        waiting = np.float32(self.account.waiting_per_s)
        takes = np.cumsum(worked * extra[:, None], axis=0, dtype=np.float32)
        start_with = self.taken - takes[-1]
        place = np.count_nonzero(waiting * finish + start_with + takes < self.store, axis=0)
        across, at = np.arange(len(place)), np.minimum(place, len(extra) - 1)
        before = start_with + np.where(place > 0, takes[place - 1, across], np.float32(0))
        start = finish[at, across] - worked[at, across]
        resting = (self.store - before) / waiting
        working = start + (self.store - before - waiting * start) / (waiting + extra[at])
        self.row[self.columns] = np.where((place == len(extra)) | (resting <= start), resting, working)
        # Used up by the end of the first of them: perhaps even before, so look at those before it.
        left = np.flatnonzero(place == 0) if not first else np.zeros(0, dtype=np.intp)
        self.columns, self.store = self.columns[left], self.store[left]
        self.taken = (start_with + takes[0])[left]


def _one_after_another(work: _Work, shorts: Sequence[_Short]) -> None:
    """Settle when one crew member's steps, one after another, have used each store up.

    From the last steps backwards, a stretch at a time, until every scenario is settled.
    """
    # Where steps take no more than waiting does, what was set at first stands.
    shorts = [short for short in shorts if short.account.extra_per_s[work.nodes].any()]
    end = len(work.nodes)
    while end and (open_ := [short for short in shorts if short.columns.size]):
        begin = max(0, end - STRETCH)
        part = slice(begin, end)
        columns = np.unique(np.concatenate([short.columns for short in open_]))
        finish, worked = work.of(part, columns)
        for short in open_:
            mine = np.searchsorted(columns, short.columns)
            extra = short.account.extra_per_s[work.nodes[part]]
            short.settle(finish[:, mine], worked[:, mine], extra, first=begin == 0)
        end = begin + 1


def _side_by_side(work: _Work, shorts: Sequence[_Short]) -> None:
    """Settle when steps of several crew members have used a shared store up, by halving the time."""
    for short in shorts:
        short.row[short.columns] = _halved(work, short.account, short.columns, short.store)


def _halved(work: _Work, account: Account, columns: Columns, store: Row) -> Row:
    waiting = np.float32(account.waiting_per_s)
    finish, worked = work.of(slice(None), columns)
    extra = account.extra_per_s[work.nodes]
    start = finish - worked
    ends = np.max(finish, axis=0, initial=0.0)
    high = np.where(np.isfinite(ends), ends, np.float32(0))
    if waiting > 0:
        high = np.maximum(high, store / waiting)
    low = np.zeros_like(store)
    for _ in range(HALVINGS):
        middle = (low + high) / np.float32(2)
        used = waiting * middle + extra @ np.clip(middle - start, 0, worked)
        enough = used >= store
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return np.asarray(high, dtype=np.float32)
