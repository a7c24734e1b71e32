# ruff: noqa: E501
"""What a plan file becomes: the values, their defaults, and the task of an `added` event."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from tracker.foundation.errors import Fault, PlanError
from tracker.plan.metabolism import oxygen_kg_per_megajoule
from tracker.plan.model import Confidence, Duration, Limit, Orbit, Plan, Within
from tracker.plan.paper import on_paper
from tracker.plan.read import parse_plan, parse_task

SMALLEST = """\
format: 1
excursion: Swap a lamp
limits: {elapsed: 1:30}
crew: [{id: EV1}, {id: EV2}]
tasks:
  - {id: lamp, steps: [{crew: [EV1], time: 0:10}, {id: set, do: Set it, crew: [EV1, EV2], time: 0:15}]}
"""


def read(text: str) -> Plan:
    return parse_plan(text, file="p.yaml", name="p")


def test_the_whole_plan(plan: Plan) -> None:
    assert plan.zero_planned == datetime(2031, 5, 4, 14, tzinfo=UTC)
    assert plan.limits == (Limit("elapsed", 23400, ("EV1", "EV2")), Limit("boat", 18000, ("EV2",)))
    assert plan.confidence == Confidence(0.9, 0.9, True)
    assert plan.outside == ("EV1", "EV2") and not plan.member["IV"].outside
    assert (plan.rest_w, plan.efforts["heavy"]) == (120, 450)
    oxygen = plan.consumable["oxygen"]
    assert (oxygen.start, oxygen.reserve, oxygen.per_hour, oxygen.per_megajoule) == (0.75, 0.1, 0.005, 0.0695)
    assert (oxygen.crew, oxygen.shared, oxygen.model) == (("EV1", "EV2"), False, None)
    assert oxygen.reading_sd == pytest.approx(0.0075)
    assert plan.window["day"].open == ((0, 2820), (5520, 8340))
    assert plan.window["sun"].orbit == Orbit(400, 20, 600)
    assert plan.sites == {"truss": 720}
    assert list(plan.step) == ["out.hatch", "swap.unplug", "swap.2", "photos.1", "home.way", "home.shut"]
    plug = plan.step["swap.2"]
    assert plug.time == Duration(480, 300, 720)
    assert (plug.count, plug.use, plug.within) == (4, {"oxygen": 1.5}, Within("swap.unplug", 3000))
    assert (plug.effort_of("EV1"), plug.default_effort) == (300, 300)
    assert plan.step["home.way"].time == Duration(720, home=True)
    assert plan.step["photos.1"].hold_point == "the lead agrees"
    assert (plan.task["photos"].priority, plan.task["photos"].value) == ("get-ahead", 2)
    assert plan.task["home"].closeout and not plan.task["home"].optional
    assert (plan.name, plan.file) == ("p", "p.yaml")


def test_what_may_be_left_out() -> None:
    plan = read(SMALLEST)
    first, second = plan.step["lamp.1"], plan.step["lamp.set"]
    assert (first.do, second.do, plan.task["lamp"].title) == ("lamp", "Set it", "lamp")
    assert (first.count, first.fixed, first.work, first.site, first.hold_point) == (
        1,
        False,
        "general",
        None,
        None,
    )
    assert first.effort_of("EV1") == 200 and first.use == {} and first.windows == ()
    assert plan.confidence == Confidence(0.9, 0.9, True)
    assert (plan.task["lamp"].priority, plan.task["lamp"].value) == ("must", 1)
    assert plan.member["EV1"].name == "EV1"


def test_efforts_by_name_watts_and_crew_member() -> None:
    plan = read(SMALLEST.replace("time: 0:15", "time: 0:15, effort: {EV1: heavy, EV2: 333}"))
    step = plan.step["lamp.set"]
    assert (step.effort_of("EV1"), step.effort_of("EV2")) == (450, 333)
    plan = read(SMALLEST.replace("time: 0:15", "time: 0:15, effort: {EV1: heavy}"))
    assert plan.step["lamp.set"].effort_of("EV2") == 200


def test_two_confidences_limits_in_utc_and_models() -> None:
    text = SMALLEST.replace(
        "1:30}",
        "2031-05-04T16:00:00+02:00}\nconfidence: {consumables: 0.99}\nzero_planned: 2031-05-04T13:00:00Z",
    )
    text = text.replace(
        "tasks:", "consumables: [{id: o2, unit: g, start: 700, model: oxygen, shared: true}]\ntasks:"
    )
    plan = read(text)
    assert plan.confidence == Confidence(0.9, 0.99, False)
    assert plan.elapsed_limit == datetime(2031, 5, 4, 14, tzinfo=UTC)
    assert plan.consumable["o2"].per_megajoule == pytest.approx(1000 * oxygen_kg_per_megajoule())
    assert plan.consumable["o2"].shared


def test_a_step_counts_from_one_and_numbers_may_be_ids() -> None:
    plan = read(SMALLEST.replace("id: set", "id: 007"))
    assert list(plan.step) == ["lamp.1", "lamp.007"]
    with pytest.raises(PlanError, match=r"'lamp\.2' is already the id of a step"):
        read(
            SMALLEST.replace("{crew: [EV1], time: 0:10}", "{id: 2, crew: [EV1], time: 0:10}").replace(
                "id: set, ", ""
            )
        )


def test_window_may_be_one_name(plan_text: str) -> None:
    assert read(plan_text.replace("window: [day]", "window: day")).step["swap.unplug"].windows == ("day",)


def warned(text: str) -> list[Fault]:
    return list(on_paper(read(text)).warnings)


def test_a_good_plan_has_no_warnings(plan_text: str) -> None:
    assert warned(plan_text) == []


WARNINGS = [
    ("elapsed: 6:30, boat: {at: 5:00", "elapsed: §0:45, boat: {at: 1:00", "limits.elapsed", "must work alone ends at 0:48 on paper, 3 min SHORT"),
    ("boat: {at: 5:00, crew: [EV2]}", "boat: §{at: 0:45, crew: [EV2]}", "limits.boat", "3 min SHORT"),
    ("start: 0.75", "start: 0.11", "consumables[0]", "must work alone leaves EV1 0.05"),
    ("of: swap.unplug, time: 0:50", "of: swap.unplug, time: §0:07", "tasks[1].steps[1].within.time", "0:08 pass"),
    ("time: 0:08, site: truss, window: [day]", "time: 0:50, site: truss, window: §[day]", "tasks[1].steps[0].window", "the step takes 0:50, longer than any opening of 'day'"),
    ("use: {oxygen: 1.5}", "use: {oxygen: §0.2}", "tasks[1].steps[1].use.oxygen", "less oxygen than waiting"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "path", "what"), WARNINGS)
def test_warning(old: str, new: str, path: str, what: str, plan_text: str) -> None:
    assert plan_text.count(old) == 1
    text = plan_text.replace(old, new)
    if path.startswith("consumables"):
        text = text.replace("{id: oxygen", "§{id: oxygen")
    found = warned(text.replace("§", ""))
    if path.startswith("consumables"):
        found = found[:1]
    (only,) = found
    lines = text[: text.index("§")].split("\n")
    assert (only.line, only.column, only.path) == (len(lines), len(lines[-1]) + 1, path)
    assert what in only.what
    assert only.right


def test_windows_in_pet_without_planned_zero(plan_text: str) -> None:
    text = re.sub("zero_planned.*\n", "", plan_text)
    assert [(fault.path, fault.what) for fault in warned(text)] == [
        ("windows[0].id", "is in PET without `zero_planned`: it moves with the actual zero"),
        ("windows[1].id", "is in PET without `zero_planned`: it moves with the actual zero"),
    ]


def test_instants_without_planned_zero(plan_text: str) -> None:
    text = re.sub("zero_planned.*\n", "", plan_text).replace("at: 5:00", "at: 2031-05-04T19:00:00Z")
    text = text.replace("first_sunrise: 0:10", "first_sunrise: 2031-05-04T14:10:00Z")
    assert [fault.path for fault in warned(text)] == ["limits.boat", "windows[0].id", "windows[1].id"]


# The task of an `added` event.


def test_added_task_may_refer_to_what_is_there(plan: Plan) -> None:
    data = {
        "title": "Look again",
        "priority": "should",
        "needs": ["swap.unplug", "photos"],
        "steps": [
            {
                "do": "Look",
                "crew": ["EV1"],
                "time": "0:05",
                "site": "truss",
                "window": ["day"],
                "effort": "heavy",
            },
            {"do": "Wait", "crew": ["EV2"], "time": "0:05", "within": {"of": "swap.2", "time": "1:00"}},
        ],
    }
    task = parse_task(data, plan, default_id="added-7")
    assert (task.id, task.title, task.priority) == ("added-7", "Look again", "should")
    assert [step.id for step in task.steps] == ["added-7.1", "added-7.2"]
    assert task.steps[0].effort_of("EV1") == 450 and task.steps[0].time == Duration(300)
    again = parse_task({**data, "id": "more", "needs": ["added-7.2"]}, plan, known=(*plan.tasks, task))
    assert again.id == "more"


@pytest.mark.parametrize(
    ("data", "line"),
    [
        ({}, "task: task.steps: is missing; write steps: and a list of them"),
        ({"id": "swap", "steps": [{"crew": ["EV1"], "time": "0:05"}]}, "task: task.id: 'swap' is already the id of a task"),
        ({"steps": [{"crew": ["EV9"], "time": "0:05"}]}, "task: task.steps[0].crew: there is no crew member 'EV9'"),
        ({"steps": [{"crew": ["EV1"], "time": 5}]}, "task: task.steps[0].time: '5' is not a time; write H:MM or H:MM:SS, 0:05 or 0:00:05"),
        ({"steps": [{"crew": ["EV1"], "time": "0:05", "sight": "x"}]}, "task: task.steps[0].sight: is not a key here; did you mean site?"),
        ({"needs": ["photos"], "steps": [{"crew": ["EV1"], "time": "0:05"}]}, "task: task.needs: 'photos' is get-ahead"),
        ({"needs": ["home"], "steps": [{"crew": ["EV1"], "time": "0:05"}]}, "task: task.needs: 'home' is closeout"),
        ({"steps": [{"crew": ["EV1"], "time": "0:05", "opens": ["lid"]}]}, "task: task.steps[0].opens: no step closes 'lid'"),
        ({"steps": [{"crew": ["EV1"], "time": "0:05", "closes": ["hatch"]}]}, "task: task.steps[0].closes: another step already closes 'hatch'"),
        ({"steps": [{"crew": ["EV1"], "time": "0:05"}], "note": None}, "task: task.note: is not a key here"),
        ({"steps": 5}, "task: task.steps: '5' stands where a list should"),
        ({"steps": [{"crew": ["EV1"], "time": "0:05"}], "title": {"a": [object()]}}, "task: holds a object, which is no JSON value"),
        ("swap", "task: is no mapping"),
    ],
)  # fmt: skip
def test_added_task_with_a_fault(data: dict[str, object], line: str, plan: Plan) -> None:
    with pytest.raises(PlanError) as error:
        parse_task(data, plan)
    assert error.value.lines[0].startswith(line)


def test_added_task_nested_too_deeply(plan: Plan) -> None:
    deep: object = "x"
    for _ in range(2000):
        deep = [deep]
    with pytest.raises(PlanError, match="nested too deeply"):
        parse_task({"steps": deep}, plan)


def test_fault_lines_name_no_place_where_there_is_none(faults: Callable[[str], list[Fault]]) -> None:
    assert str(Fault("f", 0, 0, "", "is odd", "fix it")) == "f: is odd; fix it"
    assert str(Fault("f", 2, 3, "a.b", "is odd", "")) == "f:2:3: a.b: is odd"
