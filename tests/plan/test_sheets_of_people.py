# ruff: noqa: E501
"""Spreadsheets as people write them: encodings, titles, totals, outlines, names, marks and needs in words."""

from __future__ import annotations

import pytest

from tests.plan.sheets import read_sheet
from tracker.foundation.errors import PlanError
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan
from tracker.plan.sheet import Sheet
from tracker.plan.sheet_plan import plan_of_sheet
from tracker.plan.sheet_table import sheet_text

SMALL = "Task;Step;Crew;Duration\r\nA;Öffnen \u2013 jetzt;EV1;8\r\n"


def sheet_of(text: str) -> Sheet:
    return read_sheet(text, "s.csv")


def plan_of(text: str) -> Plan:
    plan = plan_of_sheet(sheet_of(text), excursion="From a sheet", limit=None, file="p.yaml")
    return parse_plan(plan, file="p.yaml", name="p")


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (SMALL.encode("utf-8-sig"), ""),
        (SMALL.replace(";", "\t").encode("utf-16"), "UTF-16"),
        (b"\xfe\xff" + SMALL.encode("utf-16-be"), "UTF-16"),
        (SMALL.encode("cp1252"), "Windows-1252, for it is not UTF-8"),
        (SMALL.replace("\r\n", "\r").encode(), ""),
    ],
)
def test_encodings_of_spreadsheets(raw: bytes, said: str) -> None:
    text, read_as = sheet_text(raw, "s.csv")
    assert read_as == said
    assert plan_of(text).step["A.1"].do == "Öffnen \u2013 jetzt"


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (bytes(range(256)), "s.csv: is no text; save the sheet as CSV, UTF-8"),
    ],
)
def test_what_is_no_sheet(raw: bytes, line: str) -> None:
    with pytest.raises(PlanError) as error:
        sheet_text(raw, "s.csv")
    assert error.value.lines == (line,)


@pytest.mark.parametrize(
    "above",
    [
        "Draft 4,,,\n,,,\n",
        "An excursion\nprepared by X on 2031-05-04\n",
        "A title; with, many, commas, in it\nDoc,123\n",
        "\n\n\n",
    ],
)
def test_titles_stand_above_the_headings(above: str) -> None:
    text = above + "Task,Step,Crew,Duration\nA,one,EV1,8\nA,two,EV1,x\n"
    row = above.count("\n") + 3
    with pytest.raises(PlanError, match=rf"^s\.csv:{row}:4: row {row}, column D \(Duration\): 'x' is not"):
        plan_of(text)
    assert plan_of(text.replace(",x\n", ",9\n")).step["A.two"].time.likely == 540


@pytest.mark.parametrize("total", ["Total,,,0:18", ",,Total:,0:18", ",Grand total,,18", "SUM,,,18 min"])
def test_totals_are_no_steps(total: str) -> None:
    sheet = sheet_of(f"Task,Step,Crew,Duration\nA,one,EV1,8\n,two,EV2,10\n{total}\n")
    assert [step.do for step in sheet.steps] == ["one", "two"]
    assert sheet.remarks == ["row 4 is a total: not read"]
    # A step that somebody does is a step, whatever it is called.
    assert len(plan_of("Task,Step,Crew,Duration\nA,Total,EV1,8\n").step) == 1


def test_a_task_may_have_a_line_of_its_own() -> None:
    sheet = sheet_of(
        "Task,Step,Crew,Duration,Priority\nA,,,0:18,\n,one,EV1,8,\n,two,EV2,10,\nB,,,,get-ahead\n,three,EV2,5,\n,four,EV2,5,\n"
    )
    assert [(step.task, step.rank) for step in sheet.steps] == [
        ("A", "must"), ("A", "must"), ("B", "get-ahead"), ("B", "get-ahead"),
    ]  # fmt: skip
    assert sheet.remarks == ["row 2 is the line of task A: its time is not read"]
    plan = plan_of("Description,Crew,Duration\nEGRESS,,\nOpen hatch,EV1,8\nWORK,,\nBolt,EV2,9\n")
    assert list(plan.step) == ["EGRESS.1", "WORK.1"]


