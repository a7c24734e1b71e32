"""Beside the CSV stands what its columns are, with units, and what it was made from."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.debrief.made import excursion, row
from tracker.cli.main import main
from tracker.debrief.records import COLUMNS, columns, csv_chunks, metadata_chunks

READS = {
    "number": r"-?\d+(\.\d+)?(e-?\d+)?",
    "integer": r"-?\d+",
    "dateTime": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z",
    "string": r"(?s).*",
    "boolean": r"yes|no",
}
"""How a cell of each datatype is written."""


def _metadata(*every: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads("".join(metadata_chunks(every, "folder/out.csv")))
    return found


def test_every_column_is_told_in_its_order_with_a_sentence() -> None:
    found = _metadata(excursion())
    told = found["tableSchema"]["columns"]
    assert [column["name"] for column in told] == list(COLUMNS)
    assert all(column["dc:description"].endswith(".") for column in told)
    assert found["url"] == "out.csv"
    assert found["@context"][0] == "http://www.w3.org/ns/csvw"
    assert len({column["name"] for column in told}) == len(told)


def test_every_time_and_every_figure_has_a_unit() -> None:
    units = {column["name"]: column.get("schema:unitText") for column in columns()}
    figures = {column["name"] for column in columns() if column["datatype"] in ("number", "integer")}
    assert all(units[name] for name in figures)
    for name in (
        "planned_start",
        "actual_duration",
        "variance",
        "finish_late",
        "waited",
        "held",
        "entry_lag",
    ):
        assert units[name] == "s"
    assert units["planned_start_pet"] == "H:MM:SS"
    assert units["ratio"] == "1"


def test_cells_are_what_their_column_says(tmp_path: Path) -> None:
    one = excursion(steps=(row(), row(added=True, ratio=None, entry_lag=None)))
    rows = list(csv.DictReader("".join(csv_chunks([one])).splitlines()))
    for column in columns():
        kind = column["datatype"]["base"] if isinstance(column["datatype"], dict) else column["datatype"]
        for found in rows:
            cell = found[column["name"]]
            assert not cell or re.fullmatch(READS[kind], cell), (column["name"], cell)


def test_what_it_was_made_from_is_told() -> None:
    (source,) = _metadata(excursion())["dc:source"]
    assert source["dc:hasVersion"] == f"event 5, {'cd' * 32}"


def test_it_stands_beside_the_file_and_never_on_standard_output(
    files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "steps.csv"
    assert main(["debrief", str(files[0]), "--csv", str(out)]) == 0
    beside = json.loads((tmp_path / "steps.csv-metadata.json").read_text())
    assert beside["url"] == "steps.csv"
    with out.open(newline="") as file:
        (first, *_) = csv.DictReader(file)
    assert first["tool"] == beside["dc:creator"]
    assert first["uuid"] in beside["dc:source"][0]["dc:identifier"]
    assert first["last_event"] + ", " + first["last_hash"] in beside["dc:source"][0]["dc:hasVersion"]
    before = sorted(tmp_path.iterdir())
    assert main(["debrief", str(files[0]), "--csv", "-"]) == 0
    assert sorted(tmp_path.iterdir()) == before
    assert main(["debrief", str(files[0]), "--csv", str(out), "--json", f"{out}-metadata.json"]) == 2
