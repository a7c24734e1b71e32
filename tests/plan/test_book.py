# ruff: noqa: E501
"""A plan as a workbook and back: the shipped plans, and plans spoilt with hostile text, come back equal."""

from __future__ import annotations

import csv
import io
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracker.cli.export import book_of
from tracker.cli.main import main
from tracker.foundation.errors import PlanError
from tracker.plan.book import check_texts, is_plan_book, plan_text, sheets_of
from tracker.plan.model import Duration, Plan
from tracker.plan.read import parse_plan, read_plan
from tracker.plan.workbook import read_here

TOP = Path(__file__).parents[2]
PLANS = {name: read_plan(TOP / f"plans/{name}.yaml") for name in ("larkspur", "plateau", "outfall")}
NOW = datetime(2031, 5, 4, tzinfo=UTC)
APART = {"source", "name", "file"}
"""Fields of a plan that say where it was read from."""


def there_and_back(plan: Plan) -> Plan:
    grids = read_here(book_of(plan, NOW))
    assert is_plan_book(grids)
    return parse_plan(plan_text(grids, "p.xlsx"), file="p", name="p")


def equal(a: Plan, b: Plan) -> None:
    for field in fields(Plan):
        if field.name not in APART:
            assert getattr(a, field.name) == getattr(b, field.name), field.name


@pytest.mark.parametrize("name", PLANS)
def test_10_shipped_plans_come_back_equal(name: str) -> None:
    equal(there_and_back(PLANS[name]), PLANS[name])


HOSTILE = [
    "=1+1", "@x", "-2", "+3", "0:08", "1e5", "TRUE", "1.50", "null", "~", "_x000D_", "a\nb", "#REF!", "home", " x ", "007",
    "{a: b}", "[x]", "# no", "'q'", '"', "\\", "é\u0301", "\U0001f680", "\u202e", "\u2028", "\x85", "2031-05-04", "x" * 500,
]  # fmt: skip
texts = st.one_of(
    st.sampled_from(HOSTILE),
    st.text(
        st.characters(exclude_categories=["Cs"], exclude_characters="\ufffe\uffff"), min_size=1, max_size=40
    ),
).filter(lambda text: text.strip() and not any(ord(c) < 32 and c not in "\t\n" for c in text))
numbers = st.floats(0.2, 5000, allow_nan=False)
times = st.integers(1, 3600)


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(sorted(PLANS)), st.data())
def test_10_spoilt_plans_come_back_equal(name: str, data: st.DataObject) -> None:
    plan = PLANS[name]
    step = plan.tasks[0].steps[0]
    spoilt = replace(
        step,
        do=data.draw(texts),
        hold_point=data.draw(texts),
        time=Duration(data.draw(times)),
        effort=dict.fromkeys(step.crew, (watts := data.draw(st.floats(130, 900)))),
        default_effort=watts,
        count=data.draw(st.integers(1, 9999)),
    )
    task = replace(plan.tasks[0], title=data.draw(texts), steps=(spoilt, *plan.tasks[0].steps[1:]))
    start = data.draw(numbers)
    stores = tuple(
        replace(store, start=start, reserve=start / 7, unit=data.draw(texts), reading_sd=data.draw(numbers))
        if store.model is None
        else store
        for store in plan.consumables
    )
    changed: dict[str, Any] = {
        "excursion": data.draw(texts),
        "zero": data.draw(texts),
        "tasks": (task, *plan.tasks[1:]),
        "consumables": stores,
        "crew": tuple(replace(member, name=data.draw(texts)) for member in plan.crew),
    }
    plan = replace(plan, **changed)
    equal(there_and_back(plan), plan)


def test_10_a_number_that_fifteen_digits_do_not_hold() -> None:
    plan = PLANS["larkspur"]
    store = replace(plan.consumables[0], start=0.5712345678901234)
    plan = replace(plan, consumables=(store, *plan.consumables[1:]))
    assert there_and_back(plan).consumables[0].start == 0.5712345678901234