@pytest.mark.parametrize("heading", ["Optional", "Get-ahead?", "if time"])
@pytest.mark.parametrize("mark", ["yes", "x", "Y", "TRUE", "✓"])
def test_optional_work_is_marked(heading: str, mark: str) -> None:
    plan = plan_of(f"Task,Step,Crew,Duration,{heading}\nA,one,EV1,8,no\nB,two,EV2,8,{mark}\nC,three,EV2,8,\n")
    assert [task.priority for task in plan.tasks] == ["must", "get-ahead", "must"]


def test_an_optional_step_among_others_is_a_task_of_its_own() -> None:
    sheet = sheet_of("Task,Step,Crew,Duration,Optional\nA,one,EV1,8,\n,two,EV1,8,x\n")
    assert sheet.remarks == ["row 3 is get-ahead, above it task A is must: from here it is a task of its own"]
    plan = plan_of("Task,Step,Crew,Duration,Optional\nA,one,EV1,8,\n,two,EV1,8,x\n")
    assert [(task.id, task.priority) for task in plan.tasks] == [("A", "must"), ("A-2", "get-ahead")]
    # A priority fills the blank cells below it, as a merged cell does; marks do not.
    merged = plan_of("Task,Step,Crew,Duration,Priority\nA,one,EV1,8,should\n,two,EV1,8,\nB,three,EV1,8,\n")
    assert [(task.id, task.priority) for task in merged.tasks] == [("A", "should"), ("B", "must")]


@pytest.mark.parametrize(
    ("cell", "crew"),
    [
        ("EV1/EV2", ["EV1", "EV2"]), ("EV1 + EV2", ["EV1", "EV2"]), ("EV1 & EV2", ["EV1", "EV2"]),
        ("EV1 and EV2", ["EV1", "EV2"]), ('"EV1, EV2"', ["EV1", "EV2"]), ("EV1;EV2", ["EV1", "EV2"]),
        ('"EV1\nEV2"', ["EV1", "EV2"]), ("EV1 EV2", ["EV1", "EV2"]), ("EV 1", ["EV1"]), ("ev1", ["EV1"]),
        ("EV 1 / EV 2", ["EV1", "EV2"]), ("Ann Berg", ["Ann-Berg"]), ("ann berg and Jörg", ["Ann-Berg", "Jorg"]),
        ("both", ["EV1", "Ann-Berg"]), ("EV1 (lead)", ["EV1"]), ('"EV1*, EV2 (standby)"', ["EV1", "EV2"]),
    ],
)  # fmt: skip
def test_who_is_in_a_cell(cell: str, crew: list[str]) -> None:
    plan = plan_of(f"Task,Step,Crew,Duration\nA,a,EV1,1\nA,b,Ann Berg,1\nA,c,{cell},8\n")
    assert list(plan.step["A.c"].crew) == crew
    assert plan.member["Ann-Berg"].name == "Ann Berg"


@pytest.mark.parametrize(
    ("headings", "keys"),
    [
        ("No,Step,Crew,Duration", {"step": 0, "do": 1}),
        ("#,Step,Crew,Duration", {"step": 0, "do": 1}),
        ("Step,Description,Crew,Duration", {"step": 0, "do": 1}),
        ("Task ID,Task,Step ID,Step,EV,Duration (min)", {"task_id": 0, "task": 1, "step": 2, "do": 3}),
        ("Task ID,Step,Crew,Time", {"task": 0, "step": 1}),
        ("Phase,Activity,Crew,Duration", {"task": 0, "do": 1}),
        ("Phase,Step,Crew,Duration", {"task": 0, "step": 1}),
        ("Task,Min,Likely,Max,Crew", {"task": 0, "low": 1, "time": 2, "high": 3}),
        ("Task,Crew,Min", {"task": 0, "time": 2}),
        ("ID,Task,Who,Est. (min),Pred", {"step": 0, "task": 1, "time": 3, "needs": 4}),
        ("Start time,End time,What,Who,How long", {"do": 2, "time": 4}),
        ("Planned start,Planned finish,What,Who,Planned min", {"do": 2, "time": 4}),
    ],
)
def test_headings_mean_the_best_that_they_can(headings: str, keys: dict[str, int]) -> None:
    rows = ",".join("EV1" if name in ("Crew", "Who", "EV") else "8" for name in headings.split(","))
    found = dict(sheet_of(f"{headings}\n{rows}\n").columns.keys)
    del found["crew"]
    assert found.items() >= keys.items()
    assert {"task", "task_id", "step", "do"} & set(found) == {"task", "task_id", "step", "do"} & set(keys)


