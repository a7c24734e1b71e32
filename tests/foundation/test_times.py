"""Instants as people read them: a minute that is missed by rounding alone is that minute."""

from __future__ import annotations

import pytest

from tracker.foundation.times import format_pet


@pytest.mark.parametrize(
    ("seconds", "minutes", "whole"),
    [
        (32399.998, "9:00", "9:00:00"),
        (32399.5, "8:59", "8:59:59"),
        (59.0, "0:00", "0:00:59"),
        (60.0, "0:01", "0:01:00"),
        (0.0, "0:00", "0:00:00"),
        (-0.001, "0:00", "0:00:00"),
        (-60.0, "-0:01", "-0:01:00"),
        (-59.998, "-0:01", "-0:01:00"),
        (-59.0, "0:00", "-0:00:59"),
        (-90.0, "-0:01", "-0:01:30"),
    ],
)
def test_a_minute_missed_by_rounding_alone_is_that_minute(seconds: float, minutes: str, whole: str) -> None:
    assert (format_pet(seconds), format_pet(seconds, with_seconds=True)) == (minutes, whole)
