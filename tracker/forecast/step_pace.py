"""What is asked about a remaining step, what is seen of it before it is done, and the pace that is shown.

A step still open says something of pace by the items counted so far, and by running on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.forecast.late_ticks import FADE_S, Group, Tick
from tracker.forecast.pace import GRACE_S, Belief, Filter, outlast
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import Array, offset, own_shape, scatter
from tracker.journal.progress import Progress


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
    gaps_s: tuple[tuple[str, float], ...] = ()
    """Crew members whose last tick began it, each with how much earlier than its begin that tick was; empty
    where it began with something else."""
    following_s: tuple[float, ...] = ()
    """Of a step at work: planned times of what one of its crew has to do after it, as planned."""

    @property
    def all_counted(self) -> bool:
        """Whether every item is done, so that only the tick is wanting."""
        return self.left_s is None and self.counted >= self.count

    @property
    def whole(self) -> bool:
        """Whether all of it is timed at once: no count of it is on record, nothing said to be left."""
        on_record = self.counted > 0 or self.counted_worked_s > 0
        return self.left_s is None and not (on_record and self.counted < self.count)

    @property
    def not_done_s(self) -> float:
        """Work time in what is timed of it at which it was not done, by a count of none."""
        return self.counted_worked_s if self.left_s is None and not self.counted else 0.0

    def done_in(self, passed: Array) -> Array:
        """How many of the steps that follow would be done so long (seconds at pace 1) after it.

        By degrees: half-way through a step it is not done, half-way through the next one it is.
        """
        each = np.maximum(np.array(self.following_s or (self.likely,)), 1.0)
        half_way = np.cumsum(each) - each / 2.0
        more = np.maximum(passed - half_way[-1], 0.0) / each.mean()
        return np.asarray(np.interp(passed, half_way, np.arange(len(each))) + more)

    def shape(self, *, certain: bool) -> Shape:
        """What is timed of it now: the whole, what was said to be left of it, or its next item."""
        if self.left_s is not None:
            return Shape(self.left_s, scatter(self.left_s), 1.0, max(self.worked_s - self.left_worked_s, 0.0))
        median, noise = own_shape(self.likely, self.low, self.high, certain=certain)
        if self.whole:
            return Shape(median, noise, 1.0, self.worked_s if self.begun else 0.0)
        since = max(self.worked_s - (self.counted_worked_s if self.counted else 0.0), 0.0)
        return Shape(median / self.count, noise, float(self.count), since)

    def rest(self, *, certain: bool) -> Shape | None:
        """What is timed of the items after the next one; None without such."""
        more = self.count - self.counted - 1
        if self.whole or self.left_s is not None or more <= 0:
            return None
        median, noise = own_shape(self.likely, self.low, self.high, certain=certain)
        return Shape(median * more / self.count, noise, self.count / more, 0.0)


@dataclass(frozen=True, slots=True)
class Shape:
    """How a step, or a part of it, is timed."""

    median: float
    """Seconds at pace 1."""
    scatter: float
    """Noise of the whole step as a multiple of a ten-minute step's."""
    parts: float
    """Items of the whole over items timed: they are alike and independent."""
    elapsed: float
    """Work time in it."""

    def spread(self, sigma: Array) -> tuple[Array | float, Array]:
        """Shift of the log median, and log spread, at these noises of a ten-minute step."""
        own = sigma * self.scatter
        if self.parts == 1.0:
            return 0.0, own
        variance = np.log1p(np.expm1(own**2) * self.parts)
        return (own**2 - variance) / 2.0, np.sqrt(variance)


