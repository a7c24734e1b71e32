"""What work takes from every store, and when a reserve is reached.

Hidden here: that steps of one effort take alike and a crew member's accounts mostly differ by a factor, so
that a large product is made as small as it can be; and the search for the instant at which a store has come
down to its reserve, along the projected course and then on at the mean rate.

An account is one consumable of one crew member, or a shared store (`*`). What a step takes is always meant
beyond waiting, in the account's unit, at use factor 1. In a shared store the clock runs once, the energy of
all its crew adds up.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.world import Course, Row, World, way_home
from tracker.journal.progress import Progress, StepState
from tracker.plan.model import Consumable

Matrix = NDArray[np.float32]
Mask = NDArray[np.bool_]
"""N truth values, one a scenario."""


Rates = Mapping[tuple[str, str], NDArray[np.float32]]
"""Per owner (a crew member, or `*` for a shared store) and consumable (steps,): units a second."""


def at_rest(progress: Progress, inside: Mapping[str, float]) -> dict[str, float]:
    """The PET since when nothing is taken any more from the stores of those who are inside.

    That is their `entered`, else when everybody is inside.
    """
    last = max(inside.values(), default=0.0)
    return {member: progress.entered.get(member, last) for member in inside}


def extra_rates(
    progress: Progress,
    steps: Sequence[StepState],
    crews: Mapping[str, Sequence[str]],
    inside: Mapping[str, float],
) -> Rates:
    """Return what each remaining step takes beyond waiting, for every account.

    `crews` says who does each step, `inside` who is inside and takes nothing any more.
    """
    efforts = {c: _efforts(steps, crews, c) for c in progress.plan.outside}
    own = [(i, state.step.use) for i, state in enumerate(steps) if state.step.use]
    out = {}
    for consumable in progress.plan.consumables:
        factor = np.ones(len(steps))
        for i, use in own:
            factor[i] = use.get(consumable.id, 1.0)
        for owner in consumable.owners:
            outside = [efforts[c] for c in consumable.members(owner) if c not in inside]
            out[owner, consumable.id] = _extra(consumable, progress.plan.rest_w, factor, outside)
    return out


def _efforts(
    steps: Sequence[StepState], crews: Mapping[str, Sequence[str]], member: str
) -> NDArray[np.float64]:
    """Return (steps,): watts of this crew member in each step, NaN where they have no part in it."""
    watts = [s.step.effort_of(member) if member in crews[s.step.id] else math.nan for s in steps]
    return np.array(watts, dtype=np.float64)


def _extra(
    consumable: Consumable,
    rest_w: float,
    factor: NDArray[np.float64],
    efforts: Sequence[NDArray[np.float64]],
) -> NDArray[np.float32]:
    """Return (steps,): units a second beyond waiting, with each step's own `factor` on its use."""
    clock, energy = consumable.clock_rate, consumable.per_joule
    out, anyone = np.zeros(len(factor)), np.zeros(len(factor), dtype=np.bool_)
    for watts in efforts:
        there = ~np.isnan(watts)
        anyone |= there
        out += np.where(there, energy * (factor * np.nan_to_num(watts) - rest_w), 0.0)
    out += np.where(anyone, clock * (factor - 1.0), 0.0)
    return out.astype(np.float32)


def waiting_rate(consumable: Consumable, rest_w: float, people: int) -> float:
    """Return units a second while so many of its crew, all outside, do nothing; 0 without any."""
    if not people:
        return 0.0
    return consumable.per_second(people * rest_w)


def weights(world: World, present: Collection[int]) -> NDArray[np.float32]:
    """Return (steps,): by what each duration row counts, 0 where a node does not remain.

    1 for a step, the planned seconds for a way home, whose row is a factor on them.
    """
    out = np.zeros(len(world.nodes), dtype=np.float32)
    ordered = sorted(present)
    out[ordered] = 1.0
    for i, seconds in way_home(world, ordered).items():
        out[i] = seconds
    return out


SAME = 1e-6
"""Rates are alike when they differ by no more than this share of the greatest: float32 rounding."""
FEW = 2
"""Steps are summed by their rates where that leaves fewer than one in so many of them."""


def usage_sums(rates: Matrix, rows: Matrix) -> Matrix:
    """Return rates @ rows: (accounts, steps) times (steps, N).

    Steps of one crew and effort mostly take the same from every account: their rows are summed first.
    Without BLAS: shared out between threads, so little work waits for cores that are busy elsewhere, ten
    times as long as it takes.
    """
    groups = alike_steps(rates)
    takers = sorted(i for steps in groups for i in steps)
    if len(groups) * FEW > len(takers):
        few = len(takers) * FEW < len(rows)
        return by_account(rates[:, takers], rows[takers]) if few else by_account(rates, rows)
    sums = np.empty((len(groups), rows.shape[1]), dtype=np.float32)
    for row, (first, *others) in zip(sums, groups, strict=True):
        row[:] = rows[first]
        for i in others:
            np.add(row, rows[i], out=row)
    return by_account(rates[:, [steps[0] for steps in groups]], sums)


def alike_steps(rates: Matrix) -> list[list[int]]:
    """Return the steps that take anything, those together that take the same from every account."""
    places = np.flatnonzero(rates.any(axis=0))
    alike: dict[bytes, list[int]] = {}
    for i, column in zip(places.tolist(), np.ascontiguousarray(rates[:, places].T), strict=True):
        alike.setdefault(column.tobytes(), []).append(i)
    return list(alike.values())


