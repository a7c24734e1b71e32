"""Hardware that lies outside when they turn for home, and nobody brings it."""

from __future__ import annotations

from typing import Any

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.figures import Alert

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)


def alerts(run: Run, now: float | None = None) -> dict[str, Alert]:
    return {alert.id: alert for alert in flat(run.now, now).alerts}


def test_hardware_that_nobody_brings_is_told_before_the_way_home() -> None:
    plan: dict[str, Any] = {"hardware": [{"id": "wrench"}], "sites": {"truss": {"home": "0:10"}}}
    first, second = step("1", "EV1", 30, takes=["wrench"]), step("2", "EV1 EV2", 30)
    run = Run(task("a", first, second), HOME, **plan)
    assert "not-back:wrench" not in alerts(run, 60)
    run("put", 1700, hardware="wrench", site="truss")
    run.done("a.1", at=1800)
    told = alerts(run)["not-back:wrench"]
    assert (told.text, told.severity, told.subject) == (
        "wrench at truss since 0:28, and nobody brings it. put wrench lock", "look", "wrench",
    )  # fmt: skip
    run("took", 2000, hardware="wrench", crew="EV2")
    assert "not-back:wrench" not in alerts(run), "whoever has it comes in with it"
    brought = task("home", step("in", "EV1 EV2", 40, brings=["wrench"]), closeout=True)
    left, fetched = {**first, "leaves": {"wrench": "truss"}}, {**second, "takes": ["wrench"]}
    there = Run(task("a", left, fetched), brought, **plan)
    there.done("a.1", at=1800)
    assert "not-back:wrench" not in alerts(there), "a step ahead takes it"
    there("skipped", 1800, step="a.2")
    assert "not-back:wrench" in alerts(there), "the step that brings it is not done where it lies"
