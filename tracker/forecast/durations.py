"""How long every remaining step takes, in every scenario.

A duration depends on its step and the scenario alone: not on when the step starts, nor on which other
steps remain. What may be dropped or kept is judged on that.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from tracker.forecast import evidence
from tracker.forecast.draws import Row, normals, truncated
from tracker.forecast.pace import Array, Belief, Layout, learn, observe, outlast, root
from tracker.forecast.pace_file import PacePrior
from tracker.journal.progress import Progress

GRACE_S = 120.0
"""So much longer than it shows may a step run before that is evidence: ticks come late."""
BIN_S = 900.0
"""The drift is a walk over stretches of the planned clock this long."""
MOST_SIGMA = 3.0
"""A scenario's noise is at most this multiple of the estimated one."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One remaining step whose duration is wanted; planned times in seconds."""

    step: str
    crew: tuple[str, ...]
    work: str
    likely: float
    low: float | None
    high: float | None
    fixed: bool
    count: int
    counted: int
    counted_worked_s: float
    """Work time at the last count."""
    worked_s: float
    """Work time up to now."""
    running: bool
    """At work now: that it is not done yet is evidence. A step set aside only has its time so far."""
    begun: bool
    evidence: bool
    silent: bool
    clock_s: float
    """Planned PET of its middle."""
    left_s: float | None
    """The crew said that it takes this long from `left_worked_s` of work time on."""
    left_worked_s: float

    def shape(self, sigma: float) -> tuple[float, float, float]:
        """Return (median at pace 1, variance as multiple of the noise, work time in it) of what is timed now.

        That is the whole step, what was said to be left of it, or its next item.
        """
        if self.left_s is not None:
            return self.left_s, 1.0, max(self.worked_s - self.left_worked_s, 0.0)
        median, noise = evidence.own_shape(self.likely, self.low, self.high)
        if not 0 < self.counted < self.count:
            return median, noise, self.worked_s if self.begun else 0.0
        shift, noise = evidence.part_shape(1, self.count, sigma, noise)
        return median * math.exp(shift), noise, max(self.worked_s - self.counted_worked_s, 0.0)

    def rest(self, sigma: float) -> tuple[float, float] | None:
        """Return (median at pace 1, variance) of the items after the next one, None without such."""
        if self.left_s is not None or not 0 < self.counted < self.count - 1:
            return None
        median, noise = evidence.own_shape(self.likely, self.low, self.high)
        shift, noise = evidence.part_shape(self.count - self.counted - 1, self.count, sigma, noise)
        return median * math.exp(shift), noise


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Durations of the remaining steps, and the pace behind them."""

    rows: NDArray[np.float32]
    """(steps, N) remaining seconds, in the order of the asks. Columns are not shuffled: the drift
    grows from left to right, so a part of the columns is no fair sample."""
    pace: Mapping[str, float]
    """Median pace over the remaining work: `all`, and per crew member with their own effect."""


@dataclass(frozen=True, slots=True, eq=False)
class _Scenarios:
    """The state in every scenario: rows of N."""

    state: NDArray[np.float32]
    """(d, N): level now, slope, crew and work effects."""
    sigma: Row
    """Standard deviation of a step's noise."""
    drift: Row
    """Standard deviation of the level's walk over the root of an hour."""


def draw_durations(progress: Progress, asks: Sequence[Ask], *, prior: PacePrior, scenarios: int) -> Drawn:
    """Return the remaining duration of each asked step in every scenario.

    Deterministic in the journal's UUID, the steps so far and the asks. Steps in progress are drawn
    beyond the time they have taken already and weigh on the pace of all others.
    """
    layout = _layout(progress, asks)
    belief = _believe(progress, asks, prior, layout)
    drawn = _draw_state(progress.uuid, belief, prior, layout, scenarios)
    rows = _take((len(asks), scenarios))
    painter = _Painter(progress.uuid, prior, layout, belief, drawn)
    for ask, row in zip(asks, rows, strict=True):
        painter.paint(ask, row)
    return Drawn(rows, _pace(progress, asks, prior, layout, belief))


def _layout(progress: Progress, asks: Sequence[Ask]) -> Layout:
    """Return the components of the state: the plan's crew and kinds of work first, then what came later."""
    plan = progress.plan
    work = dict.fromkeys(step.work for step in plan.step.values())
    work.update(dict.fromkeys(sorted({kind for seen in progress.observations for kind in seen.work})))
    work.update(dict.fromkeys(sorted({ask.work for ask in asks})))
    return Layout(tuple(member.id for member in plan.crew), tuple(work))


