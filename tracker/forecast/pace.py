"""What the steps so far say about pace: dynamic linear models side by side, in closed form.

The logarithm of actual over planned time is level + crew effect + work effect + noise. The level
drifts along the planned clock, how strongly is not known: one process for each drift, weighed by how
well it predicted (multi-process models of class I: West and Harrison, Bayesian Forecasting and
Dynamic Models, 2nd ed. 1997, ch. 12), each with its own unknown noise variance (ch. 4: conjugate,
Student predictive). All arrays have the processes first: K processes, d components of the state.

The belief after all finished steps is remembered, so that one more tick costs one more update; a remembered
belief is only taken for exactly the same prior, layout and run of observations.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import hazard, upper_tail
from tracker.forecast.memory import Memory
from tracker.forecast.prior import PacePrior
from tracker.journal.progress import Observation, Progress, StepState
from tracker.plan.model import Duration

Array = NDArray[np.float64]

HIGH_OVER_LOW = 3.29
"""Width of a 90 % interval in standard deviations: low and high are the 5 and 95 % points."""
USUAL_SIGMA = 0.33
"""The noise at which a step's own low and high are taken as they stand."""


def own_shape(likely: float, low: float | None, high: float | None, sigma: float) -> tuple[float, float]:
    """Return (median in seconds, variance as a multiple of the noise variance) of a planned time.

    With low and high the median is their geometric mean and `likely` gives way; without any noise
    (`sigma` 0) there is nothing between them, and the planned time is `likely`, as on paper.
    """
    if low is None or high is None or low <= 0 or high < low or sigma <= 0:
        return likely, 1.0
    own = math.log(high / low) / HIGH_OVER_LOW
    return math.sqrt(low * high), (own / USUAL_SIGMA) ** 2


def part_shape(items: float, of: float, sigma: float, noise: float) -> tuple[float, float]:
    """Return (shift of the log median, variance as a multiple of the noise) of some of n equal items.

    The whole is lognormal with variance `noise * sigma**2`; its items are alike and independent, so
    that mean and variance of the part are exactly `items / of` of the whole's.
    """
    if items >= of:
        return 0.0, noise
    whole = noise * sigma * sigma
    if whole < 1e-12:
        return math.log(items / of), noise * of / items
    part = math.log1p(math.expm1(whole) * of / items)
    return math.log(items / of) + 0.5 * (whole - part), part / (sigma * sigma)


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

    @property
    def all_counted(self) -> bool:
        """Whether every item is done, so that only the tick is wanting."""
        return self.left_s is None and self.counted >= self.count

    def shape(self, sigma: float) -> tuple[float, float, float]:
        """Return (median at pace 1, variance as multiple of the noise, work time in it) of what is timed now.

        That is the whole step, what was said to be left of it, or its next item.
        """
        if self.left_s is not None:
            return self.left_s, 1.0, max(self.worked_s - self.left_worked_s, 0.0)
        median, noise = own_shape(self.likely, self.low, self.high, sigma)
        if not 0 < self.counted < self.count:
            return median, noise, self.worked_s if self.begun else 0.0
        shift, noise = part_shape(1, self.count, sigma, noise)
        return median * math.exp(shift), noise, max(self.worked_s - self.counted_worked_s, 0.0)

    def rest(self, sigma: float) -> tuple[float, float] | None:
        """Return (median at pace 1, variance) of the items after the next one, None without such."""
        if self.left_s is not None or not 0 < self.counted < self.count - 1:
            return None
        median, noise = own_shape(self.likely, self.low, self.high, sigma)
        shift, noise = part_shape(self.count - self.counted - 1, self.count, sigma, noise)
        return median * math.exp(shift), noise


