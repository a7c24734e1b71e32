# ruff: noqa: E501
"""Spreadsheets: headings matched loosely, durations in the usual notations, faults by row and column."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plan.sheets import parse_span, read_sheet
from tracker.foundation.errors import PlanError
from tracker.plan.cells import unit_in
from tracker.plan.columns import column_name
from tracker.plan.model import Duration, Plan
from tracker.plan.read import parse_plan
from tracker.plan.sheet_plan import plan_of_sheet


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("8", 480), ("8.5", 510), ("7,5", 450), ("0:08", 480), ("1:05", 3900), ("01:05:00", 3900), ("0:00:30", 30),
        ("8 min", 480), ("8min", 480), ("8 m", 480), ("8'", 480), ("90 s", 90), ("90 sec", 90), ("1h05", 3900),
        ("1 h 5", 3900), ("1h 5m", 3900), ("1 h 5 min 30 s", 3930), ("1.5 h", 5400), ("1,5 hours", 5400), ("2 hrs", 7200),
        ("5m30", 330), ("5'30\"", 330), ("PT1H5M", 3900), ("PT90S", 90), ("1 hour, 5 minutes", 3900), (" 8  min ", 480),
        ("90 min.", 5400), ("1:30 h", 5400), ("8:30 min", 510), ("1 hour and 30 minutes", 5400), ("P0DT1H30M0S", 5400),
        ("~90 min", 5400), ("ca. 90 min", 5400), ("90mn", 5400), ("12:08:00 AM", 480), ("1:30 PM", 48600),
    ],
)  # fmt: skip
def test_durations_in_the_usual_notations(text: str, seconds: int) -> None:
    assert parse_span(text) == seconds


@pytest.mark.parametrize(
    "text", ["soon", "8 bananas", "1:75", "-8", "5m1h", "1h1h", "", "PT", "8 9", "1e3", "٣"]
)
def test_what_is_no_duration(text: str) -> None:
    with pytest.raises(ValueError, match="write 0:08, 8 min, 1h05 or 01:05:00"):
        parse_span(text)


def test_a_heading_may_name_the_unit() -> None:
    assert (unit_in("Duration (h)"), unit_in("Time [s]"), unit_in("Planned minutes"), unit_in("Duration")) == (
        "h", "s", "min", None,
    )  # fmt: skip
    assert parse_span("1.5", "h") == 5400
    assert parse_span("0:10", "h") == 600


def test_a_heading_may_show_how_clocks_are_written() -> None:
    assert [unit_in(f"Time ({form})") for form in ("h:mm", "hh:mm:ss", "mm:ss", "m:ss")] == [
        "h:mm", "h:mm", "m:ss", "m:ss",
    ]  # fmt: skip
    assert (parse_span("8:30", "m:ss"), parse_span("8:30", "h:mm"), parse_span("0:08:30", "m:ss")) == (
        510, 30600, 510,
    )  # fmt: skip
    with pytest.raises(ValueError, match="'8' has no unit, and the heading shows h:mm; write 0:08 or 8:00"):
        parse_span("8", "h:mm")


def test_columns_have_letters() -> None:
    assert [column_name(i) for i in (0, 1, 25, 26, 51, 52, 701, 702)] == [
        "A",
        "B",
        "Z",
        "AA",
        "AZ",
        "BA",
        "ZZ",
        "AAA",
    ]


def text_of(text: str, limit: int | None = None) -> str:
    return plan_of_sheet(read_sheet(text, "s.csv"), excursion="From a sheet", limit=limit, file="p.yaml")


def plan_of(text: str, limit: int | None = None) -> Plan:
    return parse_plan(text_of(text, limit), file="p.yaml", name="p")


FULL = """\
Task,Step,Description,Who,Duration,Low,High,Priority,Value,Predecessors,Location,Type,Qty,Effort,Hold,Opens,Closes,Remarks
Egress,,,,,,,,,,,,,,,,,
,E1,Open the hatch,EV1 / EV2,8 min,,,,,,,hatch,,moderate,,hatch,,loud
,E2,"Go out, look",both,1h05,,,,,E1,,,,,,,,
Swap the box,U-1,Unplug it,EV1,0:08,0:06,0:12,,,Egress,Truss 4,connect,4 ,300 W,the lead agrees,,,
,,Watch,IV,10 min,,,,,,,,,,,,,
Photos,,Take photos,EV2,20 min,,,get ahead,"2,5",E2,,,,,,,,
Close,,Go in,all,PT15M,,,closeout,,,,,,,,,hatch,
"""


def test_a_full_sheet() -> None:
    plan = plan_of(FULL)
    assert list(plan.step) == [
        "Egress.E1",
        "Egress.E2",
        "Swap-the-box.U-1",
        "Swap-the-box.2",
        "Photos.1",
        "Close.1",
    ]
    assert [member.id for member in plan.crew if member.outside] == ["EV1", "EV2"]
    assert not plan.member["IV"].outside
    out = plan.step["Egress.E2"]
    assert (out.do, out.crew, out.time, out.needs) == (
        "Go out, look",
        ("EV1", "EV2"),
        Duration(3900),
        ("Egress.E1",),
    )
    unplug = plan.step["Swap-the-box.U-1"]
    assert (unplug.time, unplug.count, unplug.work) == (Duration(480, 360, 720), 4, "connect")
    assert (unplug.effort_of("EV1"), unplug.site, unplug.hold_point) == (300, "Truss-4", "the lead agrees")
    assert unplug.needs == ("Egress",)
    assert (plan.task["Photos"].priority, plan.task["Photos"].value) == ("get-ahead", 2.5)
    assert plan.task["Close"].closeout and plan.task["Swap-the-box"].title == "Swap the box"
    assert plan.step["Close.1"].closes == plan.step["Egress.E1"].opens == ("hatch",)
    # 0:08 + 1:05 + 0:20 + 0:15 is 1:48 for EV2; half an hour on, up to the next quarter.
    assert plan.elapsed_limit == 8100 + 900
    assert read_sheet(FULL, "s").columns.unread == ("Remarks",)


def test_limit_may_be_given() -> None:
    assert plan_of(FULL, limit=7200 * 2).elapsed_limit == 14400
    assert "assumed" not in text_of(FULL, limit=14400) and "assumed" in text_of(FULL)


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_other_separators_and_the_line_that_names_one(mark: str) -> None:
    rows = list(csv.reader(io.StringIO(FULL)))
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator="\r\n").writerows(rows)
    assert plan_of(out.getvalue()).tasks == plan_of(FULL).tasks
    assert plan_of(f"sep={mark}\r\n" + out.getvalue()).tasks == plan_of(FULL).tasks


def test_crew_members_with_a_column_each_and_steps_in_words() -> None:
    plan = plan_of("Step,EV1,EV2,Minutes\nOpen the hatch,x,,5\nGo out together,X,x,4\n")
    assert [(step.do, step.crew, step.time.likely) for step in plan.step.values()] == [
        ("Open the hatch", ("EV1",), 300),
        ("Go out together", ("EV1", "EV2"), 240),
    ]
    assert list(plan.task) == ["work"]


def test_empty_lines_above_and_between() -> None:
    plan = plan_of(",,\n,,\nDo,Crew,Time (s)\nOne,EV1,90\n,,\nTwo,EV1,30\n")
    assert [step.time.likely for step in plan.step.values()] == [90, 30]
    with pytest.raises(PlanError, match=r"s\.csv:6:3: row 6, column C \(Time \(s\)\): 'x' is not a duration"):
        plan_of(",,\n,,\nDo,Crew,Time (s)\nOne,EV1,90\n,,\nTwo,EV1,x\n")


def test_tasks_of_the_same_name_apart_get_ids_of_their_own() -> None:
    plan = plan_of("Task,Do,Crew,Time\nA,one,EV1,1\nB,two,EV1,1\nA,three,EV1,1\n")
    assert list(plan.task) == ["A", "B", "A-2"]
    plan = plan_of("Task,Step,Crew,Time\nZurück,Fußplatte,EV1,1\n")
    assert list(plan.step) == ["Zuruck.Fussplatte"], "letters lose what stands above them"


def test_text_of_a_sheet_stays_text() -> None:
    kept = plan_of("Task,Do,Crew,Time\nA  b, one  by one ,EV1,1\nA b,two,EV1,1\n")
    assert [(task.title, [s.do for s in task.steps]) for task in kept.tasks] == [
        ("A  b", ["one  by one", "two"])
    ]
    nasty = "=cmd|' /C calc'!A0 : {x} [y] # z & *w \"q\" \x1b[31m \u202e"
    out = io.StringIO()
    csv.writer(out).writerows(
        [["Task", "Do", "Crew", "Time"], ["null", nasty, "EV1", "8"], ["12", "true", "EV1", "8"]]
    )
    plan = plan_of(out.getvalue())
    assert next(step.do for step in plan.step.values()).startswith(
        "=cmd|' /C calc'!A0 : {x} [y] # z & *w \"q\" ?[31m"
    )
    assert plan.step["task-12.1"].do == "true"
    assert plan.task["null"].title == "null"


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("", ["s.csv:1:1: is empty; save a sheet with headings and a row a step"]),
        (";;;\n;;\n", ["s.csv:1:1: is empty; save a sheet with headings and a row a step"]),
        ("Do,Crew,Time\n", ["s.csv:1:1: row 1, column A (Do): no step stands below the headings; write a row for each step"]),
        ("a,b\nq,q\n", [
            "s.csv:1:1: row 1, column A (a): no column holds the planned time among 'a', 'b'; head one Duration",
            "s.csv:1:1: row 1, column A (a): no column says who does a step among 'a', 'b'; head one Crew, or one with each crew member's id and x in its cells",
            "s.csv:1:1: row 1, column A (a): no column says what is done among 'a', 'b'; head one Step or Description",
        ]),
        ("Zz,Crw,Duraton\nglove,EV1,5\n", [
            "s.csv:1:1: row 1, column A (Zz): no column says what is done among 'Zz', 'Crw', 'Duraton'; head one Step or Description",
            "s.csv:1:2: row 1, column B (Crw): no column says who does a step among 'Zz', 'Crw', 'Duraton'; did you mean Crew?",
            "s.csv:1:3: row 1, column C (Duraton): no column holds the planned time among 'Zz', 'Crw', 'Duraton'; did you mean Duration?",
        ]),
        ("Do,Crew,Time,Priority\nx,,soon,high\ny,EV 1!,0,\n", [
            "s.csv:2:2: row 2, column B (Crew): is empty; write who does the step, such as EV1",
            "s.csv:2:3: row 2, column C (Time): 'soon' is not a duration; write 0:08, 8 min, 1h05 or 01:05:00",
            "s.csv:2:4: row 2, column D (Priority): 'high' is no priority; write must, should, get-ahead or closeout",
            "s.csv:3:2: row 3, column B (Crew): 'EV 1!' is no name for a crew member; write letters and digits, such as EV1",
            "s.csv:3:3: row 3, column C (Time): '0' is no time for a step; write more than nothing and at most 100 hours",
        ]),
        ("Do,Crew,Time,Needs,Effort,Count\nx,EV1,5,y7,hevy,many\n", [
            "s.csv:2:4: row 2, column D (Needs): there is no task or step 'y7'; write work or work.1",
            "s.csv:2:5: row 2, column E (Effort): there is no effort 'hevy'; did you mean heavy?",
            "s.csv:2:6: row 2, column F (Count): 'many' is not a count; write a whole number from 1 to 10000",
        ]),
        ("Task,Do,Crew,Time,Value\nA,x,EV1,5,3\n", ["s.csv:2:5: row 2, column E (Value): a must is never dropped and needs no value; leave it out"]),
        ('Do,Crew,Time\n"x,EV1,5\n', ["s.csv:2:1: row 2: is not CSV: unexpected end of data; close every quotation mark, and save the sheet as CSV, UTF-8"]),
    ],
)  # fmt: skip
def test_faults_have_row_and_column(text: str, lines: list[str]) -> None:
    with pytest.raises(PlanError) as error:
        text_of(text)
    found = sorted(error.value.lines)
    assert found == sorted(lines)


def test_too_large_sheets_are_refused() -> None:
    with pytest.raises(PlanError, match="5,002 rows"):
        text_of("Do,Crew,Time\n" + "x,EV1,5\n" * 5001)
    with pytest.raises(PlanError, match="more than 20,000 entries"):
        text_of("Do,Crew,Time\n" + "x,EV1,5\n" * 4000)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.lists(st.sampled_from(["Task", "Do", "Crew", "Time", "Needs", "EV1", "x", "8", "0:08", "", "home", "a,b", '"', "é", "1", "closeout", "Priority", "*", "Opens"]), min_size=1, max_size=6), max_size=6), st.sampled_from([",", ";", "\t"]))  # fmt: skip
def test_no_sheet_crashes_the_reader(rows: list[list[str]], mark: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=mark).writerows(rows)
    for text in (
        out.getvalue(),
        "Task,Do,Crew,Time,Needs,Opens\n" + out.getvalue(),
        out.getvalue().replace('"', ""),
    ):
        try:
            plan_of(text)
        except PlanError as error:
            assert error.lines and all("Traceback" not in line for line in error.lines)
