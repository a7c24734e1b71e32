"""What is left of each store and how fast it goes, from the plan's coefficients and the readings.

Hidden here: a grid of rates. Rate 1 is as the plan has it. At rate t a store loses min(t, 1.5) times what
the model says was used, and beyond 1.5 it leaks: max(t - 1.5, 0) times the plan's mean rate, whatever its
crew does. Each rate on the grid has a weight and a level; one variance serves for all levels.

A lower latest reading makes no figure better in any scenario, whatever went before: the likelihood is
log-concave with one scale for all rates, so a lower reading shifts the weights upwards in likelihood-ratio
order; the level moves by a gain times a deviation, which never falls as the reading rises; levels never rise
along the grid; and nothing else (variance, horizon) looks at that reading. A low reading is believed at
once; of a high one the part beyond three deviations counts only when another reading has come.

Readings are held against more than is foreseen: before each of them the rate may have wandered, and in one
case of seven risen for good, so that a leak is found by the second reading. Scenarios foresee a third of the
wandering and no fault; with eight stores suspected that readily nothing would ever be safe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import NORMAL_SHARES, Places, from_upper_tail, upper_tail
from tracker.forecast.figures import Leak
from tracker.forecast.world import Row
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Reading
from tracker.plan.model import store_words

Grid = NDArray[np.float64]
"""(rates,): one value for each rate of the grid."""
Used = Callable[[float, float], float]
"""What the model says was used between two PETs, in the consumable's unit, at use factor 1."""

LEAST, MOST, POINTS = 0.3, 4.0, 81
"""The grid of rates, evenly spaced in its logarithm."""
RATES, PLANNED = np.geomspace(LEAST, MOST, POINTS), np.ones(1)
STEP = math.log(MOST / LEAST) / (POINTS - 1)
"""Of the grid, in the logarithm of the rate."""
FAULTY_FROM = 1.2
FAULTY_FALL = 1.5
"""The rate of a faulty store is anywhere from here to the greatest; great ones are rarer by this power."""
SUSPECTED_PER_HOUR, SUSPECTED_AT_MOST = 0.3, 0.14
"""How readily a reading is taken to say that a sound store has become faulty since the one before."""
TOLD_APART = 3.0
"""So many deviations is what is used between two readings worth where one rate can be told from twice of it.
Of less, a reading says nothing about a fault, and by the square of it no fault is suspected."""
WALK = 0.15
"""How far the logarithm of the rate may have wandered before a reading, standard deviation per square root
of an hour."""
WALK_AHEAD = 1 / 3
"""Part of it that scenarios assume of the time to come."""
MODEL_ERROR = 0.12
"""Of what was used between two readings, the standard deviation of what efforts and times leave out."""
GRID_ERROR = 0.02
"""The same of a steady rate: rates on the grid cannot be told apart more finely."""
READING_TIMES = 1.4
"""Gauges are less exact than they are stated to be: so many times."""
LEAKS_FROM = 1.5
"""The rate beyond which a store leaks: no effort of its crew explains it."""
TAIL_FROM = 2.5
"""Where the likelihood of a reading goes over from a normal's to an exponential's, in deviations."""
LOW_WHOLLY = 5.0
"""A reading so many deviations low is believed wholly; from TAIL_FROM on more and more of it."""
HIGH_AT_MOST = 3.0
"""A reading is believed to be so many deviations high at most, until another one has come."""
FLAG_AT_SD = 3.0
"""A reading beyond so many deviations contradicts the model."""
LEAST_WEIGHT = 1e-290
"""No rate is ever excluded."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What is known of a store before anything was read."""

    start: float
    reading_sd: float
    """As stated; also how exactly the start is known."""
    unit: str
    mean_per_hour: float
    """The plan's mean rate with everything in: what a leak is measured by."""
    spread: float = 0.15
    """Of the rate about 1 before anything is known; 0: the rate is 1 throughout."""
    walk: float = WALK
    """0: the rate stays what it is from beginning to end, and no store becomes faulty."""

    @property
    def rates(self) -> Grid:
        """Ascending; a single point where nothing is open."""
        return RATES if self.spread > 0 else PLANNED

    @property
    def variance(self) -> float:
        """Variance of a reading about the true level."""
        return (READING_TIMES * self.reading_sd) ** 2

    @property
    def leak_per_hour(self) -> Grid:
        """What a store loses an hour at each rate, whatever its crew does."""
        return np.maximum(self.rates - LEAKS_FROM, 0.0) * self.mean_per_hour

    def takes(self, used: float, hours: float) -> Grid:
        """Return what is lost at each rate while the model says so much was used in so many hours."""
        return np.minimum(self.rates, LEAKS_FROM) * used + self.leak_per_hour * hours


