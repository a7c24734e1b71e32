"""How long every remaining step takes, in every scenario, drawn from the belief about pace.

A duration depends on its step and the scenario alone: not on when the step starts, nor on which other
steps remain. What may be dropped or kept is judged on that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.bench.candidate.filter import GRACE_S, Belief, outlast
from tests.bench.candidate.grid import Array
from tracker.forecast.draws import Normals, Row, running_on, upper_tail

BIN_S = 900.0
"""Level and streaks wander over stretches of the planned clock this long."""
TROUBLE = 0.04
"""Chance that a step runs on for a reason of its own, however long it has run: constant, or a step stuck for
hours would be taken for one that is done and was not ticked."""


@dataclass(frozen=True, slots=True)
class Query:
    """One remaining step whose duration is wanted; planned times in seconds."""

    step: str
    crew: tuple[str, ...]
    work: str
    median_s: float
    """Planned time of the whole, by the pace file's crew and work; of a fixed step its time."""
    scatter: float
    """Its noise as a multiple of a ten-minute step's."""
    clock_h: float
    fixed: bool = False
    items: int = 1
    counted: int = 0
    counted_s: float = 0.0
    """Work time at the last count."""
    worked_s: float = 0.0
    """Work time up to now."""
    running: bool = False
    telling: bool = True
    """Whether that it runs on is evidence of pace."""
    silent: bool = False
    """Its crew is not heard: that no tick came says nothing."""
    gaps_s: Mapping[str, float] = field(default_factory=dict)
    """Crew members whose last tick began it, each with how much earlier than its begin that tick was; empty
    where it began with something else."""
    left_s: float | None = None
    """The crew said that it takes this long from `left_from_s` of work time on."""
    left_from_s: float = 0.0

    @property
    def all_counted(self) -> bool:
        """Whether every item is done, so that only the tick is wanting."""
        return self.left_s is None and self.counted >= self.items

    def timed(self) -> tuple[float, float, float]:
        """(median in seconds, items planned over items timed, work time in it) of what is timed now.

        That is the whole step, what was said to be left of it, or its next item.
        """
        if self.left_s is not None:
            return self.left_s, 1.0, max(self.worked_s - self.left_from_s, 0.0)
        if 0 < self.counted < self.items:
            return self.median_s / self.items, float(self.items), max(self.worked_s - self.counted_s, 0.0)
        return self.median_s, 1.0, self.worked_s


@dataclass(frozen=True, slots=True, eq=False)
class Scenarios:
    """The state in every scenario: rows of N."""

    state: NDArray[np.float32]
    """(d, N)."""
    component: NDArray[np.intp]
    """(N,): which component of the grid; ascending."""


def draw_state(belief: Belief, normals: Normals, n: int) -> Scenarios:
    """The state in every scenario: components take stretches of them by their probability, in fixed order."""
    ends = np.rint(np.cumsum(belief.shares()) * n).astype(int)
    counts = np.diff(ends, prepend=0)
    used = np.flatnonzero(counts)
    z = np.stack([normals(name) for name in belief.layout.names()])
    lower = root(belief.cov[used]).astype(np.float32)
    mean = belief.mean[used].astype(np.float32)
    state = np.empty((belief.layout.size, n), dtype=np.float32)
    for at, k in enumerate(used):
        part = slice(ends[k] - counts[k], ends[k])
        np.matmul(lower[at], z[:, part], out=state[:, part])
        state[:, part] += mean[at][:, None]
    return Scenarios(state, np.repeat(used, counts[used]))


def root(cov: Array) -> Array:
    """Lower triangles L with L Lᵀ = cov for a stack of covariances, also singular ones, (K, d, d).

    A component without variance of its own gets a column of zeros.
    """
    left, out = cov.copy(), np.zeros_like(cov)
    size = cov.shape[-1]
    scale = np.maximum(np.abs(cov[:, range(size), range(size)]), 1e-300)
    for j in range(size):
        pivot = left[:, j, j]
        solid = pivot > 1e-9 * scale[:, j]
        column = np.where(solid[:, None], left[:, :, j] / np.sqrt(np.where(solid, pivot, 1.0))[:, None], 0.0)
        column[:, :j] = 0.0
        out[:, :, j] = column
        left -= column[:, :, None] * column[:, None, :]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """When what runs will end, and how long the rest takes."""

    rows: NDArray[np.float32]
    """(steps, N) seconds, in the order of the queries: of a running step until its end, counted from now,
    negative where it may have ended already; of others their whole remaining duration."""


