"""What is left of a consumable and how fast it goes, from the plan's coefficients and the readings.

State: level and use factor u, jointly normal. Between readings the level falls by u times what the
model says was used, and u walks by 0.05 per square root of an hour; each reading is a Kalman update.
A reading more than three standard deviations off is flagged, not averaged away: a low one is believed
at once, a high one set aside until a second agrees with it.

The accounts of a world: each consumable of each crew member, and each shared store, as rows.

An account knows what is believed to be left now, what waiting takes a second, and what each remaining
step takes beyond that. In a shared store the clock runs once, the energy of all its crew adds up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.draws import Normals
from tracker.forecast.prior import PacePrior
from tracker.forecast.usage import Rates, members_of, owners
from tracker.forecast.world import Account, Row
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, Reading, Stretch
from tracker.plan.model import Consumable

WALK_PER_ROOT_HOUR = 0.05
"""How far the use factor may walk, standard deviation per square root of an hour."""
FLAG_AT_SD = 3.0
"""An innovation beyond this many standard deviations contradicts the model."""
SPREAD_AFTER_FLAG = 4.0
"""By how much the variance of the use factor grows when the model was found wrong."""

Used = Callable[[float, float], float]
"""What the model says was used between two PETs, in the consumable's unit, at use factor 1."""


@dataclass(frozen=True, slots=True)
class Store:
    """What is believed about one store at one PET."""

    at: float
    level: float
    var_level: float
    use: float
    var_use: float
    covariance: float
    flagged: str | None = None
    """What a reading that contradicts the model says; None once a later reading fits."""
    read_at: float | None = None
    aside: Reading | None = None
    """A reading that was too high to believe alone."""


def full(start: float, reading_sd: float, use_spread: float) -> Store:
    """Return what is believed at PET 0: the store as planned, the use factor about 1."""
    return Store(0.0, start, reading_sd**2, 1.0, use_spread**2, 0.0)


def carried(store: Store, to: float, used: Used, *, walk: float) -> Store:
    """Return the belief at a later PET, before any reading there; earlier ones change nothing."""
    if to <= store.at:
        return store
    taken, hours = used(store.at, to), (to - store.at) / 3600.0
    return replace(
        store,
        at=to,
        level=store.level - store.use * taken,
        var_level=max(0.0, store.var_level - 2.0 * taken * store.covariance + taken * taken * store.var_use),
        covariance=store.covariance - taken * store.var_use,
        var_use=store.var_use + walk * walk * hours,
    )


def read(store: Store, reading: Reading, *, sd: float, unit: str, used: Used) -> Store:
    """Return the belief after a reading at the store's own PET."""
    if reading.replaced:
        return replace(_at_level(store, reading.value, sd), flagged=None, read_at=reading.at, aside=None)
    innovation = reading.value - store.level
    spread = math.sqrt(store.var_level + sd * sd)
    store = replace(store, read_at=reading.at)
    if abs(innovation) <= FLAG_AT_SD * spread + 1e-9 * max(1.0, abs(reading.value)):
        return replace(_updated(store, innovation, sd), flagged=None, aside=None)
    if innovation < 0:
        lower = _at_level(_doubted(store), reading.value, sd)
        return replace(lower, flagged=_words(reading, innovation, unit, "believed"), aside=None)
    if store.aside is not None and _agree(store, store.aside, reading, sd, used):
        higher = _at_level(_doubted(store), store.aside.value, sd)
        higher = carried(replace(higher, at=store.aside.at), store.at, used, walk=0.0)
        higher = _updated(higher, reading.value - higher.level, sd)
        return replace(
            higher, flagged=_words(reading, innovation, unit, "believed: a second one"), aside=None
        )
    why = "set aside until a second one agrees"
    return replace(store, flagged=_words(reading, innovation, unit, why), aside=reading)


def _updated(store: Store, innovation: float, sd: float) -> Store:
    """Return the Kalman update of level and use factor by one reading that fits."""
    variance = store.var_level + sd * sd
    if variance <= 0.0:
        return store
    gain_level, gain_use = store.var_level / variance, store.covariance / variance
    return replace(
        store,
        level=store.level + gain_level * innovation,
        use=store.use + gain_use * innovation,
        var_level=store.var_level * (1.0 - gain_level),
        covariance=store.covariance * (1.0 - gain_level),
        var_use=max(0.0, store.var_use - gain_use * store.covariance),
    )


