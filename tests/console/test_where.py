"""Where each one is and how far home, beside their names; how fast a store fell, beside the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tests.flat import flat
from tests.runs import Run, plan_of, step, task
from tracker.console.view.consumables import consumables_lines
from tracker.console.view.crew import crew_lines, crew_rows
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import text_of
from tracker.forecast.figures import Rate

AIR = {"id": "air", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.01}


def scene(*, sites: bool = True, figures: bool = False) -> Scene:
    where = {"site": "boom"} if sites else {}
    plan = plan_of(
        task("one", step("a", "EV1", 10, **where), step("b", "EV1", 10)),
        task("two", step("x", "EV2", 10)),
        consumables=[AIR],
        sites={"boom": {"home": "0:12:30"}} if sites else {},
    )
    run = Run(plan=plan)
    run.done("one.a", at=600)
    at = datetime(2031, 5, 4, 14, 15, tzinfo=UTC)
    return Scene(Snapshot(run.now, flat(run.now, 900) if figures else None), 900.0, at)


@pytest.mark.parametrize("width", [100, 120, 160, 200])
def test_the_place_and_the_minutes_home_stand_beside_whoever_is_at_one(width: int) -> None:
    for double in (True, False):
        here = scene()
        rows = text_of(crew_lines(here, width, crew_rows(here, width, double=double)))
        # Against us: half a minute more is a minute.
        assert rows.count("boom, 13 min home") == 1, rows
        assert "boom, 13 min home" in next(row for row in rows.splitlines() if "EV1" in row)


def test_below_a_hundred_columns_and_without_sites_rows_are_as_they_were() -> None:
    assert "home" not in text_of(crew_lines(scene(), 99, 4))
    for width in (80, 100, 120, 200):
        assert "min home" not in text_of(crew_lines(scene(sites=False), width, 4))


def test_the_use_an_hour_stands_beside_the_planned_one() -> None:
    here = scene(figures=True)
    estimate = here.estimate
    assert estimate is not None
    first, *others = estimate.consumables
    stores = (replace(first, rate=Rate(0.0584, 0.0531)), *(replace(one, rate=None) for one in others))
    told = replace(here, snapshot=replace(here.snapshot, latest=replace(estimate, consumables=stores)))
    wide = text_of(consumables_lines(told, 120)).splitlines()
    assert wide[0].split()[-3:] == ["hour", "planned", "read"]
    assert wide[1].split()[-3:-1] == ["0.0584", "0.0531"]
    assert wide[2].split()[-3:-1] == ["-", "-"]
    narrow = text_of(consumables_lines(told, 80))
    assert narrow.count("EV1 air falls 0.0584 an hour, planned 0.0531") == 1 and narrow.count("falls") == 1


def test_a_store_of_what_can_still_be_taken_up_says_so() -> None:
    taken = {"id": "co2", "unit": "kg", "start": 0.57, "reserve": 0.04, "model": "carbon-dioxide"}
    run = Run(plan=plan_of(task("one", step("a", "EV1", 10)), consumables=[AIR, taken]))
    at = datetime(2031, 5, 4, 14, 15, tzinfo=UTC)
    told = text_of(consumables_lines(Scene(Snapshot(run.now, flat(run.now, 900)), 900.0, at), 80))
    assert told.count("CO2 removal: the carbon dioxide that can still be taken up, in kg") == 1
    assert "air:" not in told
