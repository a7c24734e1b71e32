"""How long every remaining step takes, in every scenario, drawn from the belief about pace.

A duration depends on its step and the scenario alone: not on when the step starts, nor on which other
steps remain. What may be dropped or kept is judged on that.

Between two events only the pace of the crew moves, and that by little; how widely steps scatter stays as
it is, except in the few scenarios that go over from one component to another. So durations at pace 1 are
kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import Normals, Row, running_on, truncated, upper_tail
from tracker.forecast.memory import Memory, memory_of
from tracker.forecast.pace import Belief, Layout, learned, middle_h
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import SURE, WARMING_H, Array, offset
from tracker.forecast.step_pace import Ask, Shape, shown_pace, with_count, with_overrun
from tracker.journal.progress import Progress

FEW = 16
"""Where no more than one scenario in so many has another noise, only those are made anew."""


@dataclass(slots=True, eq=False)
class Noise:
    """Durations at pace 1 of whole steps in every scenario of one excursion."""

    normals: Normals
    sigma: Row
    rows: dict[str, Row] = field(default_factory=dict)
    """By step; a row is written to again when its time or the noise have changed."""
    shapes: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Of the rows that hold: median in seconds, noise as a multiple of a ten-minute step's."""

    def fill(self, key: str, shape: tuple[float, float], pace: Row, out: Row) -> None:
        """Fill `out` with a key's durations at a pace; `shape`: median in seconds, multiple of the noise."""
        if self.shapes.get(key) == shape:
            np.multiply(self.rows[key], pace, out)
            return
        row = self.rows.get(key)
        if row is None:
            row = self.rows[key] = np.empty_like(self.sigma)
        median, scatter = self.shapes[key] = shape
        np.multiply(self.normals(key), self.sigma, out)
        np.multiply(out, np.float32(scatter), out)
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
        medians, scatters = np.array(list(self.shapes.values())).T[:, :, None]
        part *= self.sigma[columns]
        part *= scatters.astype(np.float32)
        np.exp(part, part)
        part *= medians.astype(np.float32)
        for key, some in zip(self.shapes, part, strict=True):
            self.rows[key][columns] = some


class _Last:
    """The noise of the last estimate, the pace in it, and what steps under way then said."""

    noise: Noise | None = None
    pace: Pace | None = None
    finished: Belief | None = None
    under_way: Sequence[Ask] = ()
    belief: Belief
    """After `finished` and `under_way`, where there is the former."""


def noise_of(memory: Memory, normals: Normals, sigma: Row) -> Noise:
    """The durations at pace 1 of an excursion at this noise, as far as they are made already."""
    last = memory.of(_Last)
    known = last.noise
    if known is None or known.normals is not normals:
        known = last.noise = Noise(normals, sigma)
    else:
        known.turn_to(sigma)
    return known


@dataclass(frozen=True, slots=True, eq=False)
class Scenarios:
    """The state in every scenario: rows of N."""

    state: NDArray[np.float32]
    """(d, N)."""
    component: NDArray[np.intp]
    """(N,): which component of the grid; ascending."""


def draw_state(belief: Belief, normals: Normals) -> Scenarios:
    """The state in every scenario: components take stretches of them by their probability, in fixed order."""
    n = normals.n
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


def _stretch(values: Array) -> slice:
    """The stretch of scenarios from the first with a value to the last."""
    where = np.flatnonzero(values)
    return slice(int(where[0]), int(where[-1]) + 1) if where.size else slice(0, 0)


MOST_ENDS = 12
"""Ends of steps under way that are kept for those who suppose something beside them."""
BIN_S = 900.0
"""Level and streaks wander over stretches of the planned clock this long."""


