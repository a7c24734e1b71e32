"""When a consumable reaches its reserve: along the projected course, then on at the mean rate."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import weights
from tracker.forecast.world import Account, Course, Row, World

HALVINGS = 26
"""Of a day: to two thousandths of a second."""


def reserve_reached(
    world: World, present: Sequence[int], course: Course, account: Account, beyond: Row, inside: Row
) -> Row:
    """Return per scenario when the reserve is reached, relative to now; infinite where it never is.

    `beyond` is what the remaining steps take beyond waiting, at use factor 1; `inside` when everybody
    is inside. Before ingress the projected course counts, after it the crew member's mean rate along
    that course. It lies before ingress exactly when the reserve is broken at ingress.
    """
    store = (account.level - np.float32(account.reserve)) / account.use
    waiting = np.float32(account.waiting_per_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = waiting * inside + beyond
        mean = np.where(inside > 0, taken / inside, waiting)
        out = np.where(mean > 0, inside + (store - taken) / mean, np.float32(np.inf)).astype(np.float32)
    out[store <= 0] = 0.0
    before = np.flatnonzero((store < taken) & (store > 0))
    if before.size:
        find = _along_all if account.crew == "*" else _along_one
        with np.errstate(divide="ignore", invalid="ignore"):
            out[before] = find(world, present, course, account, store[before], before)
    return out


def _along_one(
    world: World,
    present: Sequence[int],
    course: Course,
    account: Account,
    store: Row,
    columns: NDArray[np.intp],
) -> Row:
    """Return when one crew member's steps, one after another, have used the store up."""
    c = world.crew.index(account.crew)
    nodes = np.array([i for i in present if c in world.nodes[i].crew], dtype=np.intp)
    waiting = np.float32(account.waiting_per_s)
    finish = np.stack([course.finish[int(i)][columns] for i in nodes])
    worked = world.durations[np.ix_(nodes, columns)] * weights(world, present)[nodes][:, None]
    extra = account.extra_per_s[nodes]
    beyond = np.cumsum(worked * extra[:, None], axis=0, dtype=np.float32)
    full = (waiting * finish + beyond) < store
    k = np.minimum(np.count_nonzero(full, axis=0), len(nodes))
    last = len(nodes) - 1
    across = np.arange(len(columns))
    at = np.minimum(k, last)
    before = np.where(k > 0, beyond[np.maximum(k - 1, 0), across], np.float32(0))
    start = finish[at, across] - worked[at, across]
    rate = waiting + extra[at]
    resting = (store - before) / waiting
    working = start + (store - before - waiting * start) / rate
    return np.where((k > last) | (resting <= start), resting, working).astype(np.float32)


def _along_all(
    world: World,
    present: Sequence[int],
    course: Course,
    account: Account,
    store: Row,
    columns: NDArray[np.intp],
) -> Row:
    """Return when steps that run side by side have used a shared store up, by halving the time."""
    nodes = np.array([i for i in present if account.extra_per_s[i] != 0.0], dtype=np.intp)
    if not nodes.size:
        return np.asarray(store / np.float32(account.waiting_per_s), dtype=np.float32)
    worked = world.durations[np.ix_(nodes, columns)] * weights(world, present)[nodes][:, None]
    start = np.stack([course.finish[int(i)][columns] for i in nodes]) - worked
    extra = account.extra_per_s[nodes]
    low = np.zeros(len(columns), dtype=np.float32)
    ends = np.max(start + worked, axis=0)
    high = np.where(np.isfinite(ends), np.maximum(ends, 0), np.float32(0))
    if account.waiting_per_s > 0:
        high = np.maximum(high, store / np.float32(account.waiting_per_s))
    for _ in range(HALVINGS):
        middle = (low + high) / np.float32(2)
        used = np.float32(account.waiting_per_s) * middle + extra @ np.clip(middle - start, 0, worked)
        enough = used >= store
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return high.astype(np.float32)
