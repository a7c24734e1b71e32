"""When windows are open: lists of intervals, the sunlight of a circular orbit, and what of it serves."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime

from tracker.foundation.times import pet_of
from tracker.plan.model import Orbit, Window

EARTH_RADIUS_KM = 6378.137
"""Equatorial radius (WGS 84)."""
EARTH_GM = 3.986e5
"""Gravitational parameter of the Earth, km^3/s^2."""

Interval = tuple[float, float]
Intervals = tuple[Interval, ...]

ALWAYS: Intervals = ((-math.inf, math.inf),)

LONGEST_SLIP_S = 7 * 86_400.0
"""A zero further than this from the planned one is another excursion by the same plan, not a slip."""


def slip_s(zero: datetime | None, zero_planned: datetime | None) -> float | None:
    """The seconds by which the actual zero came after the planned one.

    0 where one of them is not known; None where they are more than seven days apart: then windows in
    PET say nothing about the sky of that day, and are meant from the actual zero.
    """
    slip = pet_of(zero, zero_planned) if zero is not None and zero_planned is not None else 0.0
    return slip if abs(slip) <= LONGEST_SLIP_S else None


def period_s(altitude_km: float) -> float:
    """The seconds that a circular orbit at this altitude takes (Kepler's third law)."""
    return 2 * math.pi * math.sqrt((EARTH_RADIUS_KM + altitude_km) ** 3 / EARTH_GM)


def night_s(altitude_km: float, beta_deg: float) -> float:
    """The seconds of each orbit that lie in the Earth's shadow, taken as a cylinder.

    `beta_deg` is the angle between the sun and the plane of the orbit. Source: geometry of a cylindrical
    shadow: the share in shadow is acos(sqrt(h^2 + 2 R h) / ((R + h) cos beta)) / pi.
    """
    radius = EARTH_RADIUS_KM + altitude_km
    lit = math.sqrt(altitude_km * altitude_km + 2 * EARTH_RADIUS_KM * altitude_km)
    across = radius * math.cos(math.radians(beta_deg))
    if lit >= across:
        return 0.0
    return period_s(altitude_km) * math.acos(lit / across) / math.pi


def openings(
    window: Window,
    *,
    zero: datetime | None,
    zero_planned: datetime | None,
    seen: float | None,
    horizon_s: float,
) -> Intervals:
    """The openings of a window, as half-open intervals of PET seconds, ascending and apart.

    Every interval that ends after PET 0 and begins before `horizon_s` is there, cut off at it; the first may
    begin before 0. A window in PET is meant from `zero_planned` and shifts with the slip of the actual zero;
    without `zero_planned`, and where zero came more than seven days away from it, it is meant from the
    actual zero. `seen` is the PET at which the window was seen to open: the opening nearest to it moves
    there and all others with it. A window in UTC with neither zero known is taken as always open.
    """
    base = zero or zero_planned
    slip = slip_s(zero, zero_planned) or 0.0
    if window.orbit is not None:
        return _sunlight(window.orbit, base, slip, seen, horizon_s)
    listed = [(_pet(start, base, slip), _pet(end, base, slip)) for start, end in window.open]
    if any(start is None or end is None for start, end in listed):
        return ALWAYS
    spans = merged([(start, end) for start, end in listed if start is not None and end is not None])
    if seen is not None and spans:
        shift = min((seen - start for start, _ in spans), key=abs)
        spans = tuple((start + shift, end + shift) for start, end in spans)
    return tuple((start, min(end, horizon_s)) for start, end in spans if end > 0 and start < horizon_s)


def _pet(at: int | datetime, base: datetime | None, slip: float) -> float | None:
    if isinstance(at, datetime):
        return pet_of(at, base) if base is not None else None
    return at - slip


def _sunlight(
    orbit: Orbit, base: datetime | None, slip: float, seen: float | None, horizon_s: float
) -> Intervals:
    night, period = night_s(orbit.altitude_km, orbit.beta_deg), period_s(orbit.altitude_km)
    sunrise = _pet(orbit.first_sunrise, base, slip)
    if night <= 0 or (sunrise is None and seen is None):
        return ALWAYS
    first = seen if seen is not None else sunrise
    assert first is not None
    first -= math.ceil(first / period) * period
    count = max(0, math.ceil((horizon_s - first) / period))
    rises = (first + i * period for i in range(count))
    return tuple((rise, rise + period - night) for rise in rises if rise + period - night > 0)


def merged(spans: Iterable[Interval]) -> Intervals:
    """Intervals in order, those that overlap or touch made one."""
    out: list[Interval] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return tuple(out)


def together(windows: Sequence[Intervals]) -> Intervals:
    """The intervals in which all of these windows are open at once; always, for none."""
    spans: Intervals = ALWAYS
    for window in windows:
        spans = tuple((max(a, c), min(b, d)) for a, b in spans for c, d in window if max(a, c) < min(b, d))
    return spans


HALF_SECOND = 0.5


def usable(windows: Sequence[Intervals], whole_s: float | None = None) -> Intervals:
    """The intervals, half-open, in which a step may start: inside all windows at once.

    With `whole_s` those seconds of work must fit into the same opening too. A step that fits to the
    second may start at that very second; half a second is allowed for it, since planned times are whole.
    """
    spans = together(windows)
    if whole_s is None:
        return spans
    return tuple((a, b - whole_s + HALF_SECOND) for a, b in spans if b - a >= whole_s)


def next_start(spans: Intervals, at: float) -> float:
    """The first instant from `at` on that lies in an interval; infinite when none is left."""
    for start, end in spans:
        if at < end:
            return max(at, start)
    return math.inf