class Pace:
    """The pace of everybody in every scenario, at every place of the planned clock from now on."""

    def __init__(self, belief: Belief, normals: Normals) -> None:
        """Draw the state of pace in every scenario of an excursion."""
        self.belief, self.normals = belief, normals
        grid, self._layout = belief.grid, belief.layout
        drawn = draw_state(belief, normals)
        self._state, self.component = drawn.state, drawn.component
        self.sigma: Row = grid.sigma[drawn.component].astype(np.float32)
        self._first = math.floor(belief.hours * 3600.0 / BIN_S)
        self._walk: Row = self._of(p.walk for p in grid.processes).astype(np.float32)
        self._streak = self._of(p.streak for p in grid.processes)
        self._lasting = self._of(p.lasting_h for p in grid.processes)
        self._streaky = _stretch(self._streak)
        self._level: list[Row] = [self._state[0]]
        self._warms = _stretch(self._of(p.warms for p in grid.processes))
        self._slope: Row = self._state[1].copy()
        self._slope[self._warms] = 0.0
        self._streaks: list[NDArray[np.float32]] = [self._state[self._layout.streaks, self._streaky]]
        self._alike: dict[int, Row] = {}
        self._members: dict[tuple[str, ...], Row] = {}
        self._bases: dict[tuple[int, tuple[str, ...]], tuple[Row, Row]] = {}
        self._works: dict[str, tuple[Row, Row]] = {}
        self._ends: dict[Ask, Array] = {}

    def _of(self, values: Iterable[float]) -> Array:
        """A value per process, in every scenario."""
        return np.asarray(self.belief.grid.of_process(values)[self.component])

    def ahead(self, clock_s: float) -> int:
        """Which bin ahead of the belief a place of the planned clock is in; 0 for the present and before."""
        return max(math.floor(clock_s / BIN_S) - self._first, 0)

    def _hours(self, ahead: int) -> float:
        """The place of a bin on the planned clock: where it begins to be ahead, or its middle."""
        return self.belief.hours if ahead <= 0 else (self._first + ahead + 0.5) * BIN_S / 3600.0

    def _wander_to(self, ahead: int) -> None:
        """Let level and streaks wander on to a bin."""
        while len(self._level) <= ahead:
            b = len(self._level)
            number, passed = self._first + b, self._hours(b) - self._hours(b - 1)
            step = self.normals(f"drift:{number}") * self._walk
            step *= np.float32(math.sqrt(passed))
            step += self._level[-1]
            self._level.append(step)
            self._streaks.append(self._streaks_after(self._streaks[-1], number, passed))

    def _streaks_after(self, before: NDArray[np.float32], number: int, passed: float) -> NDArray[np.float32]:
        part = self._streaky
        if not before.shape[1]:
            return before
        keep = np.where(self._streak[part] > 0, np.exp(-passed / self._lasting[part]), 1.0)
        fresh = (self._streak[part] * np.sqrt(1.0 - keep**2)).astype(np.float32)
        z = np.stack([self.normals(f"streak:{c}:{number}")[part] for c in self._layout.crew])
        return np.asarray(before * keep.astype(np.float32) + fresh * z)

    def _base(self, ahead: int, crew: tuple[str, ...]) -> tuple[Row, Row]:
        """Logarithm and factor of a crew's pace so far ahead, kinds of work left out."""
        if (ahead, crew) not in self._bases:
            out: Row = self._of_all(ahead) + self._of_crew(crew)
            mine = [self._layout.crew.index(c) for c in crew if c in self._layout.crew]
            for i in mine if self._streaky.stop else ():
                out[self._streaky] += self._streaks[ahead][i] / np.float32(len(mine))
            self._bases[ahead, crew] = out, np.exp(out)
        return self._bases[ahead, crew]

    def _of_all(self, ahead: int) -> Row:
        """Level and trend so far ahead."""
        if ahead not in self._alike:
            self._wander_to(ahead)
            hours, part = self._hours(ahead), self._warms
            out: Row = self._slope * np.float32(hours - self._layout.middle_h)
            out[part] += self._state[1, part] * np.float32(math.exp(-max(hours, 0.0) / WARMING_H))
            out += self._level[ahead]
            self._alike[ahead] = out
        return self._alike[ahead]

    def _of_crew(self, crew: tuple[str, ...]) -> Row:
        """What the members of a crew are by themselves, in the mean."""
        if crew not in self._members:
            row = self._layout.row(crew, ())[2 : 2 + len(self._layout.crew)].astype(np.float32)
            self._members[crew] = row @ self._state[2 : 2 + len(self._layout.crew)]
        return self._members[crew]

    def _work(self, work: str) -> tuple[Row, Row]:
        """Logarithm and factor of a kind of work."""
        if work not in self._works:
            row = self._state[2 + len(self._layout.crew) + self._layout.work.index(work)]
            self._works[work] = row, np.exp(row)
        return self._works[work]

    def log(self, ahead: int, crew: tuple[str, ...], work: str) -> Row:
        """The log pace of a crew at a kind of work, so many bins ahead."""
        return np.asarray(self._base(ahead, crew)[0] + self._work(work)[0])

    def factor(self, ahead: int, crew: tuple[str, ...], work: str, out: Row) -> None:
        """Fill `out` with what that pace makes of every time."""
        np.multiply(self._base(ahead, crew)[1], self._work(work)[1], out)

    def late(self, crew: str) -> Row:
        """How late a crew member's last tick was, seconds."""
        return np.asarray(self._state[self._layout.late(crew)])

    def once(self, ask: Ask, make: Callable[[], Array]) -> Array:
        """The end of a step that has some of its time behind it, made once; nobody writes to it."""
        if ask not in self._ends:
            while len(self._ends) >= MOST_ENDS:
                del self._ends[next(iter(self._ends))]
            self._ends[ask] = make()
        return self._ends[ask]


