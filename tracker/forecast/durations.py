"""How long every remaining step takes, in every scenario.

A duration depends on its step and the scenario alone: not on when the step starts, nor on which other
steps remain. What may be dropped or kept is judged on that.

Between two events only the pace of the crew moves, and that by little; how widely steps scatter stays as
it is, except in the few scenarios that go over from one process to another. So durations at pace 1 are kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import Normals, Row, running_on, truncated
from tracker.forecast.memory import Memory, memory_of
from tracker.forecast.pace import (
    Array,
    Ask,
    Belief,
    Layout,
    learned,
    observe,
    of_counted,
    offset,
    outlast,
    shown_pace,
)
from tracker.forecast.prior import PacePrior
from tracker.journal.progress import Progress

FEW = 16
"""Where no more than one scenario in so many has another noise, only those are made anew."""


@dataclass(slots=True, eq=False)
class Noise:
    """Durations at pace 1 of whole steps, or of parts of them, in every scenario of one excursion."""

    normals: Normals
    sigma: Row
    rows: dict[str, Row] = field(default_factory=dict)
    """By key; a row is written to again when its time or the noise have changed."""
    shapes: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Of the rows that hold: median in seconds, variance as a multiple of the noise variance."""

    def fill(self, key: str, shape: tuple[float, float], pace: Row, out: Row) -> None:
        """Fill `out` with a key's durations at a pace; `shape`: median in seconds, variance in noises."""
        if self.shapes.get(key) == shape:
            np.multiply(self.rows[key], pace, out)
            return
        row = self.rows.get(key)
        if row is None:
            row = self.rows[key] = np.empty_like(self.sigma)
        median, noise = self.shapes[key] = shape
        np.multiply(self.normals(key), self.sigma, out)
        if noise != 1.0:
            np.multiply(out, np.float32(math.sqrt(noise)), out)
        np.exp(out, out)
        np.multiply(out, np.float32(median), row)
        np.multiply(row, pace, out)

    def turn_to(self, sigma: Row) -> None:
        """Take over another noise."""
        other = np.flatnonzero(sigma != self.sigma)
        self.sigma = sigma
        if other.size * FEW > sigma.size:
            self.shapes.clear()
        elif other.size and self.shapes:
            self._mend(other)

    def _mend(self, columns: np.ndarray[tuple[int], np.dtype[np.intp]]) -> None:
        """Make these scenarios anew, in the same steps of arithmetic as all of them."""
        part = np.stack([self.normals(key)[columns] for key in self.shapes])
        medians, noises = np.array(list(self.shapes.values())).T[:, :, None]
        part *= self.sigma[columns]
        part *= np.sqrt(noises).astype(np.float32)
        np.exp(part, part)
        part *= medians.astype(np.float32)
        for key, some in zip(self.shapes, part, strict=True):
            self.rows[key][columns] = some


class _Last:
    """The noise of the last estimate."""

    noise: Noise | None = None


def noise_of(memory: Memory, normals: Normals, sigma: Row) -> Noise:
    """Return the durations at pace 1 of an excursion at this noise, as far as they are made already."""
    last = memory.of(_Last)
    known = last.noise
    if known is None or known.normals is not normals:
        known = last.noise = Noise(normals, sigma)
    else:
        known.turn_to(sigma)
    return known


MOST_SIGMA = 3.0
"""A scenario's noise is at most this multiple of the estimated one."""


@dataclass(frozen=True, slots=True, eq=False)
class Scenarios:
    """The state in every scenario: rows of N."""

    state: NDArray[np.float32]
    """(d, N): level now, slope, crew and work effects."""
    sigma: Row
    """Standard deviation of a step's noise."""
    drift: Row
    """Standard deviation of the level's walk over the root of an hour."""


