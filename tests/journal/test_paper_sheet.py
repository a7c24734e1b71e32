# ruff: noqa: E501
"""Ticks from paper: a sheet becomes stated events in the order of time, all of them or none."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plan.workbooks import xlsx
from tracker.cli.main import main
from tracker.journal.journal import Journal

PLAN = """\
format: 1
excursion: Walk
limits: {elapsed: 4:00}
crew: [{id: EV1}, {id: EV2}]
consumables:
  - {id: oxygen, unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.05}
tasks:
  - {id: a, steps: [{id: x, do: X, crew: [EV1], time: 0:20}, {id: y, do: Y, crew: [EV2], time: 0:10}]}
  - {id: in, closeout: true, steps: [{id: shut, do: Shut it, crew: [EV1, EV2], time: 0:05}]}
"""
HEAD = ("step", "start", "actual", "remark", "PET", "EV1 oxygen (kg)")
ROWS = [
    ("zero", "", "2031-05-04T14:00:00Z", "", "", ""),
    ("in.shut", "", "14:31Z", "", "", ""),
    ("a.x", "0:02", "0:22:30", "glove torn", "", ""),
    ("a.y", "", "0:12", "", "", ""),
    ("", "", "", "", "0:15", 0.7),
    ("closed", "", "0:40", "", "", ""),
]


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "p.yaml"
    path.write_text(PLAN)
    return path


def record(plan: Path, raw: bytes, name: str = "t.xlsx") -> int:
    sheet = plan.with_name(name)
    sheet.write_bytes(raw)
    return main(["record", str(plan.with_name("j.sqlite")), "--sheet", str(sheet), "--plan", str(plan)])


def events(plan: Path) -> list[tuple[str, float, bool]]:
    with Journal.open(plan.with_name("j.sqlite"), read_only=True) as journal:
        return [(event.kind, event.at, event.stated) for event in journal.fold.recorded]


@pytest.mark.parametrize("name", ["t.xlsx", "t.csv"])
def test_a_sheet_becomes_a_journal(name: str, plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [HEAD, *ROWS]
    raw = (
        xlsx(("Ticks",), *rows)
        if name.endswith("x")
        else "\n".join(",".join(map(str, row)) for row in rows).encode()
    )
    assert record(plan, raw, name) == 0
    assert events(plan) == [
        ("zero", 0, True), ("began", 120, True), ("done", 720, True), ("reading", 900, True), ("done", 1350, True),
        ("done", 1860, True), ("closed", 2400, True),
    ]  # fmt: skip
    with Journal.open(plan.with_name("j.sqlite"), read_only=True) as journal:
        assert [e.body.get("text") for e in journal.fold.recorded if e.body.get("step") == "a.x"] == [
            None,
            "glove torn",
        ]
    capsys.readouterr()
    assert main(["verify", str(plan.with_name("j.sqlite"))]) == 0


def test_all_or_nothing_with_row_and_column(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoilt = [
        ROWS[0], ("a.z", "", "0:12", "", "", ""), ("a.x", "", "soon", "", "", ""), ("a.y", "", "0:12", "", "", "much"), ("", "", "", "late", "", ""),
    ]  # fmt: skip
    assert record(plan, xlsx(HEAD, *spoilt)) == 1
    found = [line.partition(".xlsx:")[2] for line in capsys.readouterr().err.splitlines()]
    assert found == [
        "3:1: row 3, column A (step): there is no step 'a.z'; did you mean a.y?",
        "4:3: row 4, column C (actual): 'soon' is no start or end; write 0:08, 14:22 or 2031-05-04T14:22:00Z",
        "5:6: row 5, column F (EV1 oxygen (kg)): 'much' is not a number; write a number",
        "6:3: row 6, column C (actual): is empty, and nothing says when; write a time, such as 0:12",
    ]
    assert record(plan, xlsx(HEAD, ROWS[0], ROWS[3], ROWS[3])) == 1
    assert "row 4: " in capsys.readouterr().err
    journal = str(plan.with_name("j.sqlite"))
    assert main(["record", journal, "--plan", str(plan), "done", "step=a.z", "--at", "0:10"]) == 1
    assert list(plan.parent.glob("j.sqlite*")) == []


def test_what_ends_at_an_instant_comes_before_what_begins_at_it(
    plan: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Everything touches, a need stands below what needs it, and one step takes no time at all."""
    plan.write_text(
        PLAN.replace("{id: y,", "{id: z, do: Z, crew: [EV1], time: 0:05}, {id: y, needs: [a.z, a.x],")
    )
    rows = [
        ("in.shut", "0:30", "0:40", "", "", ""), ("a.y", "0:20", "0:30", "", "", ""),
        ("a.z", "0:20", "0:20", "", "", ""), ("a.x", "0:00", "0:20", "", "", ""),
    ]  # fmt: skip
    assert record(plan, xlsx(HEAD, ROWS[0], *rows)) == 0
    assert "warning" not in capsys.readouterr().err
    with Journal.open(plan.with_name("j.sqlite"), read_only=True) as journal:
        told = [f"{e.kind} {e.body['step']}" for e in journal.fold.recorded[1:]]
    assert told == [
        "began a.x", "done a.x", "began a.z", "done a.z", "began a.y", "done a.y", "began in.shut", "done in.shut",
    ]  # fmt: skip


def test_times_in_utc_need_a_zero(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert record(plan, xlsx(HEAD, ROWS[1])) == 1
    assert (
        "the clock was not started; write a row with the step zero and its instant" in capsys.readouterr().err
    )


def test_one_source_of_events_at_a_time(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", str(plan.with_name("j.sqlite")), "--sheet", "x", "--stdin"]) == 2
    assert "one of them" in capsys.readouterr().err