TAIL = 10.0
"""Degrees of freedom of the tails that steps are expected to have where processes are weighed."""
STRANGE = 5.0
"""A squared surprise (2.2 standard deviations) beyond which a step pulls the level the less the stranger it
is, and says no more about the noise: neither a stuck fastener nor a tick after one second is a new pace."""
NOISE_SHARE = (TAIL - 4.0) / (TAIL - 1.0)
"""What a step adds to the belief about noise, in steps: squares of a noise with such tails scatter by so
much more than a normal's, 2 / (2 + excess kurtosis)."""
SLOPE_MEAN = 1.6
SLOPE_SPREAD = 1.4
"""A process that drifts also tires: slope an hour, mean and spread, as multiples of its drift squared
(the walk's variance an hour)."""
COMMON_WORK = "general"
"""The kind of work that the level of pace is meant for: no effect of its own unless a pace file says so."""
MISSED_TICK = 0.2
"""Chance that a step seems to run on for a reason that says nothing about pace."""
_LEAST_VARIANCE = 1e-10
_CERTAIN = 1e12


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the components of the state are: level, slope, crew effects, work effects."""

    crew: tuple[str, ...]
    work: tuple[str, ...]
    middle_h: float
    """Middle of the plan on the planned clock."""

    @property
    def size(self) -> int:
        """Number of components."""
        return 2 + len(self.crew) + len(self.work)

    def names(self) -> tuple[str, ...]:
        """Return a key for each component, which also keys its random numbers."""
        crew = tuple(f"crew:{c}" for c in self.crew)
        return ("level", "slope", *crew, *(f"work:{w}" for w in self.work))

    def row(self, crew: Iterable[str], work: Iterable[tuple[str, float]], past_middle_h: float) -> Array:
        """Return what a step sees of the state: its crew in the mean, kinds of work by their shares.

        `past_middle_h` is how far the step lies beyond the middle of the plan, in hours of the planned
        clock: planned times are meant for the crew at its average, so a slope turns about the middle.
        """
        row = np.zeros(self.size)
        row[0], row[1] = 1.0, past_middle_h
        members = [c for c in crew if c in self.crew]
        for c in members:
            row[2 + self.crew.index(c)] += 1.0 / len(members)
        for kind, share in work:
            row[2 + len(self.crew) + self.work.index(kind)] += share
        return row


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One finished step, batch or counted part, as an observation of the state."""

    row: Array
    """(d,): what it sees of the state."""
    value: float
    """log(actual / planned), less what the prior's medians say."""
    noise: float
    """Its variance as a multiple of the noise variance."""
    clock: float
    """Variance from ticks that come late, log; not scaled with the noise."""
    hours: float
    """Its place on the planned clock."""


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What K processes believe about the state; means are deviations from the prior's medians."""

    mean: Array
    """(K, d)."""
    cov: Array
    """(K, d, d), as a multiple of `variance`."""
    variance: Array
    """(K,): estimated noise variance."""
    weight: Array
    """(K,): steps' worth of belief behind it, the degrees of freedom."""
    log_weight: Array
    """(K,): logarithm of the processes' probabilities, up to a constant."""
    drift: Array
    """(K,): variance of the level's walk an hour, as a multiple of `variance`."""
    hours: float
    """Where on the planned clock the belief stands."""

    def shares(self) -> Array:
        """Return the processes' probabilities, (K,), which add up to 1."""
        raw = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(raw / raw.sum())


