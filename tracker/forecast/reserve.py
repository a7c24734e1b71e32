"""When each consumable reaches its reserve: along the projected course, then on at the mean rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import weights
from tracker.forecast.world import Account, Course, Row, World

HALVINGS = 26
"""Of a day: to two thousandths of a second."""
STRETCH = 48
"""So many steps are looked at together, from the last one backwards: reserves are mostly reached late."""
BLOCK = 1024
"""So many scenarios are looked at together where all steps are, so that they stay in the cache."""

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
    out = []
    for account, extra in zip(world.accounts, beyond, strict=True):
        store = (account.level - np.float32(account.reserve)) / account.use
        row, short = _at_mean_rate(account, store, extra, inside)
        columns = np.flatnonzero(short)
        if columns.size:
            work = _Work(world, course, counts, account, _nodes_of(world, present, account.crew))
            find = _side_by_side if account.crew == "*" else _one_after_another
            with np.errstate(divide="ignore", invalid="ignore"):
                row[columns] = find(work, columns, store[columns], extra[columns])
        out.append(row)
    return out


def _at_mean_rate(account: Account, store: Row, extra: Row, inside: Row) -> tuple[Row, NDArray[np.bool_]]:
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
    """The steps that touch one account, in the order of the course."""

    world: World
    course: Course
    counts: NDArray[np.float32]
    account: Account
    nodes: NDArray[np.intp]

    def of(self, part: slice, columns: Columns) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return finish and duration of some of the steps in some scenarios: (steps, columns)."""
        nodes = self.nodes[part]
        if not nodes.size:
            nothing = np.zeros((0, len(columns)), dtype=np.float32)
            return nothing, nothing
        if self.course.table is not None:
            finish = self.course.table[np.ix_(nodes, columns)]
        else:
            finish = np.stack([self.course.finish[int(i)][columns] for i in nodes])
        return finish, self.world.durations[np.ix_(nodes, columns)] * self.counts[nodes][:, None]


def _one_after_another(work: _Work, columns: Columns, store: Row, taken: Row) -> Row:
    """Return when one crew member's steps, one after another, have used the store up.

    `taken` is what all of them take beyond waiting. From the last steps backwards: of a stretch of steps
    those at whose end something is left come first, since use never falls; their number says where.
    """
    waiting = np.float32(work.account.waiting_per_s)
    out = np.asarray((store - taken) / waiting, dtype=np.float32)
    ahead, end = np.arange(len(store)), len(work.nodes)
    while end and ahead.size:
        begin = max(0, end - STRETCH)
        extra = work.account.extra_per_s[work.nodes[begin:end]]
        finish, worked = work.of(slice(begin, end), columns[ahead])
        takes = np.cumsum(worked * extra[:, None], axis=0, dtype=np.float32)
        first = taken - takes[-1]
        place = np.count_nonzero(waiting * finish + first + takes < store, axis=0)
        across, at = np.arange(len(place)), np.minimum(place, len(extra) - 1)
        before = first + np.where(place > 0, takes[place - 1, across], np.float32(0))
        start = finish[at, across] - worked[at, across]
        resting = (store - before) / waiting
        working = start + (store - before - waiting * start) / (waiting + extra[at])
        out[ahead] = np.where((place == len(extra)) | (resting <= start), resting, working)
        # Used up by the end of the first of them: perhaps even before, so look at those before it.
        left = np.flatnonzero(place == 0) if begin else np.zeros(0, dtype=np.intp)
        ahead, store, taken, end = ahead[left], store[left], (first + takes[0])[left], begin + 1
    return out


def _side_by_side(work: _Work, columns: Columns, store: Row, taken: Row) -> Row:
    """Return when steps of several crew members have used a shared store up, by halving the time."""
    blocks = range(0, len(columns), BLOCK)
    return np.concatenate([_halved(work, columns[b : b + BLOCK], store[b : b + BLOCK]) for b in blocks])


def _halved(work: _Work, columns: Columns, store: Row) -> Row:
    waiting = np.float32(work.account.waiting_per_s)
    finish, worked = work.of(slice(None), columns)
    extra = work.account.extra_per_s[work.nodes]
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