def test_11_no_text_is_a_formula() -> None:
    plan = PLANS["larkspur"]
    steps = tuple(
        replace(step, do=text)
        for step, text in zip(plan.tasks[0].steps, ("=1+1", "@x", "-2", "0:08", "TRUE"), strict=True)
    )
    plan = replace(plan, tasks=(replace(plan.tasks[0], steps=steps), *plan.tasks[1:]))
    book = openpyxl.load_workbook(io.BytesIO(book_of(plan, NOW)))
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]
    assert [cell.value for cell in cells if cell.value == "=1+1" and cell.data_type == "s"] == ["=1+1"]


@pytest.mark.parametrize("text", ["a\x0bb", "a\rb", "_x005F_"])
def test_11_what_no_workbook_holds_is_refused(text: str) -> None:
    plan = PLANS["larkspur"]
    step = replace(plan.tasks[0].steps[0], do=text)
    spoilt = replace(
        plan, tasks=(replace(plan.tasks[0], steps=(step, *plan.tasks[0].steps[1:])), *plan.tasks[1:])
    )
    with pytest.raises(PlanError) as error:
        check_texts(sheets_of(spoilt), "p.yaml")
    assert error.value.lines == (
        "p.yaml: sheet Steps, row 2, do: holds a character that no workbook can; take it out",
    )


def test_the_commands_there_and_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book, back = tmp_path / "demo.xlsx", tmp_path / "demo.yaml"
    demo = str(TOP / "plans/larkspur.yaml")
    assert main(["export", demo, "--xlsx", str(book)]) == 0
    told = capsys.readouterr().err
    assert "demo.xlsx: written; left behind: comments, layout, the order of keys and anchors" in told
    assert main(["import", str(book), "--out", str(back)]) == 0
    assert "the workbook is a whole plan, as `tracker export` writes it: 53 steps" in capsys.readouterr().out
    assert main(["diff", demo, str(back), "--exit-code"]) == 0
    assert capsys.readouterr().out == "no difference\n"
    assert main(["import", str(book), "--out", str(tmp_path / "x.yaml"), "--limit", "6:00"]) == 2
    assert "--limit is for a sheet of steps; " in capsys.readouterr().err
    # Never over a file without a word.
    before = book.read_bytes()
    assert main(["export", demo, "--xlsx", str(book)]) == 1
    assert "is already there and stays as it is; give another name, or say --force" in capsys.readouterr().err
    assert book.read_bytes() == before
    assert main(["export", demo, "--xlsx", str(book), "--force"]) == 0
    assert main(["export", demo]) == 2


def test_how_exact_a_reading_is_has_no_more_digits_than_the_start() -> None:
    text = (TOP / "plans/outfall.yaml").read_text().replace("start: 180,", "start: 230,")
    rows = sheets_of(parse_plan(text, file="p.yaml", name="p"))["Consumables"]
    assert [row["reading_sd"] for row in rows] == [60.0, 2.3]


