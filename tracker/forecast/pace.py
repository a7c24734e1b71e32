"""What the ticks so far say about pace: linear-Gaussian filters side by side on a grid, in closed form.

The logarithm of actual over planned time is level + trend + crew + work + streak + noise, read off ticks
that come late. Noise, process and habit of lateness are not known: one filter for each combination, weighed
by how well it predicted (multi-process models of class I: West and Harrison, Bayesian Forecasting and
Dynamic Models, 2nd ed. 1997, ch. 12). How late each crew member's last tick was is part of the state, so
that what one step seems to have lost the next is seen to have gained. All arrays have the K components of
the grid first, then the d components of the state.
"""

from __future__ import annotations

import math
import weakref
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import takewhile

import numpy as np

from tracker.forecast.draws import hazard, upper_tail
from tracker.forecast.late_ticks import Group, Tick, groups, ticks_of
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import (
    COMMON_WORK,
    WARMING_H,
    Array,
    Grid,
    Lateness,
    Spreads,
    believed,
)
from tracker.journal.progress import Progress

CLOCK_S = 1.0
"""What every tick is uncertain by at least."""
FREEDOM = 5.0
"""Degrees of freedom of the Student densities by which components are weighed."""
FREEDOM_SCALE = 0.80
"""Its squared scale over a normal's variance, so that normal noise makes no component look too narrow."""
STRANGE_SLOW, STRANGE_FAST = 9.0, 16.0
"""A squared surprise beyond which a step pulls the less, the stranger it is: soon where it is slow, since
steps get stuck; late where it is fast, since noise without stuck steps has its long tail there."""
TYPED = 0.95
"""Share of ticks of somebody who types whole minutes that stand on them."""
TEMPER = 0.7
"""Power of a process's evidence: none of them is the truth."""
MISSED_TICK = 0.2
"""Least chance that a step seems to run on for a reason that says nothing about pace."""
GRACE_S = 60.0
"""So much longer than it shows may a step run at least before that is evidence."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the components of the state are."""

    crew: tuple[str, ...]
    work: tuple[str, ...]
    middle_h: float
    """Middle of the plan on the planned clock."""

    @property
    def size(self) -> int:
        """d: level, trend, crew, work, streaks, lateness of last ticks, lateness of the tick in hand."""
        return 3 + 3 * len(self.crew) + len(self.work)

    @property
    def streaks(self) -> slice:
        """Places of the crew's streaks."""
        first = 2 + len(self.crew) + len(self.work)
        return slice(first, first + len(self.crew))

    def late(self, crew: str) -> int:
        """Place of a crew member's last lateness."""
        return 2 + 2 * len(self.crew) + len(self.work) + self.crew.index(crew)

    @property
    def fresh(self) -> int:
        """Place of the lateness of the tick in hand."""
        return self.size - 1

    def names(self) -> tuple[str, ...]:
        """A key for each component, which also keys its random numbers."""
        return (
            "level",
            "slope",
            *(f"crew:{c}" for c in self.crew),
            *(f"work:{w}" for w in self.work),
            *(f"streak:{c}" for c in self.crew),
            *(f"late:{c}" for c in self.crew),
            "late",
        )

    def row(self, crew: Iterable[str], work: Iterable[tuple[str, float]], share: float = 1.0) -> Array:
        """What a step sees of the state, (d,), but for its trend: its crew in the mean, work by shares."""
        row = np.zeros(self.size)
        row[0] = share
        members = [self.crew.index(c) for c in crew if c in self.crew]
        for i in members:
            row[2 + i] += share / len(members)
            row[self.streaks.start + i] += share / len(members)
        for kind, part in work:
            row[2 + len(self.crew) + self.work.index(kind)] += share * part
        return row


def middle_h(progress: Progress) -> float:
    """The middle of an excursion's plan on its clock, hours."""
    return max((finish for _, finish in progress.planned.values()), default=0.0) / 7200.0