TROUBLE = 0.04
"""Chance that a step runs on for a reason of its own, however long it has run: constant, or a step stuck for
hours would be taken for one that is done and was not ticked."""
SCALE_FREE = 2.0
"""How steeply the chance of a step in trouble falls with the time it takes: it goes on, in the mean, for as
long as it has taken. What holds a step up knows nothing of how long such steps usually take."""


class Painter:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(self, noise: Noise, prior: PacePrior, pace: Pace) -> None:
        self._noise, self._prior, self._pace = noise, prior, pace
        self._normals, self._grid = pace.normals, pace.belief.grid
        self._certain = prior.sigma <= 0
        self._sure = prior.sigma_weight >= SURE
        self.ended: dict[int, Row] = {}
        """Of the running steps that may have ended already (by place): the instant, from now, at most 0."""

    def fill(self, asks: Sequence[Ask], wanted: Sequence[int], rows: NDArray[np.float32]) -> None:
        """Fill each wanted row with what remains of its step.

        Steps with the same pace come together: it is made once and stays close by.
        """
        alike: dict[tuple[int, tuple[str, ...], str], list[int]] = {}
        for i in wanted:
            ask = asks[i]
            alike.setdefault((self._pace.ahead(ask.clock_s), ask.crew, ask.work), []).append(i)
        pace = np.empty(self._normals.n, dtype=np.float32)
        for (ahead, crew, work), places in alike.items():
            usual = math.exp(offset(self._prior, crew, work))
            self._pace.factor(ahead, crew, work, pace)
            for i in places:
                self._paint(i, asks[i], usual, pace, rows[i])

    def _paint(self, i: int, ask: Ask, usual: float, pace: Row, row: Row) -> None:
        """Fill `row` with what remains of the step; `pace` is its crew's at its work and place."""
        if ask.fixed:
            row[:] = np.float32(_fixed_s(ask))
            return
        if ask.all_counted:
            row[:] = 0.0
            return
        shape = ask.shape(certain=self._certain)
        if shape.elapsed > 0 or ask.gaps_s or shape.parts != 1.0:
            end = self._pace.once(ask, lambda: self._under_way(ask, shape, usual))
            if ask.running and float(end.min()) < 0.0:
                self.ended[i] = np.minimum(end, 0.0).astype(np.float32)
            row[:] = np.maximum(end, 0.0)
        else:
            self._noise.fill(f"step:{ask.step}", (shape.median * usual, shape.scatter), pace, row)

    def _under_way(self, ask: Ask, shape: Shape, usual: float) -> Array:
        """When a step will end that has some of its time behind it, seconds from now."""
        pace = self._pace.log(self._pace.ahead(ask.clock_s), ask.crew, ask.work).astype(np.float64)
        log = pace + math.log(usual)
        rest = self._rest(ask, log)
        if self._certain:
            return np.asarray(np.maximum(shape.median * np.exp(log) - shape.elapsed, 0.0) + rest)
        shift, spread = shape.spread(self._pace.sigma.astype(np.float64))
        centre, key = log + shift + math.log(max(shape.median, 1e-9)), f"step:{ask.step}"
        if ask.running:
            return self._at_work(ask, shape, (centre, spread), rest, np.exp(pace))
        if shape.elapsed <= 0:
            return np.asarray(np.exp(centre + spread * self._normals(key)) + rest)
        lower = (math.log(shape.elapsed) - centre) / spread
        own = self._longer(lower, key, spread)
        return np.asarray(np.maximum(np.exp(centre + spread * own) - shape.elapsed, 0.0) + rest)

    def _rest(self, ask: Ask, log: Array) -> Array | float:
        """What the items after the next one take."""
        rest = ask.rest(certain=self._certain)
        if rest is None:
            return 0.0
        shift, spread = rest.spread(self._pace.sigma.astype(np.float64))
        return np.asarray(rest.median * np.exp(log + shift + spread * self._normals(f"rest:{ask.step}")))

    def _longer(self, lower: Array, key: str, spread: Array) -> Array:
        """Standard normals of a key beyond `lower`, for what scatters so much."""
        above = self._normals.above(key)
        return truncated(lower, above) if self._sure else running_on(lower, above, SCALE_FREE * spread)

    def _at_work(
        self, ask: Ask, shape: Shape, law: tuple[Array, Array], rest: Array | float, pace: Array
    ) -> Array:
        """When a step at work will end, seconds from now; `law` is how long it takes, as logarithms.

        It goes on still, or it may be done already: then it ended as it would have without a word of it.
        """
        (centre, spread), began, key = law, self._began(ask, shape), f"step:{ask.step}"
        mean, var = (each[self._pace.component] for each in self._grid.late(stated=False))
        late = np.maximum(mean + np.sqrt(var) * self._normals("late"), 0.0)
        seen = np.maximum(-began - late, ask.not_done_s)
        lower = (np.log(np.maximum(seen, 1e-3)) - centre) / spread
        going_on = began + np.exp(centre + spread * self._longer(lower, key, spread)) + rest
        own: Array = self._normals(key).astype(np.float64)
        if ask.not_done_s > 0:
            own = self._longer((math.log(ask.not_done_s) - centre) / spread, key, spread)
        ended = began + np.exp(centre + spread * own) + rest
        # By when it usually ends: how long it takes in a scenario has no say in whether that is known.
        usually = began + np.maximum(np.exp(centre), ask.not_done_s) + rest
        free = self._unticked(ask, lower, usually, pace) | (seen <= 0)
        return np.where(free, ended, going_on)

    def _began(self, ask: Ask, shape: Shape) -> Array:
        """When what is timed of the step in progress began in truth, seconds from now."""
        if not ask.gaps_s or ask.counted or ask.left_s is not None:
            return np.full(self._normals.n, -shape.elapsed)
        late = [np.float32(-gap) - self._pace.late(c) for c, gap in ask.gaps_s]
        return np.asarray(np.maximum.reduce(late), dtype=np.float64) - shape.elapsed

    def _unticked(self, ask: Ask, lower: Array, ended: Array, pace: Array) -> NDArray[np.bool_]:
        """Where a step in progress may have been done before now, and was not ticked.

        Every further step that would be done since then was not ticked either: the more of them, the less
        likely, each by the share of ticks that are pressed for several.
        """
        p = (1.0 - TROUBLE) * upper_tail(lower) + TROUBLE
        habit = 1.0 if ask.silent else self._pace.belief.habit
        several = habit ** (1.0 + ask.done_in(np.maximum(-ended, 0.0) / pace))
        return np.asarray(1.0 - self._normals.above("habit") < several / (several + (1.0 - habit) * p))


