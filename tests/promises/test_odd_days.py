"""Promise: the end of summer time, a leap second, midnight and a second day put nothing in a wrong place."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.journals import PLAN
from tracker.forecast.estimate import estimate
from tracker.foundation.times import format_instant, parse_instant
from tracker.journal.typed import parse_entry
from tracker.plan.read import parse_plan

LONG = parse_plan(PLAN.replace("elapsed: 3:00", "elapsed: 30:00"), file="p", name="p")
ZERO = parse_instant("2031-10-25T20:00:00Z")


@pytest.fixture(params=["UTC0", "CET-1CEST,M3.5.0,M10.5.0/3"], ids=["UTC", "summer time ends"])
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A zone in which this machine stands."""
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield request.param
    monkeypatch.undo()
    time.tzset()


_FIGURES: list[dict[str, Any]] = []


def test_an_excursion_of_thirty_hours_goes_evenly_through_midnight_and_the_end_of_summer_time(
    zone: str,
) -> None:
    with closing(in_memory(LONG, seed="1")) as journal:
        journal.record({"kind": "zero", "utc": format_instant(ZERO)}, utc_now=ZERO)
        for text, wall in (("note a 23:59:59Z", "25T23:59:59"), ("note b 00:30Z", "26T00:30:00")):
            journal.record_all(_typed(journal, text, f"2031-10-{wall}Z"))
        for text, wall in (("note c 01:30Z", "26T01:31:00"), ("note d 01:59Z", "27T01:59:30")):
            journal.record_all(_typed(journal, text, f"2031-10-{wall}Z"))
        assert [event.at for event in journal.fold.recorded[1:]] == [14399, 16200, 19800, 107940]
        _FIGURES.append(estimate(journal.progress(), now=107_990, scenarios=100).as_json())
    assert _FIGURES[0] == _FIGURES[-1]


def _typed(journal: Any, text: str, wall: str) -> list[dict[str, Any]]:
    now = parse_instant(wall)
    pet = (now - ZERO).total_seconds()
    return list(parse_entry(text, journal.progress(), now=pet, utc_now=now, seat="op"))


def test_a_leap_second_is_the_second_after_it() -> None:
    leap, after = parse_instant("2016-12-31T23:59:60Z"), parse_instant("2017-01-01T00:00:00Z")
    assert leap == after
    with closing(in_memory(LONG)) as journal:
        journal.record({"kind": "zero", "utc": "2016-12-31T23:59:60Z"}, utc_now=after)
        (number,) = journal.record_all(
            [{"kind": "noted", "text": "x"}], utc_now=parse_instant("2017-01-01T00:00:10Z")
        )
        assert journal.fold.recorded[number - 1].at == 10