@dataclass(frozen=True, slots=True, eq=False)
class Store:
    """What is believed about one store at one PET."""

    at: float
    weights: Grid
    """(rates,), adding up to 1."""
    levels: Grid
    """(rates,): what is left at each rate; never rising along the grid."""
    variance: float
    """Of what is left, at each rate."""
    aside: float = 0.0
    """How far the latest reading was higher than what was believed of it."""
    flagged: str | None = None
    """What a reading that contradicts the model says; None once a later reading fits."""
    read_at: float | None = None
    leak: Leak | None = None
    """As after the latest reading."""

    @property
    def level(self) -> float:
        """What is left, on average."""
        return float(self.weights @ self.levels)

    def rate(self, terms: Terms) -> float:
        """How many times as fast as planned it goes, on average."""
        return float(self.weights @ terms.rates)

    @property
    def sd(self) -> float:
        """Standard deviation of what is left."""
        return math.sqrt(self.variance + float(self.weights @ (self.levels - self.level) ** 2))


def full(terms: Terms) -> Store:
    """Return what is believed at PET 0: the store as planned, most likely at about the planned rate."""
    return Store(0.0, _prior(terms.spread), np.full(len(terms.rates), terms.start), terms.variance)


class Seen(NamedTuple):
    """A reading that was judged, and all that the belief after it was made of."""

    reading: Reading | None
    """None before any."""
    at: float
    taken: float
    """What the model says was used since the one before."""
    after: Store


def believed(
    readings: Iterable[Reading], used: Used, terms: Terms, *, now: float, seen: list[Seen] | None = None
) -> Store:
    """What is believed at `now` (PET seconds) after these readings, in their order.

    `used(a, b)` is the model's use between two PETs at rate 1. `seen`, of the same terms, says what is known
    already, and is brought up to these readings.
    """
    seen = [] if seen is None else seen
    if not seen:
        seen.append(Seen(None, 0.0, 0.0, full(terms)))
    store = seen[0].after
    for k, reading in enumerate(readings, start=1):
        at = max(store.at, min(reading.at, now))
        taken = used(store.at, at)
        if k == len(seen) or seen[k][:3] != (reading, at, taken):
            after = read(suspected(store, at, used, terms), reading, terms)
            seen[k:] = [Seen(reading, at, taken, after)]
        store = seen[k].after
    return carried(store, now, used, terms)


def carried(store: Store, to: float, used: Used, terms: Terms) -> Store:
    """Return the belief at a later PET if every rate stays what it is; earlier ones change nothing."""
    if to <= store.at:
        return store
    taken = used(store.at, to)
    levels = store.levels - terms.takes(taken, (to - store.at) / 3600.0)
    return replace(store, at=to, levels=levels, variance=_grown(store.variance, taken, terms))


def suspected(store: Store, to: float, used: Used, terms: Terms) -> Store:
    """Return the belief against which a reading at a later PET is held; earlier ones change nothing.

    Where a rate has changed meanwhile, half the time went at the old one and half at the new one.
    """
    if to <= store.at:
        return store
    if len(terms.rates) == 1 or terms.walk == 0:
        return carried(store, to, used, terms)
    taken, hours = used(store.at, to), (to - store.at) / 3600.0
    half = terms.takes(taken, hours) / 2.0
    sharp = taken / max(math.sqrt(store.variance + terms.variance), 1e-12) / TOLD_APART
    breaks = min(SUSPECTED_AT_MOST, -math.expm1(-SUSPECTED_PER_HOUR * hours)) * min(1.0, sharp**2)
    weights, levels = _moved(store.weights, store.levels - half, terms.walk * math.sqrt(hours), breaks)
    return replace(
        store,
        at=to,
        weights=weights,
        levels=np.minimum.accumulate(levels - half),
        variance=_grown(store.variance, taken, terms),
    )