def _fixed_s(ask: Ask) -> float:
    """What remains of a step that no crew can hurry."""
    if ask.left_s is not None:
        return max(ask.left_s - max(ask.worked_s - ask.left_worked_s, 0.0), 0.0)
    return max(ask.likely - (ask.worked_s if ask.begun else 0.0), 0.0)


@dataclass(frozen=True, eq=False)
class Drawn:
    """Durations of the remaining steps, and the pace behind them."""

    rows: NDArray[np.float32]
    """(steps, N) remaining seconds from now on, in the order of the asks. Columns are not shuffled: process,
    noise and habit go from left to right, so a part of the columns is no fair sample."""
    ended: Mapping[int, Row]
    """By place of an ask at work that any scenario has done already: when, seconds from now, at most 0."""
    late: Callable[[str], Row]
    """How late a crew member's last tick was, seconds."""
    belief: Belief
    component: NDArray[np.intp]
    """(N,): which component of the belief each scenario is of."""
    finished: Belief
    """The belief by what is done and ticked alone, which what goes on and on does not slow."""
    shown: Callable[[Belief], Mapping[str, float]]
    """The median pace over the remaining work: `all`, and per crew member with their own effect."""

    @cached_property
    def pace(self) -> Mapping[str, float]:
        """The pace that is shown; worked out where it is asked for."""
        return self.shown(self.belief)

    @cached_property
    def heard(self) -> Mapping[str, float]:
        """The same by what is done and ticked alone."""
        return self.pace if self.finished is self.belief else self.shown(self.finished)