@dataclass(frozen=True, eq=False)
class Belief:
    """What the components believe about the state."""

    grid: Grid
    layout: Layout
    mean: Array
    """(K, d)."""
    cov: Array
    """(K, d, d)."""
    log_weight: Array
    """(K,): logarithm of the components' probabilities, up to a constant."""
    hours: float
    """Where on the planned clock it stands."""
    habit: float = 0.01
    """Share of ticks so far that were pressed for several steps."""

    def shares(self) -> Array:
        """The components' probabilities, (K,), which add up to 1."""
        raw = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(raw / raw.sum())

    def by_habit(self) -> Array:
        """The habits' probabilities."""
        return np.asarray(self.shares().reshape(self.grid.shape).sum(axis=(0, 1)))

    def trend_at(self, hours: float) -> Array:
        """What the trend's component counts at a place of the planned clock, (K,)."""
        processes = self.grid.processes
        past, faded = hours - self.layout.middle_h, math.exp(-max(hours, 0.0) / WARMING_H)
        return self.grid.of_process(faded if p.warms else past for p in processes)

    def expected(self, crew: Sequence[str], work: str, hours: float) -> float:
        """The mean log pace of this crew at this work (empty: at any), at a place of the planned clock."""
        row, streaks = self.layout.row(crew, ((work, 1.0),) if work else ()), self.layout.streaks
        mean = self._weighed.sum(axis=0)
        ahead = max(hours - self.hours, 0.0)
        left = self.grid.of_process(math.exp(-ahead / p.lasting_h) for p in self.grid.processes)
        mean[streaks] = left @ self._weighed[:, streaks]
        return float(row @ mean + self.trend_at(hours) @ self._weighed[:, 1])

    @cached_property
    def _weighed(self) -> Array:
        """(K, d): means by the components' probabilities."""
        return np.asarray(self.shares()[:, None] * self.mean)


def evidence_of(grid: Grid, log_weight: Array) -> Array:
    """The log evidence of every process, up to a constant: its prior is taken out."""
    ours, before = (_log_sum(each.reshape(grid.shape)) for each in (log_weight, grid.log_prior))
    return np.asarray(ours - before)


def _log_sum(values: Array) -> Array:
    top = values.max()
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(values - top).sum(axis=(1, 2))) + top)


def start(grid: Grid, layout: Layout, spreads: Spreads) -> Belief:
    """The belief before the first step."""
    k, d = grid.size, layout.size
    mean, spread = np.zeros((k, d)), np.zeros((k, d))
    mean[:, 0], spread[:, 0] = math.log(spreads.median), spreads.level
    mean[:, 1] = grid.of_process(p.trend for p in grid.processes)
    spread[:, 1] = grid.of_process(p.trend_sd for p in grid.processes)
    for i, c in enumerate(layout.crew):
        spread[:, 2 + i] = spreads.crew.get(c, spreads.any_crew)
    for i, w in enumerate(layout.work):
        usual = 0.0 if w == COMMON_WORK else spreads.any_work
        spread[:, 2 + len(layout.crew) + i] = spreads.work.get(w, usual)
    spread[:, layout.streaks] = grid.of_process(p.streak for p in grid.processes)[:, None]
    cov = np.zeros((k, d, d))
    cov[:, range(d), range(d)] = spread**2
    return Belief(grid, layout, mean, cov, grid.log_prior.copy(), 0.0)


def settled(belief: Belief, ticks: Iterable[Tick], temper: float = TEMPER) -> Belief:
    """The belief after the last group: with what the instants say of typing habits, processes tempered."""
    log_weight = belief.log_weight + belief.grid.of_habit(_typing(belief.grid, ticks))
    found = evidence_of(belief.grid, log_weight)
    tempered = (temper - 1.0) * belief.grid.of_process(found - found.max())
    return replace(belief, log_weight=log_weight + tempered)


def _typing(grid: Grid, ticks: Iterable[Tick]) -> list[float]:
    """Return the log likelihood of each habit by which instants stand on whole units."""
    instants = np.array(sorted({t.at for t in ticks}))
    out = []
    for habit in grid.habits or (Lateness("exact", 1.0, 0.0, 0.0),):
        if habit.unit_s <= 1.0 or not instants.size:
            out.append(0.0)
            continue
        off = np.abs((instants + habit.unit_s / 2.0) % habit.unit_s - habit.unit_s / 2.0)
        on = int((off < 0.5).sum())
        on_unit = math.log(TYPED * habit.unit_s + 1.0 - TYPED)
        out.append(on * on_unit + (instants.size - on) * math.log(1.0 - TYPED))
    return out