def with_count(belief: Belief, ask: Ask, prior: PacePrior) -> Belief:
    """The belief after what the items counted so far of a step still open say."""
    if not 0 < ask.counted <= ask.count or ask.counted_worked_s <= 0 or not ask.evidence or ask.fixed:
        return belief
    median, noise = own_shape(ask.likely, ask.low, ask.high, certain=prior.sigma <= 0)
    planned = median * ask.counted / ask.count * math.exp(offset(prior, ask.crew, ask.work))
    tick = Tick(
        step=ask.step,
        place=0,
        crew=ask.crew,
        work=ask.work,
        planned_s=planned,
        at=belief.hours * 3600.0,
        clock_h=ask.clock_s / 3600.0,
        scatter=noise,
        parts=ask.count / ask.counted,
    )
    leaving = {c: math.exp(-gap / FADE_S) for c, gap in ask.gaps_s}
    total = sum(leaving.values())
    group = Group(
        place=0,
        ticks=(tick,),
        crew=ask.crew,
        took_s=ask.counted_worked_s,
        planned_s=planned,
        usual_s=planned * prior.median,
        end=tick.at,
        origin="tick" if leaving else "free",
        leaving={c: share / total for c, share in leaving.items()},
        power=1.0,
        merged=False,
        habit=belief.habit,
        blind=planned <= 0,
    )
    filtering = Filter(belief)
    filtering.glance(group)
    return filtering.belief()


def with_overrun(belief: Belief, ask: Ask, prior: PacePrior) -> Belief:
    """The belief after a step in progress was seen not to be done yet."""
    if not ask.running or not ask.evidence or ask.silent or ask.fixed or ask.all_counted:
        return belief
    shape = ask.shape(certain=prior.sigma <= 0)
    mean, _ = belief.grid.late(stated=False)
    seen = shape.elapsed - np.maximum(mean, GRACE_S)
    median = shape.median * math.exp(offset(prior, ask.crew, ask.work))
    if median <= 0 or seen.max() <= 0:
        return belief
    shift, spread = shape.spread(belief.grid.sigma)
    bound = np.log(np.maximum(seen, 1e-3) / median) - shift
    row = np.tile(belief.layout.row(ask.crew, ((ask.work, 1.0),)), (belief.grid.size, 1))
    row[:, 1] = belief.trend_at(ask.clock_s / 3600.0)
    return outlast(belief, row, bound, spread**2)


@dataclass(frozen=True, slots=True)
class _Part:
    """Remaining steps of one crew and one kind of work together."""

    crew: tuple[str, ...]
    work: str
    planned_s: float
    hours: float
    """Where they lie on the planned clock, in the mean by planned time."""


def shown_pace(progress: Progress, asks: Sequence[Ask], prior: PacePrior, belief: Belief) -> dict[str, float]:
    """The median pace over the remaining work: `all`, and each crew member with their own effect.

    Effects of crew and work are only told apart by their priors, so only sums are published. Without
    remaining work it is the pace at present.
    """
    every = _parts(asks, belief.hours)
    out = {"all": _mean_pace(every or [_Part((), "", 1.0, belief.hours)], prior, belief)}
    for member in progress.plan.crew:
        own = [part for part in every if member.id in part.crew] or every
        own = own or [_Part((), "", 1.0, belief.hours)]
        alone = [_Part((member.id,), part.work, part.planned_s, part.hours) for part in own]
        out[member.id] = _mean_pace(alone, prior, belief)
    return out


def _parts(asks: Sequence[Ask], now_h: float) -> list[_Part]:
    sums: dict[tuple[tuple[str, ...], str], tuple[float, float]] = {}
    for ask in asks:
        if not ask.fixed and ask.likely > 0:
            planned, weighed = sums.get((ask.crew, ask.work), (0.0, 0.0))
            hours = max(ask.clock_s / 3600.0, now_h)
            sums[ask.crew, ask.work] = planned + ask.likely, weighed + ask.likely * hours
    return [
        _Part(crew, work, planned, weighed / planned) for (crew, work), (planned, weighed) in sums.items()
    ]


def _mean_pace(parts: Sequence[_Part], prior: PacePrior, belief: Belief) -> float:
    """The pace of these parts in the mean of logarithms by planned time."""
    total = sum(part.planned_s for part in parts)
    log_pace = 0.0
    for part in parts:
        expected = belief.expected(part.crew, part.work, part.hours)
        log_pace += part.planned_s / total * (offset(prior, part.crew, part.work) + expected)
    return math.exp(log_pace)