def draw_durations(
    progress: Progress,
    asks: Sequence[Ask],
    *,
    prior: PacePrior,
    scenarios: int,
    wanted: Sequence[int] | None = None,
    memory: Memory | None = None,
) -> Drawn:
    """The remaining duration of each asked step in every scenario.

    `wanted` are the places of those that are drawn (default: all); the rows of the others are 0.
    Deterministic in the journal's UUID, the steps so far and the asks. Steps in progress are drawn
    beyond the time they have taken already and weigh on the pace of all others.
    """
    memory = memory or memory_of(progress)
    belief = _believe(progress, asks, prior, _layout(progress, asks), memory)
    normals = Normals.of(memory, progress.uuid, scenarios)
    pace = _pace_of(memory, belief, normals)
    rows = memory.lend(len(asks), scenarios)
    wanted = range(len(asks)) if wanted is None else wanted
    rows[sorted(set(range(len(asks))) - set(wanted))] = 0.0
    painter = Painter(noise_of(memory, normals, pace.sigma), prior, pace)
    painter.fill(asks, wanted, rows)
    finished, shown = memory.of(_Last).finished or belief, partial(shown_pace, progress, asks, prior)
    return Drawn(rows, painter.ended, pace.late, belief, pace.component, finished, shown)


def _pace_of(memory: Memory, belief: Belief, normals: Normals) -> Pace:
    """The pace in every scenario by a belief, as far as it is made already."""
    last = memory.of(_Last)
    if last.pace is None or last.pace.belief is not belief or last.pace.normals is not normals:
        last.pace = Pace(belief, normals)
    return last.pace


def _layout(progress: Progress, asks: Sequence[Ask]) -> Layout:
    """The components of the state: the plan's crew and kinds of work first, then what came later."""
    plan = progress.plan
    work = dict.fromkeys(step.work for step in plan.step.values())
    work.update(dict.fromkeys(sorted({seen.work for seen in progress.observations})))
    work.update(dict.fromkeys(sorted({ask.work for ask in asks})))
    return Layout(tuple(member.id for member in plan.crew), tuple(work), middle_h(progress))


def _believe(
    progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout, memory: Memory
) -> Belief:
    """The belief after all that is finished, counted, or in progress."""
    finished, last = learned(progress, prior, layout, memory), memory.of(_Last)
    under_way = sorted((a for a in asks if a.running or a.counted), key=lambda a: (a.clock_s, a.step))
    if last.finished is finished and last.under_way == under_way:
        return last.belief
    belief = finished
    for ask in under_way:
        belief = with_count(belief, ask, prior)
    for ask in under_way:
        belief = with_overrun(belief, ask, prior)
    last.finished, last.under_way, last.belief = finished, under_way, belief
    return belief
