"""What is truly left, held to paper and to the forecast's own account."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.flat import FLAT, FLAT_FILE
from tests.runs import plan_of, step, task
from tracker.forecast.estimate import estimate
from tracker.plan.model import Plan
from tracker.rehearsal.nature import Chance, Stores

AIR = {
    "id": "air",
    "unit": "kg",
    "start": 10,
    "reserve": 1,
    "per_hour": 0.5,
    "per_megajoule": 1.0,
    "reading_sd": 0,
}
ROVER = {
    "id": "rover",
    "unit": "kWh",
    "start": 20,
    "reserve": 1,
    "per_hour": 2.0,
    "per_megajoule": 0.1,
    "shared": True,
    "reading_sd": 0,
}


@pytest.fixture
def plan() -> Plan:
    work = task(
        "a", step("dig", "EV1 EV2", 60, effort=400, use={"air": 1.5, "rover": 2.0}), step("rest", "EV1", 60)
    )
    return plan_of(work, consumables=[AIR, ROVER], efforts={"rest": 100})


def test_an_hour_on_paper(plan: Plan) -> None:
    stores = Stores(plan, FLAT, Chance(1))
    dig = plan.step["a.dig"]
    stores.spend(3600.0, {"EV1": dig}, ["EV1", "EV2"])
    # EV1: 1.5 x (0.5 kg of clock + 1.44 MJ at 1 kg); EV2 rests: 0.5 kg + 0.36 MJ.
    assert stores.level("EV1", "air") == pytest.approx(10 - 1.5 * (0.5 + 1.44))
    assert stores.level("EV2", "air") == pytest.approx(10 - 0.5 - 0.36)
    # Shared: the clock once, doubled by the step; energy of both: 2 x 1.44 + 0.36 MJ at 0.1.
    assert stores.level("*", "rover") == pytest.approx(20 - 2 * 2.0 - 0.1 * (2 * 1.44 + 0.36))


def test_nothing_is_used_inside_and_a_leak_takes_more(plan: Plan) -> None:
    stores = Stores(plan, FLAT, Chance(1))
    stores.leak("EV1", "air", 2.0)
    stores.spend(3600.0, {}, ["EV1"])
    assert stores.level("EV1", "air") == pytest.approx(10 - 2 * 0.86)
    assert stores.level("EV2", "air") == 10
    stores.spend(3600.0, {}, [])
    assert stores.level("EV1", "air") == pytest.approx(10 - 2 * 0.86)
    stores.spend(1e6, {}, ["EV1", "EV2"])
    assert stores.level("EV1", "air") == 0.0


def test_a_gauge_is_as_exact_as_the_plan_says(plan: Plan) -> None:
    exact = Stores(plan, FLAT, Chance(1))
    exact.spend(1800.0, {}, ["EV1", "EV2"])
    assert exact.read("EV1", "air", 1800.0) == pytest.approx(10 - 0.43, abs=0.0005)
    rough = plan_of(task("a", step("one", "EV1", 5)), consumables=[{**AIR, "reading_sd": 0.2}])
    errors = [
        stores.read("EV1", "air", 0.0) - stores.level("EV1", "air")
        for stores in (Stores(rough, FLAT, Chance(seed)) for seed in range(400))
    ]
    assert sum(e * e for e in errors) / 400 == pytest.approx(0.04, rel=0.25)


def test_the_forecast_keeps_the_same_account(rehearse: Callable[..., Any]) -> None:
    first = step("dig", "EV1 EV2", 50, effort=400, use={"air": 1.5, "rover": 2.0})
    work = task("a", first, step("look", "EV1", 30, effort=150), step("back", "EV1 EV2", 20))
    plan = plan_of(work, consumables=[AIR, ROVER], efforts={"rest": 100})
    played = rehearse(plan, pace=FLAT_FILE)
    # The first tick comes a few seconds late, so the two accounts part by what that makes.
    played.to(70)
    found = estimate(played.now, 70 * 60.0, scenarios=20)
    levels = {(f.crew, f.consumable): f.now for f in found.consumables}
    for account in played.crew.stores.accounts:
        assert levels[account] == pytest.approx(played.crew.stores.level(*account), rel=0.005)