@pytest.mark.parametrize(
    ("text", "step", "needs"),
    [
        (
            "No,Step,Crew,Duration,After\n1,Open,EV1,8,\n2,Go,EV1,8,1\n3,Shut,EV2,8,1;2\n",
            "work.3",
            ["work.1", "work.2"],
        ),
        (
            '#,Step,Crew,Duration,After\n1,Open,EV1,8,\n2,Go,EV1,8,1\n3,Shut,EV2,8,"1, 2"\n',
            "work.3",
            ["work.1", "work.2"],
        ),
        (
            "Task,Step,Crew,Duration,After\nA,Open the hatch,EV1,8,\nA,Go on,EV1,8,Open the hatch\n",
            "A.2",
            ["A.1"],
        ),
        (
            "Task,Step,Crew,Duration,After\nA,Open it,EV1,8,\nB,Open it,EV2,8,\nB,Go on,EV2,8,Open it\n",
            "B.2",
            ["B.1"],
        ),
        ("Task ID,Task,Step,Crew,Time,After\nT1,Go,s1,EV1,8,\nT2,Work,s1,EV2,8,T1.s1\n", "T2.s1", ["T1.s1"]),
        ("Task ID,Task,Step,Crew,Time,After\nT1,Go,s1,EV1,8,\nT2,Work,s1,EV2,8,t1\n", "T2.s1", ["T1"]),
    ],
)
def test_needs_by_number_and_by_words(text: str, step: str, needs: list[str]) -> None:
    assert list(plan_of(text).step[step].needs) == needs


def test_a_need_that_two_steps_answer_to_is_a_fault() -> None:
    text = "Task,Step,Crew,Duration,After\nA,Open it,EV1,8,\nB,Open it,EV2,8,\nC,Go on,EV2,8,Open it\n"
    with pytest.raises(PlanError) as error:
        plan_of(text)
    assert error.value.lines == (
        "s.csv:4:5: row 4, column E (After): 'Open it' may be A.1 or B.1; write one of these",
    )


@pytest.mark.parametrize("cell", ["N/A", "-", "?", "tbd", ""])
def test_nobody_is_no_crew_member(cell: str) -> None:
    with pytest.raises(PlanError, match=r"row 2, column C \(Crew\): is empty; write who does the step"):
        sheet_of(f"Task,Step,Crew,Duration\nA,a,{cell},8\nA,b,EV1,8\n")


def test_everybody_must_be_somebody() -> None:
    with pytest.raises(PlanError) as error:
        plan_of("Task,Step,Crew,Duration\nA,a,both,8\n")
    what = "names no crew member, and no other row does; write who it is, such as EV1"
    assert error.value.lines == (f"s.csv:2:3: row 2, column C (Crew): {what}",)


def test_a_footer_is_no_step_and_is_told() -> None:
    sheet = sheet_of("Task,Step,Crew,Duration\nA,a,EV1,8\n\nAll times are estimates,,,\n")
    assert len(sheet.steps) == 1
    assert sheet.remarks == ["row 4 has no step below it: not read"]


def test_a_mark_that_says_no_is_none() -> None:
    plan = plan_of("Step,EV1,EV2,Optional,Minutes\nOpen it,x,-,,8\nGo out,no,x,x,9\n")
    assert [(step.crew, step.task) for step in plan.step.values()] == [
        (("EV1",), "work"),
        (("EV2",), "work-2"),
    ]
