"""What is left of a consumable and how fast it goes, from the plan's coefficients and the readings.

State: level and use factor u, jointly normal. Between readings the level falls by u times what the
model says was used, and u walks by 0.05 per square root of an hour; each reading is a Kalman update.
A reading more than three standard deviations off is flagged, not averaged away: a low one is believed
at once, a high one set aside until a second agrees with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from tracker.foundation.text import plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Reading

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