def draw_state(normals: Normals, belief: Belief, prior: PacePrior, layout: Layout) -> Scenarios:
    """Return the state in every scenario; processes take stretches of scenarios by their probability.

    Each scenario has a noise of its own. The state's spread is taken at the estimated noise: how crews
    differ is believed in its own right, not in units of the noise.
    """
    n = normals.n
    z = np.stack([normals(name) for name in layout.names()])
    scale = normals("noise").astype(np.float64)
    lower = root(belief.cov * belief.variance[:, None, None]).astype(np.float32)
    walk = np.sqrt(belief.drift * belief.variance)
    state = np.empty((layout.size, n), dtype=np.float32)
    sigma, drift = np.zeros(n, dtype=np.float32), np.empty(n, dtype=np.float32)
    begin = 0
    for k, end in enumerate(np.rint(np.cumsum(belief.shares()) * n).astype(int)):
        part = slice(begin, int(end))
        begin = int(end)
        np.einsum("ij,jn->in", lower[k], z[:, part], out=state[:, part])
        state[:, part] += belief.mean[k].astype(np.float32)[:, None]
        drift[part] = walk[k]
        if prior.sigma > 0:
            sigma[part] = math.sqrt(belief.variance[k]) * _noise_scale(scale[part], float(belief.weight[k]))
    return Scenarios(state, sigma, drift)


def root(cov: Array) -> Array:
    """Return lower triangles L with L Lᵀ = cov for a stack of covariances, also singular ones, (K, d, d).

    A component without variance of its own gets a column of zeros.
    """
    left, out = cov.copy(), np.zeros_like(cov)
    size = cov.shape[-1]
    scale = np.maximum(np.abs(cov[:, range(size), range(size)]).max(axis=1), 1e-300)
    for j in range(size):
        pivot = left[:, j, j]
        solid = pivot > 1e-13 * scale
        column = np.where(solid[:, None], left[:, :, j] / np.sqrt(np.where(solid, pivot, 1.0))[:, None], 0.0)
        column[:, :j] = 0.0
        out[:, :, j] = column
        left -= column[:, :, None] * column[:, None, :]
    return out


def _noise_scale(z: Array, freedom: float) -> Array:
    """Return the root of a chi-square's median over a draw of it made from normals: median 1.

    Source: Wilson and Hilferty, PNAS 17 (1931) 684-688.
    """
    third = 2.0 / (9.0 * freedom)
    cube = np.maximum(1.0 + z * math.sqrt(third) / (1.0 - third), MOST_SIGMA ** (-2.0 / 3.0))
    return np.asarray(cube**-1.5)


_Who = tuple[tuple[str, ...], str]
"""A crew and a kind of work."""

BIN_S = 900.0
"""The drift is a walk over stretches of the planned clock this long."""
SURE = 1000.0
"""So many steps behind the noise of a pace file, and it is taken at its word also where a step runs on."""


class _Effect(NamedTuple):
    """What crew and work make of a step's time."""

    log: Row
    factor: Row
    usual: float
    """The factor that the prior expects of them."""