def start(prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief before the first step."""
    variance = max(prior.sigma**2, _LEAST_VARIANCE)
    drifts = np.array(prior.drifts, dtype=float)
    crew = [prior.crew[c][1] if c in prior.crew else prior.crew_spread for c in layout.crew]
    work = [
        prior.work[w][1] if w in prior.work else prior.work_spread * (w != COMMON_WORK) for w in layout.work
    ]
    k, d = len(drifts), layout.size
    spread = np.tile(np.array([prior.spread, 0.0, *crew, *work]), (k, 1))
    spread[:, 1] = drifts**2 * SLOPE_SPREAD
    mean = np.zeros((k, d))
    mean[:, 1] = drifts**2 * SLOPE_MEAN
    cov = np.zeros((k, d, d))
    cov[:, range(d), range(d)] = spread**2 / variance
    with np.errstate(divide="ignore"):
        log_weight = np.log(np.array(prior.weights, dtype=float))
    weight = prior.sigma_weight if prior.sigma > 0 else _CERTAIN
    full = np.full(k, 1.0)
    return Belief(mean, cov, full * variance, full * weight, log_weight, drifts**2 / variance, 0.0)


def move_on(belief: Belief, hours: float) -> Belief:
    """Return the belief at a later place of the planned clock: the walk widens."""
    ahead = hours - belief.hours
    if ahead <= 0:
        return belief
    cov = belief.cov.copy()
    cov[:, 0, 0] += ahead * belief.drift
    return replace(belief, cov=cov, hours=hours)


def observe(belief: Belief, seen: Evidence, *, tail: float = TAIL) -> Belief:
    """Return the belief after one observation.

    With `tail` infinite and no clock error this is the conjugate update exactly. With a finite one
    processes are weighed by Student densities of that many degrees of freedom, and what a single step can
    do to the level and to the noise is bounded.
    """
    moved = move_on(belief, seen.hours)
    reach = moved.cov @ seen.row
    spread = reach @ seen.row
    error = seen.value - moved.mean @ seen.row
    noise = seen.noise + seen.clock / moved.variance
    surprise = error**2 / (moved.variance * (spread + noise))
    log_weight = moved.log_weight + _log_student(surprise, moved, spread + noise, tail)
    share, scatter = 1.0, surprise
    if math.isfinite(tail):
        noise = softened(noise, surprise)
        share, scatter = NOISE_SHARE, np.minimum(surprise, STRANGE)
    total = spread + np.maximum(noise, 1e-12)
    gain = reach / total[:, None]
    weight = moved.weight + share
    return replace(
        moved,
        mean=moved.mean + gain * error[:, None],
        cov=moved.cov - gain[:, :, None] * reach[:, None, :],
        variance=moved.variance * (moved.weight + share * scatter) / weight,
        weight=weight,
        log_weight=log_weight,
    )


def softened(noise: Array, surprise: Array) -> Array:
    """Return a step's noise variance, raised for one that is strange; the pull on the level is bounded."""
    return np.asarray(noise * np.maximum(1.0, surprise / STRANGE))


def _log_student(surprise: Array, belief: Belief, total: Array, tail: float) -> Array:
    """Return the log predictive density, Student; constants that all processes share left out."""
    freedom = np.minimum(belief.weight, tail)
    return -0.5 * np.log(belief.variance * total) - 0.5 * (freedom + 1.0) * np.log1p(surprise / freedom)


def outlast(belief: Belief, row: Array, bound: float, noise: float) -> Belief:
    """Return the belief after a step was seen to take longer than exp(bound) times its planned time.

    It may run on for a reason of its own, or not have been ticked yet, so the likelihood is the mixture
    (1 - MISSED_TICK) P(longer) + MISSED_TICK; the first two moments of the product are kept.
    """
    reach = belief.cov @ row
    total = np.maximum(reach @ row + noise, 1e-12)
    alpha = (bound - belief.mean @ row) / np.sqrt(belief.variance * total)
    longer = upper_tail(alpha)
    likelihood = (1.0 - MISSED_TICK) * longer + MISSED_TICK
    pull = hazard(alpha) * (1.0 - MISSED_TICK) * longer / likelihood
    shift = reach * (np.sqrt(belief.variance / total) * pull)[:, None]
    shrink = pull * (pull - alpha) / total
    return replace(
        belief,
        mean=belief.mean + shift,
        cov=belief.cov - shrink[:, None, None] * reach[:, :, None] * reach[:, None, :],
        log_weight=belief.log_weight + np.log(likelihood),
    )


CLOCK_ERROR_S = 45.0
"""Standard deviation of a tick's lateness."""
LEAST_ACTUAL_S = 15.0
"""Nothing is believed to have taken less: ticks are not that exact."""


def offset(prior: PacePrior, crew: Sequence[str], work: Sequence[tuple[str, float]]) -> float:
    """Return the log pace that the prior's medians alone expect of this crew at this work."""
    out = math.log(prior.median)
    for c in crew:
        out += math.log(prior.crew[c][0]) / len(crew) if c in prior.crew else 0.0
    for kind, share in work:
        out += share * math.log(prior.work[kind][0]) if kind in prior.work else 0.0
    return out


def of_observation(
    seen: Observation, steps: Mapping[str, StepState], prior: PacePrior, layout: Layout
) -> Evidence | None:
    """Return one observation as evidence; None when nothing in it can show pace."""
    median, squares, fixed_s = [], 0.0, 0.0
    kinds: list[str] = []
    for step, kind, planned in zip(seen.steps, seen.work, seen.planned_s, strict=True):
        state = steps.get(step)
        if state is not None and state.step.fixed:
            fixed_s += planned
            continue
        own, noise = planned, 1.0
        if state is not None and state.step.time.low is not None and state.step.time.likely > 0:
            time = state.step.time
            own, noise = own_shape(time.likely, time.low, time.high, prior.sigma)
            own *= planned / time.likely
        median.append(own)
        kinds.append(kind)
        squares += noise * own * own
    total = sum(median)
    if total <= 0:
        return None
    work = tuple((kind, own / total) for kind, own in zip(kinds, median, strict=True))
    items, of = seen.weight_count
    shift, noise = part_shape(items, of, prior.sigma, squares / total**2)
    shift -= math.log(items / of) if items < of else 0.0
    actual = max(seen.actual_s - fixed_s, LEAST_ACTUAL_S)
    value = math.log(actual / total) - offset(prior, seen.crew, work) - shift
    hours = min(seen.clock_s, seen.at) / 3600.0
    return Evidence(
        layout.row(seen.crew, work, seen.clock_s / 3600.0 - layout.middle_h),
        value,
        noise,
        (CLOCK_ERROR_S / total) ** 2,
        hours,
    )


def of_progress(progress: Progress, prior: PacePrior, layout: Layout) -> list[Evidence]:
    """Return the evidence of everything finished, in the order of the planned clock.

    Work done earlier than planned stands where it was done, so that it does not age the rest.
    """
    return in_order(of_observation(seen, progress.steps, prior, layout) for seen in progress.observations)


def in_order(found: Iterable[Evidence | None]) -> list[Evidence]:
    """Return evidence in the order of the planned clock; of the same place, in the order given."""
    return sorted((seen for seen in found if seen is not None), key=lambda seen: seen.hours)


def of_counted(ask: Ask, prior: PacePrior, layout: Layout, hours: float) -> Evidence | None:
    """Return what the items counted so far of a step still open say."""
    if not 0 < ask.counted <= ask.count or ask.counted_worked_s <= 0:
        return None
    median, noise = own_shape(ask.likely, ask.low, ask.high, prior.sigma)
    shift, noise = part_shape(ask.counted, ask.count, prior.sigma, noise)
    work = ((ask.work, 1.0),)
    actual = max(ask.counted_worked_s, LEAST_ACTUAL_S)
    value = math.log(actual / median) - offset(prior, ask.crew, work) - shift
    clock = (CLOCK_ERROR_S * ask.count / (median * ask.counted)) ** 2
    row = layout.row(ask.crew, work, ask.clock_s / 3600.0 - layout.middle_h)
    return Evidence(row, value, noise, clock, hours)


_Key = tuple[Observation, tuple[tuple[bool, Duration] | None, ...]]
_MOST = 20_000


class _Learned:
    """The last run of observations, and the belief after each of them."""

    prior: PacePrior | None = None
    layout: Layout | None = None

    def __init__(self) -> None:
        self.known: dict[_Key, Evidence | None] = {}
        self.run: list[Evidence] = []
        self.beliefs: list[Belief] = []

    def begin(self, prior: PacePrior, layout: Layout) -> None:
        """Forget what was learned under another prior or layout."""
        if self.prior != prior or self.layout != layout or len(self.known) > _MOST:
            self.known, self.run, self.beliefs = {}, [], []
            self.prior, self.layout = prior, layout


def learned(progress: Progress, prior: PacePrior, layout: Layout, memory: Memory) -> Belief:
    """Return the belief after everything finished, in the order of the planned clock."""
    last = memory.of(_Learned)
    last.begin(prior, layout)
    found = [_evidence(seen, progress.steps, prior, layout, last.known) for seen in progress.observations]
    run = in_order(found)
    same = 0
    for ours, theirs in zip(run, last.run, strict=False):
        if ours is not theirs:
            break
        same += 1
    beliefs = last.beliefs[:same]
    belief = beliefs[-1] if beliefs else start(prior, layout)
    for seen in run[same:]:
        belief = observe(belief, seen)
        beliefs.append(belief)
    last.run, last.beliefs = run, beliefs
    return belief


def _evidence(
    seen: Observation,
    steps: Mapping[str, StepState],
    prior: PacePrior,
    layout: Layout,
    known: dict[_Key, Evidence | None],
) -> Evidence | None:
    """Return one observation as evidence, made once."""
    states = [steps.get(step) for step in seen.steps]
    key = (seen, tuple(None if s is None else (s.step.fixed, s.step.time) for s in states))
    if key not in known:
        known[key] = of_observation(seen, steps, prior, layout)
    return known[key]


@dataclass(frozen=True, slots=True)
class _Part:
    """Remaining steps of one crew and one kind of work together."""

    crew: tuple[str, ...]
    work: str
    planned_s: float
    hours: float
    """Where they lie on the planned clock, in the mean by planned time."""


def shown_pace(
    progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout, belief: Belief
) -> dict[str, float]:
    """Return the median pace over the remaining work: `all`, and each crew member with their own effect.

    Effects of crew and work are only told apart by their priors, so only sums are published. Without
    remaining work it is the pace at present.
    """
    mean = belief.shares() @ belief.mean
    every = _parts(asks, belief.hours)
    out = {"all": _mean_pace(every or [_Part((), "", 1.0, belief.hours)], prior, layout, mean)}
    for member in progress.plan.crew:
        own = [part for part in every if member.id in part.crew] or every
        own = own or [_Part((), "", 1.0, belief.hours)]
        alone = [_Part((member.id,), part.work, part.planned_s, part.hours) for part in own]
        out[member.id] = _mean_pace(alone, prior, layout, mean)
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


def _mean_pace(parts: Sequence[_Part], prior: PacePrior, layout: Layout, mean: Array) -> float:
    """Return the pace of these parts in the mean of logarithms by planned time."""
    total = sum(part.planned_s for part in parts)
    log_pace = 0.0
    for part in parts:
        work = ((part.work, 1.0),) if part.work else ()
        row = layout.row(part.crew, work, part.hours - layout.middle_h)
        log_pace += part.planned_s / total * (offset(prior, part.crew, work) + float(row @ mean))
    return math.exp(log_pace)