class Filter:
    """A belief that groups of ticks are taken into, one after another, in place."""

    def __init__(self, belief: Belief) -> None:
        """Go on from a belief, which stays as it is."""
        self._from = belief
        self._grid, self._layout = belief.grid, belief.layout
        self._mean, self._cov = belief.mean.copy(), belief.cov.copy()
        self._log_weight = belief.log_weight.copy()
        self._hours, self._habit = belief.hours, belief.habit
        processes = self._grid.processes
        self._walk = self._grid.of_process(p.walk**2 for p in processes)
        self._streak = self._grid.of_process(p.streak**2 for p in processes)
        self._lasting = self._grid.of_process(p.lasting_h for p in processes)
        self._streaky = np.flatnonzero(self._streak)

    def belief(self) -> Belief:
        """The belief now; its arrays are copies."""
        return replace(
            self._from,
            mean=self._mean.copy(),
            cov=self._cov.copy(),
            log_weight=self._log_weight.copy(),
            hours=self._hours,
            habit=self._habit,
        )

    def take(self, group: Group) -> None:
        """Take one group in."""
        self._habit = group.habit
        if not group.blind:
            self.move_on(min(group.ticks[-1].clock_h, group.end / 3600.0))
        if group.merged:
            self._take_merged(group)
        else:
            self._take_block(group)

    def move_on(self, hours: float) -> None:
        """Go on to a later place of the planned clock: level and streaks wander."""
        ahead = hours - self._hours
        if ahead <= 0:
            return
        self._hours = hours
        self._cov[:, 0, 0] += ahead * self._walk
        if not self._streaky.size:
            return
        part, where = slice(self._streaky[0], self._streaky[-1] + 1), self._layout.streaks
        keep = np.where(self._streak[part] > 0, np.exp(-ahead / self._lasting[part]), 1.0)
        mean, cov = self._mean[part], self._cov[part]
        mean[:, where] *= keep[:, None]
        cov[:, where, :] *= keep[:, None, None]
        cov[:, :, where] *= keep[:, None, None]
        at = range(where.start, where.stop)
        cov[:, at, at] += (self._streak[part] * (1.0 - keep**2))[:, None]

    def _take_block(self, group: Group) -> None:
        """Take a block for itself in: its tick's lateness becomes its crew's last one."""
        self.glance(group)
        fresh = self._layout.fresh
        for c in group.crew:
            if c in self._layout.crew:
                slot = self._layout.late(c)
                self._mean[:, slot] = self._mean[:, fresh]
                self._cov[:, slot, :] = self._cov[:, fresh, :]
                self._cov[:, :, slot] = self._cov[:, :, fresh]
                self._cov[:, slot, slot] = self._cov[:, fresh, fresh]

    def glance(self, group: Group) -> None:
        """Take in what an entry says of pace without ending its crew's stretch of time: a count."""
        fresh = self._layout.fresh
        mean, var = self._grid.late(group.ticks[-1].stated)
        self._mean[:, fresh] = mean
        self._cov[:, fresh, :] = 0.0
        self._cov[:, :, fresh] = 0.0
        self._cov[:, fresh, fresh] = var
        if not group.blind and group.power > 0:
            row, value, noise, k = self._seen(group)
            row[:, fresh] = k
            for c, share in group.leaving.items():
                row[:, self._layout.late(c)] -= k * share
            if group.origin == "begun":
                value, noise = value + k * mean, noise + k * k * var
            self._observe(row, value, noise, group.power)

    def _take_merged(self, group: Group) -> None:
        """Take blocks as one: their last tick came while the next step was under way already."""
        rest = group.habit * group.usual_s / len(group.ticks)
        mean, var = self._grid.late(group.ticks[-1].stated)
        mean, var = mean + rest, var + rest * rest
        if not group.blind:
            row, value, noise, k = self._seen(group)
            ends = 1.0 if group.origin in ("zero", "free") else 2.0
            value = value - k * mean if ends == 1.0 else value
            self._observe(row, value, noise + ends * k * k * var, group.power)
        for c in group.crew:
            if c in self._layout.crew:
                self._forget(self._layout.late(c), group.power, mean, var)

    def _forget(self, slot: int, power: float, mean: Array, var: Array) -> None:
        """Forget a lateness with a power: a mixture's moments."""
        kept = 1.0 - power
        own = self._cov[:, slot, slot].copy()
        apart = mean - self._mean[:, slot]
        self._mean[:, slot] += power * apart
        self._cov[:, slot, :] *= kept
        self._cov[:, :, slot] *= kept
        self._cov[:, slot, slot] = kept * own + power * var + power * kept * apart**2

    def _seen(self, group: Group) -> tuple[Array, Array, Array, float]:
        """Return a group as an observation: row (K, d), value (K,), noise (K,), and log per second."""
        value, k = logarithm(group.took_s, group.planned_s, group.usual_s)
        shift, noise = spread_of(np.array(self._grid.sigmas), group.ticks)
        row = self._row(group.ticks, group.planned_s)
        noise = self._grid.of_sigma(noise) + (k * CLOCK_S) ** 2
        return row, value - self._grid.of_sigma(shift), noise, k

    def _row(self, ticks: Sequence[Tick], planned_s: float) -> Array:
        layout = self._layout
        row, past, faded = np.zeros(layout.size), 0.0, 0.0
        for t in ticks:
            share = t.planned_s / planned_s
            row += layout.row(t.crew, ((t.work, 1.0),), share)
            past += share * (t.clock_h - layout.middle_h)
            faded += share * math.exp(-max(t.clock_h, 0.0) / WARMING_H)
        rows = np.tile(row, (self._grid.size, 1))
        rows[:, 1] = self._grid.of_process(faded if p.warms else past for p in self._grid.processes)
        return rows

    def _observe(self, row: Array, value: Array, noise: Array, power: float) -> None:
        """Take one observation in, to a power."""
        reach = np.matmul(self._cov, row[:, :, None])[:, :, 0]
        spread = np.einsum("ki,ki->k", reach, row)
        error = value - np.einsum("ki,ki->k", self._mean, row)
        total = np.maximum(spread + noise, 1e-12)
        surprise = error**2 / total
        student = -(FREEDOM + 1.0) / 2.0 * np.log1p(surprise / (FREEDOM * FREEDOM_SCALE))
        self._log_weight += power * (-0.5 * np.log(total) + student)
        strange = np.where(error > 0, STRANGE_SLOW, STRANGE_FAST)
        softer = noise * np.maximum(1.0, surprise / strange) / power
        gain = reach / np.maximum(spread + softer, 1e-12)[:, None]
        self._mean += gain * error[:, None]
        self._cov -= gain[:, :, None] * reach[:, None, :]