def by_account(rates: Matrix, rows: Matrix) -> Matrix:
    """Return rates @ rows.

    Accounts of one crew member mostly differ by a factor alone, since all follow the same effort: such
    rows are multiplied out once.
    """
    out = np.empty((len(rates), rows.shape[1]), dtype=np.float32)
    if not rates.size:
        out[:] = 0
        return out
    greatest = rates[np.arange(len(rates)), np.abs(rates).argmax(axis=1)]
    shapes = rates / np.where(greatest == 0, np.float32(1), greatest)[:, None]
    done: list[int] = []
    for k, shape in enumerate(shapes):
        apart = np.abs(shapes[done] - shape).max(axis=1)
        if not greatest[k]:
            out[k] = 0
        elif (apart > SAME).all():
            np.einsum("i,ij->j", rates[k], rows, out=out[k])
            done.append(k)
        else:
            first = done[int(apart.argmin())]
            np.multiply(out[first], greatest[k] / greatest[first], out=out[k])
    return out


class UsageUntil:
    """What the work before closeout takes from every account until it is broken off at an instant."""

    def __init__(
        self, start: Sequence[Row] | Matrix, finish: Sequence[Row] | Matrix, rates: Sequence[Row]
    ) -> None:
        """Take (steps, scenarios) of starts and finishes, and per account units a second of each step.

        There are steps, scenarios and accounts.
        """
        self.start, self.finish = (np.asarray(rows, dtype=np.float32) for rows in (start, finish))
        # Steps that are surely done come first: one sum serves for them, whatever the instant.
        done_by = self.finish.max(axis=1)
        self.order = np.argsort(done_by, kind="stable")
        self.done_by, self.begun_from = done_by[self.order], self.start.min(axis=1)[self.order]
        self.rates = np.stack(rates)[:, self.order]
        self.sums = {0: np.zeros((len(rates), self.finish.shape[1]), dtype=np.float32)}

    def until(self, at: np.float32) -> Matrix:
        """Return (accounts, scenarios): units at use factor 1."""
        done = int(np.searchsorted(self.done_by, at, side="right"))
        at_work = done + np.flatnonzero(self.begun_from[done:] < at)
        steps = self.order[at_work]
        spent = np.minimum(self.finish[steps], at) - self.start[steps]
        np.maximum(spent, 0, out=spent)
        return np.asarray(self._sum(done) + by_account(self.rates[:, at_work], spent), dtype=np.float32)

    def _sum(self, done: int) -> Matrix:
        if done not in self.sums:
            before = max(known for known in self.sums if known < done)
            steps = self.order[before:done]
            spent = self.finish[steps] - self.start[steps]
            self.sums[done] = self.sums[before] + by_account(self.rates[:, before:done], spent)
        return self.sums[done]


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
    (N,) when everybody is inside. Before ingress the projected course counts, after it the mean rate from
    PET 0 to ingress. It lies before ingress exactly when the reserve is broken at ingress. Where it is
    reached already it lies before now; infinite where nothing runs down.
    """
    counts = weights(world, present)
    found = np.empty_like(beyond)
    stores = world.stores
    shorts: list[_Pairs] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        for k in range(len(world.accounts)):
            early = _at_mean_rate(world, k, beyond[k], inside, found[k])
            shorts.append(_Pairs.of(k, np.flatnonzero(early), stores[k], beyond[k]))
        for crew in dict.fromkeys(account.crew for account in world.accounts):
            mine = [shorts[k] for k, account in enumerate(world.accounts) if account.crew == crew]
            work = _Work(world, course, counts, _nodes_of(world, present, crew))
            settle = _side_by_side if crew == "*" else _one_after_another
            for part in _joined(mine).parts():
                settle(work, part, found)
    return found


def _at_mean_rate(world: World, k: int, extra: Row, inside: Row, out: Row) -> Mask:
    """Put an account's instant at the mean rate into `out`; return where it lies between now and ingress."""
    account, store, waiting = world.accounts[k], world.stores[k], world.waiting[k]
    elapsed = np.float32(max(world.now, 0.0))
    taken = waiting * inside
    taken += extra
    # At the rates believed now, a leak with them, whenever it began: as it goes on.
    past = np.float32(account.taken) + (waiting - np.float32(account.waiting_per_s)) * elapsed
    rate = np.add(taken, past, out=out)
    rate /= np.where(inside + elapsed > 0, inside + elapsed, np.float32(1))
    np.copyto(rate, waiting, where=inside + elapsed <= 0)
    falls = None if rate.min() > 0 else rate > 0
    np.divide(store - taken, rate, out=out)
    out += inside
    if falls is not None:
        out[~falls] = np.inf
    early = store < taken
    if not store.min() > 0:
        gone = store <= 0
        out[gone] = 0.0 if account.below_s is None else -account.below_s[gone]
        early &= ~gone
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

    def waiting(self, pairs: _Pairs) -> Row:
        """Return per pair what waiting takes a second."""
        out = np.empty(len(pairs.columns), dtype=np.float32)
        for k in np.unique(pairs.accounts):
            mine, rate = pairs.accounts == k, self.world.waiting[k]
            out[mine] = rate[pairs.columns[mine]] if rate.ndim else rate
        return out

    @cached_property
    def extra(self) -> NDArray[np.float32]:
        """(steps, accounts): what each step takes a second beyond that."""
        return np.stack([account.extra_per_s[self.nodes] for account in self.world.accounts], axis=1)


def _one_after_another(work: _Work, pairs: _Pairs, found: NDArray[np.float32]) -> None:
    """Settle when one crew member's steps, one after another, have used each store up.

    From the last steps backwards, a stretch at a time, until every scenario is settled.
    """
    end, size = len(work.nodes), STRETCH
    found[pairs.accounts, pairs.columns] = (pairs.store - pairs.taken) / work.waiting(pairs)
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
    waiting, extra = work.waiting(pairs), work.extra[part, pairs.accounts]
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
    waiting, extra = work.waiting(pairs), work.extra[:, pairs.accounts]
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