def _grown(variance: float, taken: float, terms: Terms) -> float:
    """Return the variance of a level after the model says so much was used."""
    if len(terms.rates) == 1:
        return variance
    error = MODEL_ERROR if terms.walk > 0 else GRID_ERROR
    return variance + (error * taken) ** 2


def read(store: Store, reading: Reading, terms: Terms) -> Store:
    """Return the belief after a reading at the store's own PET."""
    if reading.replaced:
        return _anew(store, reading, terms)
    variance = store.variance + store.aside**2
    total = variance + terms.variance
    scale = max(math.sqrt(total), 1e-9 * max(1.0, abs(reading.value)))
    off = (reading.value - store.levels) / scale
    weights = _weighed(store.weights, off)
    gain = variance / total if total > 0 else 0.0
    trust = np.clip((-off - TAIL_FROM) / (LOW_WHOLLY - TAIL_FROM), 0.0, 1.0)
    believed_off = np.minimum(off, HIGH_AT_MOST) * scale
    levels = store.levels + (gain + (1.0 - gain) * trust) * believed_off
    after = replace(
        store,
        weights=weights,
        levels=np.minimum.accumulate(levels),
        variance=gain * terms.variance,
        aside=float(weights @ np.maximum(off - HIGH_AT_MOST, 0.0)) * scale,
        flagged=_flag(store, reading, terms),
        read_at=reading.at,
    )
    return replace(after, leak=_leak(after, store.leak, terms))


def _anew(store: Store, reading: Reading, terms: Terms) -> Store:
    """Return the belief in a new store: what its crew uses stays, a leak may have been the old one's own."""
    leaks = terms.rates > LEAKS_FROM
    own = float(store.weights[leaks].sum()) / 2.0
    return Store(
        store.at,
        _normed(np.where(leaks, store.weights / 2.0, store.weights) + own * _prior(terms.spread)),
        np.full(len(terms.rates), reading.value),
        terms.variance,
        read_at=reading.at,
    )


def _weighed(weights: Grid, off: Grid) -> Grid:
    """Return the weights after a reading that is off by so many deviations at each rate."""
    far = np.abs(off)
    log = np.log(weights) - np.where(far <= TAIL_FROM, off * off / 2, TAIL_FROM * (far - TAIL_FROM / 2))
    return _normed(np.exp(log - log.max()))


def _normed(weights: Grid) -> Grid:
    out = np.maximum(weights, LEAST_WEIGHT)
    return np.asarray(out / out.sum())


def _flag(store: Store, reading: Reading, terms: Terms) -> str | None:
    """Return in plain words how a reading contradicts what was expected; None if it fits."""
    off = reading.value - store.level
    sd = math.hypot(store.sd, math.sqrt(terms.variance))
    if abs(off) <= FLAG_AT_SD * sd + 1e-9 * max(1.0, abs(reading.value)):
        return None
    what = "taken as true" if off < 0 else "taken in part until the next reading"
    said = (
        f"{store_words(reading.consumable)} read {reading.value:g} {terms.unit} at {format_pet(reading.at)}"
    )
    beside = f"{abs(off):.3g} {terms.unit} {'below' if off < 0 else 'above'} what was expected"
    return plain(f"{said}, {beside}; {what}", most=200)


def _leak(store: Store, before: Leak | None, terms: Terms) -> Leak | None:
    """Return the leak that is more likely than not after the latest reading."""
    beyond = terms.rates > LEAKS_FROM
    probability = float(store.weights[beyond].sum())
    if probability < 0.5 or store.read_at is None:
        return None
    factor = float(store.weights[beyond] @ terms.rates[beyond]) / probability
    since = store.read_at if before is None else before.since
    return Leak(probability, factor, (factor - 1.0) * terms.mean_per_hour, since)


def _prior(spread: float) -> Grid:
    """Return the weights before anything is known; each rate stands for what lies nearest to it."""
    if spread <= 0:
        return np.ones(1)
    edges = np.exp(math.log(LEAST) + STEP * (np.arange(POINTS + 1) - 0.5))
    out = -np.diff(upper_tail((edges - 1.0) / spread))
    return _normed(out / out.sum())