def logarithm(took_s: float, planned_s: float, usual_s: float) -> tuple[float, float]:
    """Return log(actual / planned), and what a second of lateness makes of it.

    Below half the usual time the logarithm goes on as a line. One over the root of actual times usual, not
    one over actual: log(1 + x) is x / √(1 + x) up to the third order, and rounded instants would else raise
    the level.
    """
    half = usual_s / 2.0
    if took_s >= half:
        return math.log(took_s / planned_s), 1.0 / math.sqrt(took_s * usual_s)
    return math.log(half / planned_s) + (took_s - half) / half, 1.0 / math.sqrt(half * usual_s)


def spread_of(sigmas: Array, ticks: Sequence[Tick]) -> tuple[Array, Array]:
    """Shift of the log median and log variance of steps taken together, per noise: (n,) each.

    Steps are independent lognormals, items of a step alike and independent; the sum is taken as lognormal
    with its mean and variance.
    """
    planned = np.array([t.planned_s for t in ticks])
    parts = np.array([t.parts for t in ticks])
    square = np.square(np.multiply.outer(sigmas, np.array([t.scatter for t in ticks])))
    mean = np.exp(square / 2.0) @ planned
    variance = np.log1p((np.exp(square) * np.expm1(square)) @ (planned**2 * parts) / mean**2)
    return np.log(mean / planned.sum()) - variance / 2.0, variance