def test_steps_alone_as_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, back, source = tmp_path / "steps.csv", tmp_path / "back.yaml", tmp_path / "plateau.yaml"
    text = (TOP / "plans/plateau.yaml").read_text(encoding="utf-8")
    hostile = ["=1+1", "'@x", "''-2", "'plain"]
    for step, do in zip(PLANS["plateau"].step.values(), hostile, strict=False):
        text = text.replace(f"do: {step.do},", f'do: "{do}",', 1)
    source.write_text(text, encoding="utf-8")
    plan = read_plan(source)
    assert [step.do for step in plan.step.values()][:4] == hostile
    assert main(["export", str(source), "--csv", str(out)]) == 0
    left = "left behind: title, value, needs of tasks, plan, limits, crew, efforts, consumables"
    assert left in capsys.readouterr().err
    assert out.read_bytes().startswith(b"\xef\xbb\xbftask,id,do,crew,time,low,high,")
    rows = list(csv.DictReader(out.read_text("utf-8-sig").splitlines()))
    assert [row["do"] for row in rows][:4] == ["'=1+1", "''@x", "'''-2", "'plain"], "nothing runs"
    assert [row["crew"] for row in rows] == [", ".join(s.crew) for s in plan.step.values()]
    assert main(["import", str(out), "--out", str(back)]) == 0
    said = capsys.readouterr().out
    assert "not read: use, window, whole, within of, within time, takes, leaves, brings" in said
    assert "the way home from gully, fan, scarp is not in the sheet: 0:00 stands for it" in said
    found = read_plan(back)
    for field in (
        "id",
        "do",
        "crew",
        "fixed",
        "count",
        "work",
        "site",
        "needs",
        "opens",
        "closes",
        "cautions",
    ):
        assert [getattr(s, field) for s in found.step.values()] == [
            getattr(s, field) for s in plan.step.values()
        ]
    assert [(t.id, t.priority, t.closeout) for t in found.tasks] == [
        (t.id, t.priority, t.closeout) for t in plan.tasks
    ]


def test_faults_of_such_a_workbook_have_sheet_row_and_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = openpyxl.load_workbook(io.BytesIO(book_of(PLANS["larkspur"], NOW)))
    steps, stores = book["Steps"], book["Consumables"]
    steps["D3"], steps["A4"], stores["C2"] = "EV9", "egres", "much"
    path = tmp_path / "p.xlsx"
    book.save(path)
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml")]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert (
        line
        == f"{path}:4:1: sheet Steps, row 4, column A (task): there is no task 'egres'; did you mean egress?"
    )
    steps["A4"] = "egress"
    book.save(path)
    assert main(["import", str(path), "--out", str(tmp_path / "p.yaml")]) == 1
    assert capsys.readouterr().err.splitlines() == [
        f"{path}:2:3: sheet Consumables, row 2, column C (start): 'much' is not a number; write a number such as 0.75, without quotes or unit",
        f"{path}:3:4: sheet Steps, row 3, column D (crew): there is no crew member 'EV9'; did you mean EV2?",
    ]


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_back_into_somebodys_own_columns(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What import read by a mapping, export writes by it, and import reads again."""
    sheet, mapping, plan = tmp_path / "s.csv", tmp_path / "m.yaml", tmp_path / "a.yaml"
    sheet.write_text(
        "Aufgabe,Schritt,Anna Berg,Bo,Dauer,Prio,Ort\n"
        "Haus,Auf,x,x,0.25,P1,Tor\nHaus,Zu,x,,1.5,P1,\nDach,Schau,,x,0.2,P3,Dach\n",
        encoding="utf-8",
    )
    mapping.write_text(
        "columns: {Dauer: time:h, Anna Berg: crew:EV1, Bo: crew:EV2}\npriorities: {P1: must, P3: get-ahead}\n"
    )
    written = tmp_path / "m2.yaml"
    options = ["--mapping", str(mapping), "--write-mapping", str(written)]
    assert main(["import", str(sheet), "--out", str(plan), *options]) == 0
    back, again = tmp_path / f"back.{kind}", tmp_path / "b.yaml"
    assert main(["export", str(plan), f"--{kind}", str(back), "--mapping", str(written)]) == 0
    assert "left behind, for no column is theirs: what is not about steps" in capsys.readouterr().err
    assert main(["import", str(back), "--out", str(again), "--mapping", str(written), "--limit", "3:00"]) == 0
    assert read_plan(again).tasks == read_plan(plan).tasks
    if kind == "csv":
        rows = list(csv.reader(back.read_text("utf-8-sig").splitlines()))
        assert rows[:2] == [
            ["Aufgabe", "Schritt", "Anna Berg", "Bo", "Dauer", "Prio", "Ort"],
            ["Haus", "Auf", "x", "x", "0.25", "P1", "Tor"],
        ]
