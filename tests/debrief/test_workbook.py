"""A debrief as a workbook: sheets are the tables, no cell is a formula, units stand below the headings."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from tests.debrief.made import HOSTILE, excursion
from tracker.cli.main import main
from tracker.debrief.records import workbook
from tracker.debrief.tabular import TABLES
from tracker.foundation.text import ADVISORY

NOW = datetime(2031, 6, 1, tzinfo=UTC)


def _book(text: str = "fine") -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(b"".join(workbook([excursion(text)], made=NOW))))


def test_every_table_is_a_sheet_with_its_units() -> None:
    book = _book()
    assert book.sheetnames == ["Read me", *(table.name for table in TABLES)]
    assert book["Read me"]["A2"].value == ADVISORY
    for table in TABLES:
        sheet = book[table.name]
        assert [cell.value for cell in sheet[1]] == [column.name for column in table.columns]
        for cell, column in zip(sheet[2], table.columns, strict=True):
            assert (cell.value or "") == column.unit
            assert not column.name.endswith("_s") or cell.value == "s"


def test_rows_are_those_of_the_tables() -> None:
    book, one = _book(), excursion()
    for table in TABLES:
        rows = list(book[table.name].iter_rows(min_row=3, values_only=True))
        made = [tuple(value if value != "" else None for value in row) for row in table.of(one)]
        assert len(rows) == len(made)
        for found, wanted in zip(rows, made, strict=True):
            assert found == tuple(pytest.approx(v) if isinstance(v, float) else v for v in wanted)


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_is_a_formula(text: str) -> None:
    for sheet in _book(text).worksheets:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_it_is_written_whole_from_journals_and_from_a_season(files: list[Path], tmp_path: Path) -> None:
    out, season = tmp_path / "out.xlsx", tmp_path / "season.db"
    assert main(["debrief", *map(str, files), "--xlsx", str(out)]) == 0
    assert openpyxl.load_workbook(out)["excursions"].max_row == 2 + 3
    assert main(["season", "add", str(season), *map(str, files), "--rehearsals"]) == 0
    assert main(["debrief", "--season", str(season), "--xlsx", str(out)]) == 0
    assert openpyxl.load_workbook(out)["as_run"].max_row == 2 + 3 * 14