def _at_level(store: Store, level: float, sd: float) -> Store:
    """Return the belief that the level is this, whatever went before; the use factor stays."""
    return replace(store, level=level, var_level=sd * sd, covariance=0.0)


def _doubted(store: Store) -> Store:
    """Return the belief with less trust in the use factor."""
    return replace(store, var_use=store.var_use * SPREAD_AFTER_FLAG)


def _agree(store: Store, first: Reading, second: Reading, sd: float, used: Used) -> bool:
    """Whether a second high reading is where the first one, used from since, would be by now."""
    taken = used(first.at, second.at)
    spread = math.sqrt(2.0 * sd * sd + taken * taken * store.var_use)
    expected = first.value - store.use * taken
    return abs(second.value - expected) <= FLAG_AT_SD * spread + 1e-9 * max(1.0, abs(second.value))


def _words(reading: Reading, innovation: float, unit: str, what: str) -> str:
    """Return what a flagged reading says, in plain words."""
    off = f"{abs(innovation):.3g} {unit} {'below' if innovation < 0 else 'above'} what was expected"
    said = f"{reading.consumable} read {reading.value:g} {unit} at {format_pet(reading.at)}"
    return plain(f"{said}, {off}; {what}", most=200)


def believed(
    readings: Iterable[Reading],
    used: Used,
    *,
    start: float,
    reading_sd: float,
    use_spread: float,
    unit: str,
    now: float,
) -> Store:
    """Return what is believed at `now` (PET seconds) after these readings, in their order.

    `used(a, b)` is the model's use between two PETs at factor 1. Without a spread of the use factor
    it does not walk either.
    """
    walk = WALK_PER_ROOT_HOUR if use_spread > 0 else 0.0
    store = full(start, reading_sd, use_spread)
    for reading in readings:
        store = carried(store, min(reading.at, now), used, walk=walk)
        store = read(store, reading, sd=reading_sd, unit=unit, used=used)
    return carried(store, now, used, walk=walk)


LEAST_USE = 0.2
"""Where the draw of the use factor is cut: nobody uses next to nothing."""