class Sampler:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(self, belief: Belief, uuid: str, n: int) -> None:
        """Draw the state of pace in `n` scenarios of the excursion with this UUID."""
        self._belief, self._grid, self._layout = belief, belief.grid, belief.layout
        self._normals = Normals(uuid, n)
        self._n = n
        drawn = draw_state(belief, self._normals, n)
        self._state, self._component = drawn.state, drawn.component
        self.sigma = self._grid.sigma[drawn.component].astype(np.float32)
        self._walks = _of(self._grid.of_process(p.walk for p in self._grid.processes), drawn.component)
        self._first = math.floor(belief.hours * 3600.0 / BIN_S)
        self._level = [self._state[0]]
        streaks = self._layout.streaks
        self._streaks = [self._state[streaks]]
        spread = self._grid.of_process(p.streak for p in self._grid.processes)[drawn.component]
        self._lasting = self._grid.of_process(p.lasting_h for p in self._grid.processes)[drawn.component]
        self._streak_spread = spread
        where = np.flatnonzero(spread)
        self._streaked = slice(int(where[0]), int(where[-1]) + 1) if where.size else slice(0, 0)
        self._pace: dict[tuple[int, tuple[str, ...], str], Row] = {}

    def _hours(self, bin_: int) -> float:
        """Return the place of a bin on the planned clock: where it begins to be ahead, or its middle."""
        return self._belief.hours if bin_ <= 0 else (self._first + bin_ + 0.5) * BIN_S / 3600.0

    def _walk_to(self, bin_: int) -> None:
        """Let level and streaks wander on to a bin."""
        while len(self._level) <= bin_:
            b = len(self._level)
            number, ahead = self._first + b, self._hours(b) - self._hours(b - 1)
            step = self._normals(f"drift:{number}") * (self._walks * np.float32(math.sqrt(ahead)))
            self._level.append(self._level[-1] + step)
            before, part = self._streaks[-1], self._streaked
            after = before.copy()
            if part.stop:
                keep = np.exp(-ahead / self._lasting[part])
                keep = np.where(self._streak_spread[part] > 0, keep, 1.0)
                fresh = (self._streak_spread[part] * np.sqrt(1.0 - keep**2)).astype(np.float32)
                keep = keep.astype(np.float32)
                for i, c in enumerate(self._layout.crew):
                    z = self._normals(f"streak:{c}:{number}")[part]
                    after[i, part] = before[i, part] * keep + fresh * z
            self._streaks.append(after)

    def log_pace(self, crew: tuple[str, ...], work: str, clock_h: float) -> Row:
        """The log pace of this crew at this work, at a place of the planned clock, in every scenario."""
        bin_ = max(math.floor(clock_h * 3600.0 / BIN_S) - self._first, 0)
        key = (bin_, crew, work)
        if key in self._pace:
            return self._pace[key]
        self._walk_to(bin_)
        trend = self._belief.trend_at(self._hours(bin_))[self._component].astype(np.float32)
        out: Row = self._level[bin_] + self._state[1] * trend
        row = self._layout.row(crew, ((work, 1.0),))
        streaks = self._layout.streaks
        row[0] = 0.0
        for i in np.flatnonzero(row):
            source = (
                self._streaks[bin_][i - streaks.start]
                if streaks.start <= i < streaks.stop
                else self._state[i]
            )
            out += np.float32(row[i]) * source
        self._pace[key] = out
        return out

    def late(self, crew: str) -> Row:
        """How late a crew member's last tick was, seconds, in every scenario."""
        return np.asarray(self._state[self._layout.late(crew)])

    def began(self, query: Query) -> Array:
        """When what is timed of the step in progress began in truth, seconds from now."""
        _, _, elapsed = query.timed()
        whole = query.left_s is None and not 0 < query.counted < query.items
        if not whole or not query.gaps_s:
            return np.full(self._n, -elapsed)
        late = [-gap - self._state[self._layout.late(c)] for c, gap in query.gaps_s.items()]
        return np.asarray(np.maximum.reduce(late), dtype=np.float64) - elapsed

    def row(self, query: Query) -> Array:
        """The row of a query, see `Rows`."""
        median, parts, elapsed = query.timed()
        if query.fixed:
            return np.full(self._n, max(median - elapsed, 0.0))
        if query.all_counted:
            return np.zeros(self._n)
        pace = self.log_pace(query.crew, query.work, query.clock_h).astype(np.float64)
        out = self._timed(query, pace, (median, parts, elapsed))
        if query.left_s is None and 0 < query.counted < query.items - 1:
            rest = query.items - query.counted - 1
            shift, spread = self._shape(query.scatter, query.items / rest)
            z = self._normals(f"rest:{query.step}")
            out = out + query.median_s * rest / query.items * np.exp(pace + shift + spread * z)
        return out

    def _shape(self, scatter: float, parts: float) -> tuple[Array | float, Array]:
        """Return shift of the log median, and log spread, of some of a step's items, per scenario."""
        sigma = self.sigma.astype(np.float64) * scatter
        if parts == 1.0:
            return 0.0, sigma
        variance = np.log1p(np.expm1(sigma**2) * parts)
        return (sigma**2 - variance) / 2.0, np.sqrt(variance)

    def _timed(self, query: Query, pace: Array, timed: tuple[float, float, float]) -> Array:
        median, parts, elapsed = timed
        shift, spread = self._shape(query.scatter, parts)
        key = f"step:{query.step}"
        centre = pace + shift + math.log(median)
        z = self._normals(key).astype(np.float64)
        if not query.running and elapsed <= 0:
            return np.exp(centre + spread * z)
        if not query.running:
            return np.maximum(
                np.exp(centre + spread * self._beyond(elapsed, centre, spread, key)) - elapsed, 0.0
            )
        began = self.began(query)
        mean, var = self._grid.late(stated=False)
        late = mean[self._component] + np.sqrt(var[self._component]) * self._normals("late")
        seen = -began - np.maximum(late, 0.0)
        known = np.maximum(seen, 1e-3)
        lower = (np.log(known) - centre) / spread
        p = (1.0 - TROUBLE) * upper_tail(lower) + TROUBLE
        habit = 1.0 if query.silent else self._belief.habit
        unticked = 1.0 - upper_tail(self._normals("habit").astype(np.float64)) < habit / (
            habit + (1.0 - habit) * p
        )
        z = np.where(unticked | (seen <= 0), z, running_on(lower, self._normals.above(key)))
        return began + np.exp(centre + spread * z)

    def _beyond(self, elapsed: float, centre: Array, spread: Array, key: str) -> Array:
        lower = (math.log(elapsed) - centre) / spread
        return running_on(lower, self._normals.above(key))


def _of(values: Array, component: NDArray[np.intp]) -> Row:
    return np.asarray(values[component], dtype=np.float32)


def overrun(belief: Belief, query: Query) -> Belief:
    """The belief after a step in progress was seen not to be done yet."""
    if not query.running or not query.telling or query.silent or query.fixed or query.all_counted:
        return belief
    median, parts, elapsed = query.timed()
    mean, _ = belief.grid.late(stated=False)
    seen = elapsed - np.maximum(mean, GRACE_S)
    if median <= 0 or seen.max() <= 0:
        return belief
    square = (belief.grid.sigma * query.scatter) ** 2
    variance = square if parts == 1.0 else np.log1p(np.expm1(square) * parts)
    bound = np.log(np.maximum(seen, 1e-3) / median) - (square - variance) / 2.0
    row = np.tile(belief.layout.row(query.crew, ((query.work, 1.0),)), (belief.grid.size, 1))
    row[:, 1] = belief.trend_at(query.clock_h)
    return outlast(belief, row, bound, variance)
