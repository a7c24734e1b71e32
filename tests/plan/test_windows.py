"""Windows in PET and UTC, shifted by a late zero and by what was seen; several at once."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from tracker.plan.model import Orbit, Window
from tracker.plan.windows import (
    ALWAYS,
    Intervals,
    merged,
    next_start,
    night_s,
    openings,
    period_s,
    together,
    usable,
)

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
LATE = ZERO + timedelta(minutes=10)
LISTED = Window("day", ((600, 3000), (6000, 9000)))


def at(
    window: Window, zero: datetime | None = None, planned: datetime | None = None, seen: float | None = None
) -> Intervals:
    return openings(window, zero=zero, zero_planned=planned, seen=seen, horizon_s=20_000)


def test_pet_windows_move_with_the_slip_of_zero() -> None:
    assert at(LISTED) == ((600, 3000), (6000, 9000))
    assert at(LISTED, ZERO, ZERO) == ((600, 3000), (6000, 9000))
    assert at(LISTED, None, ZERO) == ((600, 3000), (6000, 9000))
    # Zero ten minutes late: the sky does not wait, so everything comes ten minutes earlier in PET.
    assert at(LISTED, LATE, ZERO) == ((0, 2400), (5400, 8400))
    assert at(LISTED, LATE, None) == ((600, 3000), (6000, 9000))


def test_a_plan_used_on_another_day_keeps_its_windows_in_pet() -> None:
    week = timedelta(days=7)
    assert at(LISTED, ZERO - week + timedelta(seconds=1), ZERO) == ()
    assert at(LISTED, ZERO + week + timedelta(seconds=1), ZERO) == ((600, 3000), (6000, 9000))
    assert at(LISTED, ZERO - 2 * week, ZERO) == ((600, 3000), (6000, 9000))


def test_utc_windows_stand_still_in_utc() -> None:
    window = Window("pass", ((ZERO + timedelta(minutes=20), ZERO + timedelta(minutes=50)),))
    assert at(window, None, ZERO) == ((1200, 3000),)
    assert at(window, LATE, ZERO) == ((600, 2400),)
    assert at(window, LATE, None) == ((600, 2400),)
    assert at(window) == ALWAYS


def test_past_and_far_openings_are_left_out() -> None:
    window = Window("w", ((-500, -1), (-100, 100), (30_000, 40_000)))
    assert at(window) == ((-500, 100),)


def test_seen_moves_the_nearest_opening_and_all_others_with_it() -> None:
    assert at(LISTED, seen=900) == ((900, 3300), (6300, 9300))
    assert at(LISTED, seen=5900) == ((500, 2900), (5900, 8900))


def test_orbit_in_utc_with_slip_and_seen() -> None:
    orbit = Window("sun", (), Orbit(400, 20, ZERO + timedelta(minutes=10)))
    assert at(orbit, None, ZERO)[0][0] == 600
    assert at(orbit, LATE, ZERO)[0][0] == 0
    in_pet = Window("sun", (), Orbit(400, 20, 600))
    assert at(in_pet, LATE, ZERO)[0][0] == 0
    day = period_s(400) - night_s(400, 20)
    spans = at(in_pet, ZERO, ZERO, seen=700 + period_s(400))
    assert abs(spans[0][0] - 700) < 1e-6 and abs(spans[0][1] - 700 - day) < 1e-6


def test_orbit_begins_in_the_day_before_the_first_sunrise() -> None:
    # Sunrise late in the first revolution: the day before it is still on at zero.
    spans = at(Window("sun", (), Orbit(400, 0, 5000)))
    assert spans[0][0] < 0 < spans[0][1]
    assert spans[1][0] == 5000


def test_orbit_without_night_is_always_open() -> None:
    assert at(Window("sun", (), Orbit(400, 75, 600))) == ALWAYS


def test_several_windows_and_whole_steps() -> None:
    one, other = ((0.0, 100.0), (200.0, 300.0)), ((50.0, 250.0),)
    assert together([one, other]) == ((50, 100), (200, 250))
    assert together([]) == ALWAYS
    assert usable([one, other]) == ((50, 100), (200, 250))
    fits = usable([one, other], 50.0)
    assert next_start(fits, 0) == 50
    assert next_start(fits, 50) == 50
    assert next_start(fits, 51) == 200
    assert next_start(fits, 201) == math.inf
    assert usable([one, other], 51.0) == ()


def test_windows_are_half_open() -> None:
    assert next_start(((0.0, 100.0), (200.0, 300.0)), 99.5) == 99.5
    assert next_start(((0.0, 100.0), (200.0, 300.0)), 100.0) == 200.0


SPANS = st.lists(
    st.tuples(st.integers(0, 99), st.integers(1, 20)).map(lambda p: (p[0], p[0] + p[1])), max_size=6
)


@given(st.lists(SPANS, min_size=1, max_size=3), st.integers(0, 130))
def test_together_is_open_exactly_when_each_is(lists: list[list[tuple[int, int]]], t: int) -> None:
    def is_open(spans: object) -> bool:
        return any(a <= t < b for a, b in spans)  # type: ignore[attr-defined]

    joined = together([merged([(float(a), float(b)) for a, b in spans]) for spans in lists])
    assert is_open(joined) == all(is_open(spans) for spans in lists)
    assert list(joined) == sorted(joined)


@given(SPANS, st.integers(0, 130), st.integers(1, 15))
def test_a_whole_step_fits_from_its_next_start_on(spans: list[tuple[int, int]], t: int, took: int) -> None:
    opened = merged([(float(a), float(b)) for a, b in spans])
    start = next_start(usable([opened], float(took)), float(t))
    tries = [s for s in range(t, 140) if any(a <= s and s + took <= b for a, b in opened)]
    assert start == (tries[0] if tries else math.inf)