def accounts(
    progress: Progress,
    rates: Rates,
    *,
    now: float,
    prior: PacePrior,
    normals: Normals,
    inside: Mapping[str, float],
) -> tuple[Account, ...]:
    """Return every account at `now`.

    `rates` are what the remaining steps take; `normals` are the excursion's draws; `inside` says since when
    crew members whose stores have come to rest are inside. A belief without any spread has none of levels
    either.
    """
    books = _Books(progress, rates, now, prior, normals, inside)
    return tuple(
        books.account(consumable, owner)
        for consumable in progress.plan.consumables
        for owner in owners(consumable)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Books:
    """What all accounts of a world have in common."""

    progress: Progress
    rates: Rates
    now: float
    prior: PacePrior
    normals: Normals
    inside: Mapping[str, float]

    def account(self, consumable: Consumable, owner: str) -> Account:
        """Return one account; `owner` is a crew member, or `*` for a shared store."""
        progress, rest_w = self.progress, self.progress.plan.rest_w
        members = members_of(consumable, owner)
        outside = [c for c in members if c not in self.inside]
        until = self.now if outside else max((self.inside[c] for c in members), default=self.now)
        store = _store(progress, consumable, owner, members, min(self.now, until), self.prior, self.inside)
        key, certain = f"{owner}.{consumable.id}", without_spread(self.prior)
        level, use = _draw(self.normals, key, store, certain)
        return Account(
            crew=owner,
            consumable=consumable.id,
            level=level,
            use=use,
            reserve=progress.reserves.get((owner, consumable.id), consumable.reserve),
            waiting_per_s=waiting_rate(consumable, rest_w, len(outside)),
            extra_per_s=self.rates[owner, consumable.id],
            expected=store.level,
            expected_use=store.use,
            flagged=store.flagged,
            read_at=store.read_at,
        )


def without_spread(prior: PacePrior) -> bool:
    """Whether this belief leaves nothing open: every spread is 0, and the forecast one course."""
    spreads = (prior.spread, prior.sigma, prior.crew_spread, prior.work_spread, prior.use_spread)
    single = [spread for _, spread in (*prior.crew.values(), *prior.work.values())]
    return not any((*spreads, *prior.drifts, *single))


def waiting_rate(consumable: Consumable, rest_w: float, people: int) -> float:
    """Return units a second while so many of its crew, all outside, do nothing; 0 without any."""
    if not people:
        return 0.0
    return consumable.per_second(people * rest_w)


def _store(
    progress: Progress,
    consumable: Consumable,
    owner: str,
    members: Sequence[str],
    at: float,
    prior: PacePrior,
    inside: Mapping[str, float],
) -> Store:
    """Return what is believed about one store at a PET, from the readings until then."""
    mine = [r for r in progress.readings if r.crew == owner and r.consumable == consumable.id]
    return believed(
        mine,
        used_so_far(progress, consumable, members, at, inside),
        start=consumable.start,
        reading_sd=consumable.reading_sd,
        use_spread=prior.use_spread,
        unit=consumable.unit,
        now=at,
    )


def used_so_far(
    progress: Progress,
    consumable: Consumable,
    members: Sequence[str],
    now: float,
    inside: Mapping[str, float],
) -> Used:
    """Return what the model says these crew members used between two PETs up to `now`.

    Work at the effort of its step, everything else at rest, from PET 0 until they are inside.
    """
    clock = consumable.clock_rate
    ends = {c: min(now, inside.get(c, now)) for c in members}
    last = max(ends.values(), default=0.0)
    curves = [_curve(progress, consumable, c, members, ends[c]) for c in members]

    def used(a: float, b: float) -> float:
        ticked = clock * (min(max(b, 0.0), last) - min(max(a, 0.0), last))
        return ticked + sum(_between(curve, a, b) for curve in curves)

    return used


Curve = tuple[NDArray[np.float64], NDArray[np.float64]]
"""PETs, and what was used by then."""


def _between(curve: Curve, a: float, b: float) -> float:
    at_a, at_b = np.interp((a, b), *curve)
    return float(at_b - at_a)


def _curve(
    progress: Progress, consumable: Consumable, member: str, members: Sequence[str], until: float
) -> Curve:
    """Return what one crew member used beyond the clock, from PET 0 until a PET."""
    rest = consumable.per_joule * progress.plan.rest_w
    times, total = [0.0], [0.0]

    def go_on(to: float, rate: float) -> None:
        if to > times[-1]:
            total.append(total[-1] + (to - times[-1]) * rate)
            times.append(to)

    for interval in progress.spent.get(member, ()):
        go_on(min(interval.start, until), rest)
        end = until if interval.end is None else min(interval.end, until)
        go_on(end, _rate(progress, consumable, interval, member, members))
    go_on(until, rest)
    return np.array(times), np.array(total)


def _rate(
    progress: Progress, consumable: Consumable, interval: Stretch, member: str, members: Sequence[str]
) -> float:
    """Return units a second beyond the clock in one stretch of a crew member's time."""
    energy = consumable.per_joule
    if interval.kind != "work" or interval.step is None:
        return energy * progress.plan.rest_w
    state = progress.steps[interval.step]
    factor = state.step.use.get(consumable.id, 1.0)
    rate = energy * factor * state.step.effort_of(member)
    if factor != 1.0 and member == next((c for c in state.crew if c in members), member):
        rate += (factor - 1.0) * consumable.clock_rate
    return rate


def _draw(normals: Normals, key: str, store: Store, certain: bool) -> tuple[Row, Row]:
    """Return level and use factor per scenario, jointly normal; the use factor is cut below."""
    sd_level = 0.0 if certain else math.sqrt(store.var_level)
    slope = store.covariance / store.var_level if store.var_level > 0 else 0.0
    own = math.sqrt(max(0.0, store.var_use - slope * store.covariance))
    z_level = normals(f"level:{key}")
    level = np.float32(store.level) + np.float32(sd_level) * z_level
    use = np.float32(store.use) + np.float32(slope * sd_level) * z_level
    if own > 0:
        use = use + np.float32(own) * normals(f"use:{key}")
    return level, np.maximum(use, np.float32(LEAST_USE), dtype=np.float32)
