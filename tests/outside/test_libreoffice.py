# ruff: noqa: E501
"""Workbooks as an independent program saves them: LibreOffice opens what is written here, and its files are read.

Where it is not installed nothing of this can be looked at.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.plan.test_book import HOSTILE, NOW, PLANS, equal
from tests.plan.workbooks import xlsx
from tracker.cli.export import book_of
from tracker.foundation.errors import PlanError
from tracker.plan.book import plan_text
from tracker.plan.columns import Wishes
from tracker.plan.read import parse_plan
from tracker.plan.sheet import read_rows
from tracker.plan.sheet_table import read_table_of
from tracker.plan.workbook import read_workbook

PROGRAM = shutil.which("soffice")
pytestmark = pytest.mark.skipif(
    PROGRAM is None, reason="LibreOffice is not installed: Debian's libreoffice-calc"
)
HEAD = ("Task", "Step", "Crew", "Duration")
KINDS = ("xlsx", "ods", "xls")


def spoilt_plan() -> Any:
    """The demo with hostile text for titles; LibreOffice ends a paragraph at a line break of its own."""
    plan = PLANS["larkspur"]
    words = iter(text for text in HOSTILE if not {"\x85", "\u2028"} & set(text))
    steps = tuple(replace(step, do=next(words)) for step in plan.tasks[1].steps)
    more = tuple(replace(step, do=next(words, step.do)) for step in plan.tasks[2].steps)
    store = replace(plan.consumables[0], start=0.5712345678901234)
    tasks = (
        plan.tasks[0],
        replace(plan.tasks[1], steps=steps),
        replace(plan.tasks[2], steps=more),
        *plan.tasks[3:],
    )
    return replace(plan, tasks=tasks, consumables=(store, *plan.consumables[1:]))


def durations(number_format: str, *values: float) -> bytes:
    rows = [("A", f"s{n}", "EV1", value) for n, value in enumerate(values)]
    return xlsx(HEAD, *rows, formats={f"D{n}": number_format for n in range(2, len(values) + 2)})


def hidden(book: Any, sheet: Any) -> None:
    sheet.row_dimensions[3].hidden = True


def written() -> Mapping[str, bytes]:
    """The workbooks by name, as they are written here."""
    return {
        **{name: book_of(plan, NOW) for name, plan in PLANS.items()},
        "spoilt": book_of(spoilt_plan(), NOW),
        "spans": durations("[h]:mm", 0.005555555555555556, 1.1458333333333333),
        "clocks": durations("h:mm", 0.005555555555555556, 1.1458333333333333),
        "hidden": xlsx(HEAD, ("A", "one", "EV1", "8 min"), ("A", "two", "EV1", "9 min"), change=hidden),
        "failed": xlsx(HEAD, ("A", "one", "EV1", "=1/0"), ("A", "two", "EV1", "=TIME(0;8;0)/0")),
    }


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with every workbook as LibreOffice saves it, in each kind."""
    folder = tmp_path_factory.mktemp("saved")
    books = written()
    for name, raw in books.items():
        (folder / f"{name}.in.xlsx").write_bytes(raw)
    for kind in KINDS:
        out = folder / kind
        command = [str(PROGRAM), f"-env:UserInstallation={(folder / 'user').as_uri()}", "--headless"]
        files = [str(folder / f"{name}.in.xlsx") for name in books]
        subprocess.run(
            [*command, "--convert-to", kind, "--outdir", str(out), *files],
            check=True,
            capture_output=True,
            timeout=300,
        )
    return folder


def raw(saved: Path, name: str, kind: str) -> bytes:
    return (saved / kind / f"{name}.in.{kind}").read_bytes()


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
@pytest.mark.parametrize("name", [*PLANS, "spoilt"])
def test_10_plans_come_back_equal(name: str, kind: str, saved: Path) -> None:
    grids = read_workbook(raw(saved, name, kind), "p")
    found = parse_plan(plan_text(grids, "p"), file="p", name="p")
    equal(found, spoilt_plan() if name == "spoilt" else PLANS[name])


@pytest.mark.parametrize("kind", KINDS)
def test_1_spans(kind: str, saved: Path) -> None:
    sheet = read_rows(read_table_of(raw(saved, "spans", kind), "s"), "s")
    assert [step.time for step in sheet.steps] == [480, 99_000]


@pytest.mark.parametrize("kind", ["xlsx", "xls"])
def test_3_clocks_of_a_day_and_more(kind: str, saved: Path) -> None:
    with pytest.raises(PlanError, match=r"shows 3:30 and holds 27:30; format it as \[h\]:mm"):
        read_rows(read_table_of(raw(saved, "clocks", kind), "s"), "s")


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_8_hidden_rows(kind: str, saved: Path) -> None:
    with pytest.raises(PlanError, match="row 3 is hidden; say --hidden read or --hidden skip"):
        read_rows(read_table_of(raw(saved, "hidden", kind), "s"), "s")
    skip = Wishes(hidden="skip")
    assert len(read_rows(read_table_of(raw(saved, "hidden", kind), "s", skip), "s", skip).steps) == 1


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_8_failed_formulas(kind: str, saved: Path) -> None:
    with pytest.raises(PlanError) as error:
        read_rows(read_table_of(raw(saved, "failed", kind), "s"), "s")
    assert [line.partition(": ")[2] for line in error.value.lines] == [
        "row 2, column D (Duration): holds #DIV/0!; mend the formula",
        "row 3, column D (Duration): holds #DIV/0!; mend the formula",
    ] or all("mend the formula" in line for line in error.value.lines)


def test_a_kind_that_does_not_say_what_is_hidden_says_so(saved: Path) -> None:
    said = read_table_of(raw(saved, "spans", "xls"), "s").said
    assert "this kind of file does not say which rows are hidden" in said[0]