class Painter:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(
        self, noise: Noise, prior: PacePrior, layout: Layout, belief: Belief, drawn: Scenarios
    ) -> None:
        self._noise = noise
        self._normals = self._noise.normals
        self._prior, self._layout, self._drawn = prior, layout, drawn
        self._now_h = belief.hours
        self._first_bin = math.floor(belief.hours * 3600.0 / BIN_S)
        past_middle = np.float32(belief.hours - layout.middle_h)
        self._level: list[Row] = [drawn.state[0] + drawn.state[1] * past_middle]
        self._stretches: dict[float, tuple[Row, Row]] = {}
        self._effects: dict[_Who, _Effect] = {}
        self._factors: dict[int, Row] = {}

    def fill(self, asks: Sequence[Ask], wanted: Sequence[int], rows: NDArray[np.float32]) -> None:
        """Fill each wanted row with what remains of its step.

        Steps with the same level and effects come together: their product is made once and stays close by.
        """
        alike: dict[tuple[int, tuple[str, ...], str], list[int]] = {}
        for i in wanted:
            ask = asks[i]
            ahead = max(int(ask.clock_s // BIN_S) - self._first_bin, 0)
            alike.setdefault((ahead, ask.crew, ask.work), []).append(i)
        pace = np.empty(self._drawn.sigma.shape[0], dtype=np.float32)
        for (ahead, _, _), places in alike.items():
            effect = self._effect(asks[places[0]])
            np.multiply(self._factor(ahead), effect.factor, pace)
            for i in places:
                self._paint(asks[i], ahead, effect, pace, rows[i])

    def _paint(self, ask: Ask, ahead: int, effect: _Effect, pace: Row, row: Row) -> None:
        """Fill `row` with what remains of the step; `pace` is what its level and effects come to."""
        if ask.fixed:
            median, elapsed = self._fixed(ask)
            row[:] = np.float32(max(median - elapsed, 0.0))
            return
        if ask.all_counted:
            row[:] = 0.0
            return
        median, noise, elapsed = ask.shape(self._prior.sigma)
        median *= effect.usual
        if elapsed > 0:
            self._beyond(f"step:{ask.step}", self._walk(ahead) + effect.log, (median, noise, elapsed), row)
        else:
            self._noise.fill(f"step:{ask.step}", (median, noise), pace, row)
        if ask.counted and (rest := ask.rest(self._prior.sigma)) is not None:
            more = np.empty_like(row)
            self._noise.fill(f"rest:{ask.step}", (rest[0] * effect.usual, rest[1]), pace, more)
            row += more

    @staticmethod
    def _fixed(ask: Ask) -> tuple[float, float]:
        """Return planned time and work time of a step that no crew can hurry."""
        if ask.left_s is not None:
            return ask.left_s, max(ask.worked_s - ask.left_worked_s, 0.0)
        return ask.likely, ask.worked_s if ask.begun else 0.0

    def _beyond(self, key: str, centre: Row, shape: tuple[float, float, float], row: Row) -> None:
        """Fill `row` with what remains of a step; `shape`: median, noise, what it has taken so far."""
        median, noise, elapsed = shape
        middle = centre.astype(np.float64)
        spread = math.sqrt(noise) * self._drawn.sigma.astype(np.float64)
        if self._prior.sigma <= 0 or noise <= 0 or median <= 0:
            row[:] = np.maximum(median * np.exp(middle) - elapsed, 0.0)
            return
        lower = (math.log(elapsed / median) - middle) / spread
        longer = truncated if self._prior.sigma_weight >= SURE else running_on
        own = longer(lower, self._normals.above(key))
        row[:] = np.maximum(median * np.exp(middle + spread * own) - elapsed, 0.0)

    def _walk(self, ahead: int) -> Row:
        """Return the level so many stretches of the planned clock ahead.

        Places behind the present have the level of the present, none ahead.
        """
        while len(self._level) <= ahead:
            number = self._first_bin + len(self._level)
            before = self._now_h if len(self._level) == 1 else (number - 0.5) * BIN_S / 3600.0
            walk, slope = self._stretch((number + 0.5) * BIN_S / 3600.0 - before)
            step = self._normals(f"drift:{number}") * walk
            step += slope
            step += self._level[-1]
            self._level.append(step)
        return self._level[ahead]

    def _factor(self, ahead: int) -> Row:
        """Return what the level so far ahead makes of every time."""
        if ahead not in self._factors:
            self._factors[ahead] = np.exp(self._walk(ahead))
        return self._factors[ahead]

    def _stretch(self, hours: float) -> tuple[Row, Row]:
        """Return spread and mean of the walk over so long a stretch; all but the first are alike."""
        key = round(hours, 9)
        if key not in self._stretches:
            walk = self._drawn.drift * np.sqrt(np.float32(hours))
            self._stretches[key] = walk, self._drawn.state[1] * np.float32(hours)
        return self._stretches[key]

    def _effect(self, ask: Ask) -> _Effect:
        """Return crew and work effects together."""
        who = ask.crew, ask.work
        if who not in self._effects:
            work = ((ask.work, 1.0),)
            share = self._layout.row(ask.crew, work, 0.0)[2:].astype(np.float32)
            usual = math.exp(offset(self._prior, ask.crew, work))
            log = np.einsum("i,ij->j", share, self._drawn.state[2:])
            self._effects[who] = _Effect(log, np.exp(log), usual)
        return self._effects[who]


GRACE_S = 120.0
"""So much longer than it shows may a step run before that is evidence: ticks come late."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Durations of the remaining steps, and the pace behind them."""

    rows: NDArray[np.float32]
    """(steps, N) remaining seconds, in the order of the asks. Columns are not shuffled: the drift
    grows from left to right, so a part of the columns is no fair sample."""
    pace: Mapping[str, float]
    """Median pace over the remaining work: `all`, and per crew member with their own effect."""


def draw_durations(
    progress: Progress,
    asks: Sequence[Ask],
    *,
    prior: PacePrior,
    scenarios: int,
    wanted: Sequence[int] | None = None,
    memory: Memory | None = None,
) -> Drawn:
    """Return the remaining duration of each asked step in every scenario.

    `wanted` are the places of those that are drawn (default: all); the rows of the others are 0.
    Deterministic in the journal's UUID, the steps so far and the asks. Steps in progress are drawn
    beyond the time they have taken already and weigh on the pace of all others.
    """
    layout = _layout(progress, asks)
    memory = memory or memory_of(progress)
    belief = _believe(progress, asks, prior, layout, memory)
    normals = Normals.of(memory, progress.uuid, scenarios)
    drawn = draw_state(normals, belief, prior, layout)
    rows = memory.lend(len(asks), scenarios)
    wanted = range(len(asks)) if wanted is None else wanted
    rows[sorted(set(range(len(asks))) - set(wanted))] = 0.0
    Painter(noise_of(memory, normals, drawn.sigma), prior, layout, belief, drawn).fill(asks, wanted, rows)
    return Drawn(rows, shown_pace(progress, asks, prior, layout, belief))


def _layout(progress: Progress, asks: Sequence[Ask]) -> Layout:
    """Return the components of the state: the plan's crew and kinds of work first, then what came later."""
    plan = progress.plan
    work = dict.fromkeys(step.work for step in plan.step.values())
    work.update(dict.fromkeys(sorted({kind for seen in progress.observations for kind in seen.work})))
    work.update(dict.fromkeys(sorted({ask.work for ask in asks})))
    middle_h = max((end for _, end in progress.planned.values()), default=0.0) / 7200.0
    return Layout(tuple(member.id for member in plan.crew), tuple(work), middle_h)


def _believe(
    progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout, memory: Memory
) -> Belief:
    """Return the belief after all that is finished, counted, or in progress."""
    belief = learned(progress, prior, layout, memory)
    spoken = {step for seen in progress.observations for step in seen.steps}
    under_way = (ask for ask in asks if ask.running or ask.counted)
    telling = sorted((a for a in under_way if a.evidence and not a.fixed), key=lambda a: (a.clock_s, a.step))
    for ask in telling:
        seen = of_counted(ask, prior, layout, belief.hours) if ask.step not in spoken else None
        belief = observe(belief, seen) if seen is not None else belief
    for ask in telling:
        if ask.running and not ask.silent and not ask.all_counted:
            belief = _overrun(belief, ask, prior, layout)
    return belief


def _overrun(belief: Belief, ask: Ask, prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after a step in progress was seen not to be done yet.

    The processes keep their probabilities until it is done, so that no scenario changes its process
    while nothing happens.
    """
    median, noise, elapsed = ask.shape(prior.sigma)
    if elapsed <= GRACE_S or median <= 0:
        return belief
    work = ((ask.work, 1.0),)
    bound = math.log((elapsed - GRACE_S) / median) - offset(prior, ask.crew, work)
    row = layout.row(ask.crew, work, ask.clock_s / 3600.0 - layout.middle_h)
    return replace(outlast(belief, row, bound, noise), log_weight=belief.log_weight)
