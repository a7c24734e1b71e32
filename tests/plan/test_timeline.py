# ruff: noqa: E501
"""The course on paper, computed by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import pytest

from tracker.plan.model import Plan
from tracker.plan.paper import on_paper, supplies
from tracker.plan.read import parse_plan, read_plan
from tracker.plan.timeline import Wait, as_planned

PLANS = Path(__file__).parents[2] / "plans"


def read(tasks: str, head: str = "") -> Plan:
    text = f"format: 1\nexcursion: x\nlimits: {{elapsed: 6:00}}\ncrew: [{{id: EV1}}, {{id: EV2}}]\n{head}tasks:\n{tasks}"
    return parse_plan(text, file="p", name="p")


def minutes(values: Mapping[str, float]) -> dict[str, float]:
    return {step: value / 60 for step, value in values.items()}


def test_general_foundry() -> None:
    # The "General Foundry" example of Render, Stair and Hanna, with the means (a + 4m + b) / 6 of its
    # activities: critical path A-C-E-G-H, 15.
    means = {"a": 2, "b": 3, "c": 2, "d": 4, "e": 4, "f": 3, "g": 5, "h": 2}
    needs = {"c": "a", "d": "b", "e": "c", "f": "c", "g": "d, e", "h": "f, g"}
    crew = ", ".join(f"{{id: {n.upper()}}}" for n in means)
    tasks = "".join(
        f"  - {{id: {n}, needs: [{needs.get(n, '')}], steps: [{{crew: [{n.upper()}], time: 0:{t:02d}}}]}}\n"
        for n, t in means.items()
    )
    text = f"format: 1\nexcursion: x\nlimits: {{elapsed: 6:00}}\ncrew: [{crew}]\ntasks:\n{tasks}"
    course = as_planned(parse_plan(text, file="p", name="p"))
    assert course.everybody_inside == 15 * 60
    assert course.critical == ("a.1", "c.1", "e.1", "g.1", "h.1")
    assert minutes(course.slack) == {
        "a.1": 0, "b.1": 1, "c.1": 0, "d.1": 1, "e.1": 0, "f.1": 6, "g.1": 0, "h.1": 0
    }  # fmt: skip


def test_order_joint_steps_needs_and_closeout_last() -> None:
    plan = read(
        "  - {id: home, closeout: true, steps: [{id: in, crew: [EV1, EV2], time: 0:10}]}\n"
        "  - {id: a, steps: [{crew: [EV1], time: 0:20}, {crew: [EV2], time: 0:05}, {crew: [EV1, EV2], time: 0:10}]}\n"
        "  - {id: b, needs: [a.1], steps: [{crew: [EV2], time: 0:15}]}\n"
        "  - {id: c, needs: [b], steps: [{crew: [EV1], time: 0:05}]}\n"
    )
    course = as_planned(plan)
    assert course.order == {"EV1": ("a.1", "a.3", "c.1", "home.in"), "EV2": ("a.2", "a.3", "b.1", "home.in")}
    assert minutes(course.start) == {"a.1": 0, "a.2": 0, "a.3": 20, "b.1": 30, "c.1": 45, "home.in": 50}
    assert course.waits == {
        "a.3": Wait(900, "crew EV1"),
        "c.1": Wait(900, "need b.1"),
        "home.in": Wait(300, "crew EV1"),
    }
    assert course.inside == {"EV1": 3600, "EV2": 3600}
    assert minutes(course.slack)["a.2"] == 15
    assert course.critical == ("a.1", "a.3", "b.1", "c.1", "home.in")


WINDOWS = "windows:\n  - {id: day, open: [[0:00, 0:15], [0:40, 1:00]]}\n"


def test_waiting_for_a_window_and_slack_up_to_its_close() -> None:
    plan = read(
        "  - {id: a, steps: [{crew: [EV1], time: 0:20}, {crew: [EV1], time: 0:10, window: [day]}]}\n"
        "  - {id: b, steps: [{crew: [EV2], time: 0:55}]}\n",
        WINDOWS,
    )
    course = as_planned(plan)
    assert minutes(course.start)["a.2"] == 40
    assert course.waits == {"a.2": Wait(1200, "window day")}
    # a.2 may begin at 0:45 at the latest for 0:55, so a.1 may take 25 minutes longer.
    assert minutes(course.slack) == pytest.approx({"a.1": 25, "a.2": 5, "b.1": 0})


def test_shut_out_is_named_and_what_comes_after_is_not() -> None:
    plan = read(
        "  - {id: g, priority: get-ahead, steps: [{crew: [EV1], time: 1:00}]}\n"
        "  - {id: a, steps: [{crew: [EV1], time: 0:10, window: [day]}, {crew: [EV1], time: 0:10, window: [day]}]}\n",
        WINDOWS,
    )
    course = as_planned(plan)
    assert course.shut_out == ("a.1",)
    assert course.lost == {"a.1", "a.2"}
    assert math.isinf(course.everybody_inside) and math.isinf(course.inside["EV1"])
    assert course.inside["EV2"] == 0
    # They stand where they could begin but for the window, so that each has a place in the course.
    assert minutes(course.start) == {"g.1": 0, "a.1": 60, "a.2": 70}
    assert course.critical == ()
    assert as_planned(plan, optional=False).shut_out == ()


def test_optional_work_left_out_keeps_closers_and_passes_needs_on() -> None:
    plan = read(
        "  - {id: a, steps: [{crew: [EV1], time: 0:10, opens: [lid]}]}\n"
        "  - {id: g, priority: get-ahead, needs: [a], steps: [{id: x, crew: [EV2], time: 0:30},"
        " {id: shut, crew: [EV1], time: 0:05, closes: [lid], needs: [g.x]}]}\n"
        "  - {id: s, priority: should, needs: [g], steps: [{crew: [EV2], time: 0:07}]}\n"
    )
    everything, least = as_planned(plan), as_planned(plan, optional=False)
    assert minutes(everything.start) == {"a.1": 0, "g.x": 10, "g.shut": 40, "s.1": 45}
    assert minutes(least.start) == {"a.1": 0, "g.shut": 10}
    assert minutes(as_planned(plan, ["s"]).start) == {"a.1": 0, "g.shut": 10, "s.1": 15}


def test_way_home_from_the_last_site_of_who_comes_from_farthest() -> None:
    plan = read(
        "  - {id: a, steps: [{crew: [EV1], time: 0:10, site: near}, {crew: [EV2], time: 0:10, site: far}]}\n"
        "  - {id: g, priority: get-ahead, steps: [{crew: [EV2], time: 0:05, site: near}]}\n"
        "  - {id: h, closeout: true, steps: [{crew: [EV1, EV2], time: home}]}\n",
        "sites: {near: {home: 0:03}, far: {home: 0:20}}\n",
    )
    assert as_planned(plan).duration("h.1") == 180
    assert plan.step["h.1"].time.likely == 180
    assert as_planned(plan, optional=False).duration("h.1") == 1200


def test_only_those_outside_are_counted() -> None:
    plan = parse_plan(
        "format: 1\nexcursion: x\nlimits: {elapsed: 6:00}\ncrew: [{id: A}, {id: IV, outside: false}]\n"
        "tasks: [{id: a, steps: [{crew: [A], time: 0:10}, {crew: [IV], time: 2:00}]}]\n",
        file="p",
        name="p",
    )
    course = as_planned(plan)
    assert (course.inside, course.everybody_inside) == ({"A": 600}, 600)
    assert math.isinf(course.slack["a.2"])


def test_supplies_by_hand() -> None:
    plan = read(
        "  - {id: a, steps: [{crew: [EV1], time: 1:00, effort: 400, use: {gas: 2}}, {crew: [EV2], time: 0:30, effort: 200}]}\n"
        "  - {id: h, closeout: true, steps: [{crew: [EV1, EV2], time: 1:00, effort: 300}]}\n",
        "efforts: {rest: 100}\n"
        "consumables:\n"
        "  - {id: gas, unit: L, start: 10, reserve: 1, per_hour: 1, per_megajoule: 1}\n"
        "  - {id: tank, unit: L, start: 20, reserve: 2, per_hour: 1, per_megajoule: 1, shared: true}\n"
        "  - {id: lamp, unit: h, start: 5, per_hour: 1, crew: [EV2]}\n"
        "  - {id: ice, unit: kg, start: 3, per_hour: 2, crew: [EV1]}\n",
    )
    course = as_planned(plan)
    found = {(s.crew, s.consumable): s for s in supplies(plan, course)}
    # EV1, gas: first hour at twice (1 + 1.44), second hour 1 + 1.08; EV2: 0.5 + 0.36, then half an hour at
    # rest 0.5 + 0.18, then 1 + 1.08.
    assert found["EV1", "gas"].at_inside == pytest.approx(10 - 4.88 - 2.08)
    assert found["EV2", "gas"].at_inside == pytest.approx(10 - 0.86 - 0.68 - 2.08)
    # In the shared store the clock runs once, the energy adds up.
    assert found["*", "tank"].at_inside == pytest.approx(20 - 2 - (1.44 + 1.08) - (0.36 + 0.18 + 1.08))
    assert found["EV2", "lamp"].reserve_reached == 5 * 3600
    # Past ingress the reserve is reached at the mean rate: 6.96 used in two hours.
    assert found["EV1", "gas"].reserve_reached == pytest.approx(7200 + 2.04 / (6.96 / 7200))
    assert found["EV1", "gas"].margin_s(course) == pytest.approx(2.04 / (6.96 / 7200))
    # What is used up half an hour before ingress is at nothing, never below; by how long it is short is said.
    assert found["EV1", "ice"].at_inside == 0
    [short] = on_paper(plan).warnings
    assert short.what == "must work alone leaves EV1 0 kg on paper, below the reserve of 0: 30 min SHORT"


def test_reserve_reached_on_the_way() -> None:
    plan = read(
        "  - {id: a, steps: [{crew: [EV1], time: 1:00, use: {gas: 3}}, {crew: [EV1], time: 1:00}]}\n",
        "consumables: [{id: gas, unit: L, start: 3, reserve: 1, per_hour: 1}]\n",
    )
    found = {s.crew: s for s in supplies(plan, as_planned(plan))}
    assert found["EV1"].reserve_reached == pytest.approx(2400)
    assert found["EV2"].reserve_reached == pytest.approx(7200)


@pytest.mark.parametrize(
    ("name", "must_at_most", "steps"), [("larkspur", 4.25, 45), ("plateau", 4.25, 20), ("outfall", 1.25, 15)]
)
def test_plans_of_our_own(name: str, must_at_most: float, steps: int) -> None:
    plan = read_plan(PLANS / f"{name}.yaml")
    assert len(plan.step) >= steps
    must, everything = as_planned(plan, optional=False), as_planned(plan)
    assert must.everybody_inside <= must_at_most * 3600
    assert must.everybody_inside < everything.everybody_inside
    assert not everything.shut_out


def test_larkspur_holds_what_a_first_plan_should_show() -> None:
    plan = read_plan(PLANS / "larkspur.yaml")
    assert {task.id for task in plan.tasks if task.priority == "get-ahead"} == {"latch", "photos", "lamp"}
    assert len(plan.outside) == 2 and len(plan.crew) == 3
    assert {c.id for c in plan.consumables} == {"oxygen", "co2", "battery", "water"}
    assert any(window.orbit for window in plan.windows)
    listed = list(plan.step.values())
    assert sum(step.hold_point is not None for step in listed) == 1
    assert sum(len(step.opens) for step in listed) == 2
    assert sum(step.within is not None for step in listed) == 1


def test_as_planned_is_the_same_every_time(plan: Plan) -> None:
    assert as_planned(plan) == as_planned(plan)