def _believe(progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after all that is finished, counted, or in progress."""
    belief = learn(prior, layout, evidence.of_progress(progress, prior, layout))
    spoken = {step for seen in progress.observations for step in seen.steps}
    telling = sorted((a for a in asks if a.evidence and not a.fixed), key=lambda a: (a.clock_s, a.step))
    for ask in telling:
        seen = evidence.of_counted(ask, prior, layout, belief.hours) if ask.step not in spoken else None
        belief = observe(belief, seen) if seen is not None else belief
    for ask in telling:
        if ask.running and not ask.silent:
            belief = _overrun(belief, ask, prior, layout)
    return belief


def _overrun(belief: Belief, ask: Ask, prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after a step in progress was seen not to be done yet."""
    median, noise, elapsed = ask.shape(prior.sigma)
    if elapsed <= GRACE_S or median <= 0:
        return belief
    work = ((ask.work, 1.0),)
    bound = math.log((elapsed - GRACE_S) / median) - evidence.offset(prior, ask.crew, work)
    row = layout.row(ask.crew, work, max(ask.clock_s / 3600.0 - belief.hours, 0.0))
    return outlast(belief, row, bound, noise)


def _draw_state(uuid: str, belief: Belief, prior: PacePrior, layout: Layout, n: int) -> _Scenarios:
    """Return the state in every scenario; processes take stretches of scenarios by their probability."""
    z = np.stack([normals(uuid, name, n) for name in layout.names()])
    scale = normals(uuid, "noise", n).astype(np.float64)
    lower = root(belief.cov).astype(np.float32)
    state = np.empty((layout.size, n), dtype=np.float32)
    spread, drift = np.empty(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    ends = np.rint(np.cumsum(belief.shares()) * n).astype(int)
    begin = 0
    for k, end in enumerate(ends):
        part = slice(begin, int(end))
        begin = int(end)
        spread[part] = math.sqrt(belief.variance[k]) * _noise_scale(scale[part], float(belief.weight[k]))
        np.matmul(lower[k], z[:, part], out=state[:, part])
        state[:, part] *= spread[part]
        state[:, part] += belief.mean[k].astype(np.float32)[:, None]
        drift[part] = spread[part] * np.float32(math.sqrt(belief.drift[k]))
    return _Scenarios(state, spread if prior.sigma > 0 else np.zeros_like(spread), drift)


def _noise_scale(z: Array, freedom: float) -> Array:
    """Return the root of freedom over a chi-square draw made from normals.

    Source: Wilson and Hilferty, PNAS 17 (1931) 684-688.
    """
    third = 2.0 / (9.0 * freedom)
    cube = np.maximum(1.0 - third + z * math.sqrt(third), MOST_SIGMA ** (-2.0 / 3.0))
    return np.asarray(cube**-1.5)


class _Painter:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(
        self, uuid: str, prior: PacePrior, layout: Layout, belief: Belief, drawn: _Scenarios
    ) -> None:
        self._uuid, self._prior, self._layout, self._drawn = uuid, prior, layout, drawn
        self._now_h = belief.hours
        self._size = drawn.sigma.shape[0]
        self._first_bin = math.floor(belief.hours * 3600.0 / BIN_S)
        self._level = [drawn.state[0]]
        self._effects: dict[tuple[tuple[str, ...], str], Row] = {}

    def paint(self, ask: Ask, row: Row) -> None:
        """Fill `row` with what remains of the step."""
        if ask.fixed:
            median, elapsed = self._fixed(ask)
            row[:] = np.float32(max(median - elapsed, 0.0))
            return
        median, noise, elapsed = ask.shape(self._prior.sigma)
        median *= math.exp(evidence.offset(self._prior, ask.crew, ((ask.work, 1.0),)))
        z = normals(self._uuid, f"step:{ask.step}", self._size)
        if elapsed > 0:
            self._beyond(ask, median, noise, elapsed, z, row)
        else:
            self._whole(ask, median, noise, z, row)
        rest = ask.rest(self._prior.sigma)
        if rest is not None:
            more = np.empty_like(row)
            factor = math.exp(evidence.offset(self._prior, ask.crew, ((ask.work, 1.0),)))
            z = normals(self._uuid, f"rest:{ask.step}", self._size)
            self._whole(ask, rest[0] * factor, rest[1], z, more)
            row += more

    @staticmethod
    def _fixed(ask: Ask) -> tuple[float, float]:
        """Return planned time and work time of a step that no crew can hurry."""
        if ask.left_s is not None:
            return ask.left_s, max(ask.worked_s - ask.left_worked_s, 0.0)
        return ask.likely, ask.worked_s if ask.begun else 0.0

    def _whole(self, ask: Ask, median: float, noise: float, z: Row, row: Row) -> None:
        """Fill `row` with whole durations."""
        np.multiply(z, self._drawn.sigma, out=row)
        if noise != 1.0:
            row *= np.float32(math.sqrt(noise))
        row += self._walk(ask.clock_s)
        row += self._effect(ask.crew, ask.work)
        np.exp(row, out=row)
        row *= np.float32(median)

    def _beyond(self, ask: Ask, median: float, noise: float, elapsed: float, z: Row, row: Row) -> None:
        """Fill `row` with what remains of a step that has taken `elapsed` so far."""
        centre = (self._walk(ask.clock_s) + self._effect(ask.crew, ask.work)).astype(np.float64)
        spread = math.sqrt(noise) * self._drawn.sigma.astype(np.float64)
        if self._prior.sigma <= 0 or noise <= 0:
            row[:] = np.maximum(median * np.exp(centre) - elapsed, 0.0)
            return
        lower = (math.log(elapsed / median) - centre) / spread
        row[:] = np.maximum(median * np.exp(centre + spread * truncated(lower, z)) - elapsed, 0.0)

    def _walk(self, clock_s: float) -> Row:
        """Return the level at a place of the planned clock; places behind the present have the present's."""
        ahead = math.floor(clock_s / BIN_S) - self._first_bin
        while len(self._level) <= ahead:
            number = self._first_bin + len(self._level)
            begun = max((number - 0.5) * BIN_S / 3600.0, self._now_h)
            hours = np.float32((number + 0.5) * BIN_S / 3600.0 - begun)
            step = normals(self._uuid, f"drift:{number}", self._size) * self._drawn.drift
            step *= np.sqrt(hours)
            step += self._drawn.state[1] * hours
            step += self._level[-1]
            self._level.append(step)
        return self._level[max(ahead, 0)]

    def _effect(self, crew: tuple[str, ...], work: str) -> Row:
        """Return crew and work effects together."""
        row = self._effects.get((crew, work))
        if row is None:
            share = self._layout.row(crew, ((work, 1.0),))[2:].astype(np.float32)
            row = np.asarray(share @ self._drawn.state[2:])
            self._effects[crew, work] = row
        return row


def _pace(
    progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout, belief: Belief
) -> dict[str, float]:
    """Return the median pace over the remaining work, for all and for each crew member."""
    mean = belief.shares() @ belief.mean
    ahead = [a for a in asks if not a.fixed and a.likely > 0]
    out = {"all": _mean_pace([(a, a.crew) for a in ahead], prior, layout, belief, mean)}
    for member in progress.plan.crew:
        own = [(a, (member.id,)) for a in ahead if member.id in a.crew] or [(a, (member.id,)) for a in ahead]
        out[member.id] = _mean_pace(own, prior, layout, belief, mean, (member.id,))
    return out


def _mean_pace(
    parts: Sequence[tuple[Ask, tuple[str, ...]]],
    prior: PacePrior,
    layout: Layout,
    belief: Belief,
    mean: Array,
    crew: tuple[str, ...] = (),
) -> float:
    """Return the pace of these steps done by these crews, weighed by planned time."""
    if not parts:
        return math.exp(evidence.offset(prior, crew, ()) + float(layout.row(crew, ()) @ mean))
    total = sum(ask.likely for ask, _ in parts)
    log_pace = 0.0
    for ask, who in parts:
        work = ((ask.work, 1.0),)
        row = layout.row(who, work, max(ask.clock_s / 3600.0 - belief.hours, 0.0))
        log_pace += ask.likely / total * (evidence.offset(prior, who, work) + float(row @ mean))
    return math.exp(log_pace)


_pool: list[NDArray[np.float32]] = []
_pool_lock = Lock()


def _take(shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return a float32 array of this shape, from memory that nobody holds any more where possible."""
    size = shape[0] * shape[1]
    with _pool_lock:
        for block in _pool:
            if block.size >= size and sys.getrefcount(block) == 3:
                return block[:size].reshape(shape)
        if len(_pool) >= 4:
            _pool.pop(0)
        block = np.empty(size, dtype=np.float32)
        _pool.append(block)
        return block[:size].reshape(shape)
