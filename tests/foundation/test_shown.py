"""Instants, durations and differences as they are shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.foundation import shown

INSTANTS = st.floats(-7200, 200_000, width=32)


def minutes(clock: str) -> int:
    """Read `H:MM` as minutes."""
    hours, _, rest = clock.removeprefix("-").partition(":")
    return (int(hours) * 60 + int(rest)) * (-1 if clock.startswith("-") else 1)


def test_ends_go_up_and_limits_down() -> None:
    assert [shown.pet_up(s) for s in (19380, 19380.004, 19380.02, 19439, None)] == [
        "5:23", "5:23", "5:24", "5:24", "-",
    ]  # fmt: skip
    assert [shown.pet_down(s) for s in (23400, 23399.996, 23399.9, float("inf"))] == [
        "6:30", "6:30", "6:29", "-",
    ]  # fmt: skip
    assert [shown.pet_nearest(s) for s in (29, 30, 89.9, -31)] == ["0:00", "0:01", "0:01", "-0:01"]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 min"), (59, "0 min"), (60, "1 min"), (99 * 60 + 59, "99 min"), (6000, "1 h 40"),
        (8220, "2 h 17"), (-2280, "38 min"), (7200, "2 h 00"), (None, "-"),
    ],
)  # fmt: skip
def test_durations_have_a_unit(seconds: float | None, words: str) -> None:
    assert shown.duration(seconds) == words


def test_what_is_to_spare() -> None:
    assert shown.spare(23400, 19321) == 67 * 60
    assert shown.spare_words(shown.spare(23400, 19321)) == "67 min to spare"
    assert shown.spare_words(shown.spare(15719, 17941)) == "39 min SHORT"
    assert shown.spare(None, 60) is None and shown.spare_words(None) == "-"
    assert shown.spare_words(0) == "0 min to spare"


def test_a_countdown_goes_by_the_shown_minute_and_the_running_clock() -> None:
    assert shown.in_words(15459, 14_520.5) == "in 14 min"
    assert shown.left(15459, 14_520.5) == 14 * 60
    assert shown.in_words(15420, 15420) == shown.in_words(15420, 15479) == "now"
    assert shown.in_words(15480, 15420) == "in 1 min"
    assert shown.in_words(15420, 15481) == "1 min ago"
    assert shown.in_words(None, 0) == ""


def test_how_long_ago_and_how_long_it_runs() -> None:
    assert [shown.ago_words(s) for s in (0, 59, 60, 7000)] == ["now", "now", "1 min ago", "1 h 56 ago"]
    assert shown.running(344, 300) == "5:44 of 5:00 min" and shown.minutes_seconds(5999.999) == "100:00"


def test_a_shift_is_bare() -> None:
    assert [shown.change(s) for s in (2160, -240, 20, -29, 8220, None)] == [
        "+36", "-4", "+0", "+0", "+2 h 17", "",
    ]  # fmt: skip


@given(INSTANTS, INSTANTS)
def test_shown_figures_add_up_as_shown(limit: float, ingress: float) -> None:
    left = shown.spare(limit, ingress)
    assert left is not None and left % 60 == 0
    assert left == 60 * (minutes(shown.pet_down(limit)) - minutes(shown.pet_up(ingress)))
    assert left <= limit - ingress + 0.05


@given(INSTANTS)
def test_rounding_is_against_the_crew_and_less_than_a_minute(instant: float) -> None:
    up, down, nearest = shown.up(instant), shown.down(instant), shown.nearest(instant)
    assert up is not None and down is not None and nearest is not None
    assert instant - 0.02 <= up < instant + 60 and instant - 60 < down <= instant + 0.02
    assert abs(nearest - instant) <= 30.02
    assert down <= nearest <= max(up, down)


@given(INSTANTS)
def test_what_is_rounded_stays(instant: float) -> None:
    up, down = shown.up(instant), shown.down(instant)
    assert (shown.up(up), shown.down(up), shown.up(down), shown.down(down)) == (up, up, down, down)