def _walk(sd: float) -> tuple[NDArray[np.float64], Grid]:
    """Return the kernel of a walk of the logarithm, (rates, rates) and symmetric, and its sums.

    What would leave the grid stays on it in proportion, which keeps order.
    """
    steps = np.arange(-(POINTS - 1), POINTS)
    around = np.exp(-0.5 * (steps * (STEP / sd)) ** 2)
    kernel = np.lib.stride_tricks.sliding_window_view(around, POINTS)[::-1]
    return kernel, kernel.sum(axis=1)


def _moved(weights: Grid, levels: Grid, walk: float, breaks: float) -> tuple[Grid, Grid]:
    """Return the weights after the rates moved on, and for each rate the mean level of where it came from.

    The logarithm of a rate walks by a standard deviation; and by a small chance, `breaks`, it becomes one
    drawn from the faulty ones, where that is greater.
    """
    kernel, sums = _walk(walk)
    came = weights / sums
    both = kernel @ np.stack([came, came * levels], axis=1)
    faulty = np.where(RATES >= FAULTY_FROM, RATES**-FAULTY_FALL, 0.0)
    faulty /= faulty.sum()
    up_to = np.cumsum(faulty)
    below = np.cumsum(both, axis=0) - both
    both = both * (1.0 - breaks + breaks * up_to)[:, None] + below * (breaks * faulty)[:, None]
    moved = np.maximum(both[:, 0], LEAST_WEIGHT)
    return _normed(moved), np.where(both[:, 0] > LEAST_WEIGHT, both[:, 1] / moved, levels)


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """One store in every scenario: (scenarios,) each."""

    level: Row
    """What is left now."""
    use: Row
    """The factor on what the model says will be used, positive."""
    leak_per_hour: Row | None
    """What is lost whatever the crew does; None where no scenario leaks."""


def drawn(
    store: Store, terms: Terms, at: Places, z_level: Row | None, z_ahead: Row, *, hours: float
) -> Drawn:
    """Return the store in every scenario, from fixed standard normals.

    `at`: the place of each scenario among the rates. `z_level` None: levels are known exactly. `hours`
    until the elapsed limit in force, over which rates wander on: a horizon that no reading changes.
    """
    n = len(at.knot)
    if len(terms.rates) == 1:
        level, rate = np.full(n, store.levels[0], dtype=np.float32), np.ones(n, dtype=np.float32)
    else:
        levels, logs = _table(store)
        level, rate = at.between(levels), at.between(logs)
        if wander := WALK_AHEAD * terms.walk * math.sqrt(max(hours, 0.0) / 3.0):
            rate += np.float32(wander) * z_ahead
        np.exp(rate, out=rate)
    if z_level is not None:
        level += np.float32(math.sqrt(store.variance)) * z_level
    if rate.max() <= LEAKS_FROM:
        return Drawn(level, rate, None)
    use = np.minimum(rate, np.float32(LEAKS_FROM))
    rate -= use
    rate *= np.float32(terms.mean_per_hour)
    return Drawn(level, use, rate)


def _table(store: Store) -> tuple[Grid, Grid]:
    """Return (knots,): level, and logarithm of the rate, where the weights come to a normal's share."""
    below = np.concatenate([[0.0], np.cumsum(store.weights)])
    place = np.interp(NORMAL_SHARES, below, np.arange(POINTS + 1) - 0.5)
    return np.interp(place, np.arange(POINTS), store.levels), math.log(LEAST) + STEP * place


def next_reading(store: Store, terms: Terms) -> tuple[float, float, float]:
    """Return what a gauge would show now: p10, p50, p90; never less than nothing."""
    sd = math.sqrt(store.variance + terms.variance)
    shown = (store.levels[:, None] + sd * _NODES).ravel()
    order = np.argsort(shown)
    shares = np.repeat(store.weights / len(_NODES), len(_NODES))[order]
    below = np.cumsum(shares) - shares / 2
    low, middle, high = (max(0.0, float(q)) for q in np.interp((0.1, 0.5, 0.9), below, shown[order]))
    return low, middle, high


_NODES = from_upper_tail((np.arange(9) + 0.5) / 9)
"""A standard normal as points of equal weight."""