def outlast(belief: Belief, row: Array, bound: Array, noise: Array) -> Belief:
    """The belief after a step was seen to take longer than exp(bound) times its planned time.

    It may run on for a reason of its own, or not have been ticked yet, so the likelihood is the mixture
    (1 - missed) P(longer) + missed; the first two moments of the product are kept. The components keep their
    probabilities until it is done, so that no scenario changes its process while nothing happens. `row` and
    `bound` and `noise` (variances) are per component.
    """
    missed = max(MISSED_TICK, belief.habit)
    reach = np.matmul(belief.cov, row[:, :, None])[:, :, 0]
    root = np.sqrt(np.maximum(np.einsum("ki,ki->k", reach, row) + noise, 1e-12))
    alpha = (bound - np.einsum("ki,ki->k", belief.mean, row)) / root
    longer = upper_tail(alpha)
    pull = hazard(alpha) * (1.0 - missed) * longer / ((1.0 - missed) * longer + missed)
    shrink = pull * (pull - alpha) / root**2
    return replace(
        belief,
        mean=belief.mean + reach * (pull / root)[:, None],
        cov=belief.cov - shrink[:, None, None] * reach[:, :, None] * reach[:, None, :],
    )


KEPT_EVERY, KEPT_LAST = 24, 6
"""Beliefs are remembered after every so many groups, and after the last ones."""


class _Learned:
    """The last run of groups, and the belief after some of them."""

    prior: PacePrior | None = None
    layout: Layout | None = None

    def __init__(self) -> None:
        self.run: list[Group] = []
        self.beliefs: dict[int, Belief] = {}
        """By the number of groups taken in."""
        self.of: weakref.ref[Progress] | None = None
        self.ticks: list[Tick] = []
        self.found: Belief | None = None

    def begin(self, prior: PacePrior, layout: Layout) -> None:
        """Forget what was learned under another prior or layout."""
        if self.prior != prior or self.layout != layout:
            grid, spreads = believed(prior)
            self.run, self.beliefs, self.found = [], {0: start(grid, layout, spreads)}, None
            self.prior, self.layout = prior, layout

    def after(self, run: list[Group]) -> Belief:
        """The belief after these groups."""
        same = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(run, self.run, strict=False)))
        self.beliefs = {n: belief for n, belief in self.beliefs.items() if n <= same}
        taken = max(self.beliefs)
        filtering = Filter(self.beliefs[taken])
        for n, group in enumerate(run[taken:], taken + 1):
            filtering.take(group)
            if n % KEPT_EVERY == 0 or n > len(run) - KEPT_LAST:
                self.beliefs[n] = filtering.belief()
        self.run = run
        kept = sorted(self.beliefs)
        for n in kept[: max(len(kept) - KEPT_LAST, 0)]:
            if n % KEPT_EVERY:
                del self.beliefs[n]
        return filtering.belief()


def learned(progress: Progress, prior: PacePrior, layout: Layout, memory: Memory) -> Belief:
    """The belief after everything finished; the very same one where no tick is another."""
    last = memory.of(_Learned)
    last.begin(prior, layout)
    if last.found is not None and last.of is not None and last.of() is progress:
        return last.found
    ticks = ticks_of(progress, prior, certain=prior.sigma <= 0)
    if last.found is None or ticks != last.ticks:
        last.found = settled(last.after(groups(ticks, prior.median)), ticks)
        last.ticks = ticks
    last.of = weakref.ref(progress)
    return last.found


def posterior(
    grid: Grid, layout: Layout, spreads: Spreads, ticks: Sequence[Tick], *, temper: float = TEMPER
) -> Belief:
    """The belief after these ticks: a function of the set of them alone; `temper` 1 leaves it untempered."""
    filtering = Filter(start(grid, layout, spreads))
    for group in groups(ticks, spreads.median):
        filtering.take(group)
    return settled(filtering.belief(), ticks, temper)
