"""A column of the debrief is a field of a row: every export and the published schema follow it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import tracker
from tests import schema

ADDED = '''
    given_up: str = ""
    """When its task was given up, and that it was must work: `2:13:00`, `must work 2:13:00`."""
'''
FIELD = '''    words_said: Annotated[int, Column("words", str)] = 2
    """How many words were said."""
'''
SEEN = """
import csv, json
from tests.debrief.made import excursion
from tests.schema import schema
from tracker.debrief.pages import markdown
from tracker.debrief.records import csv_chunks, json_chunks
from tracker.debrief.tables import steps
one = excursion()
table = steps(one)
step = schema()["$defs"]["step"]
print(json.dumps({
    "csv": list(csv.reader("".join(csv_chunks([one])).splitlines())),
    "json": list(json.loads("".join(json_chunks([one])))["excursions"][0]["steps"][0]),
    "table": [table.headings, table.rows[0], sorted(table.right)],
    "page": "| words |" in "".join(markdown([one])),
    "schema": [list(step["properties"]), step["required"][-1], step["properties"].get("words_said")],
}))
"""


def test_published_schema_is_the_one_of_the_types() -> None:
    assert schema.PLACE.read_text(encoding="utf-8") == schema.text(), "run python -m tests.schema"


def test_a_new_field_is_enough_for_every_export(tmp_path: Path) -> None:
    shutil.copytree(Path(tracker.__path__[0]), tmp_path / "tracker", ignore=shutil.ignore_patterns("__pyc*"))
    before = _seen(tmp_path)
    rows = tmp_path / "tracker" / "debrief" / "rows.py"
    text = rows.read_text(encoding="utf-8")
    assert ADDED in text
    rows.write_text(text.replace(ADDED, ADDED + FIELD), encoding="utf-8")
    after = _seen(tmp_path)
    assert after["json"] == [*before["json"], "words_said"]
    assert after["csv"][0] == [*before["csv"][0][:-7], "words_said", *before["csv"][0][-7:]]
    assert after["csv"][1][-8] == "2"
    headings, first, right = after["table"]
    assert headings[-2:] == ["words", "remarks"]
    assert first[-2] == "2"
    assert right == [*before["table"][2], len(headings) - 2]
    assert after["page"]
    assert after["schema"] == [
        [*before["schema"][0], "words_said"],
        "words_said",
        {"type": "integer", "description": "How many words were said."},
    ]


def _seen(place: Path) -> dict[str, list[list[str]]]:
    """Return what the program at this place writes, and the schema it would publish."""
    tests = Path(schema.__file__).parents[1]
    run = subprocess.run(
        [sys.executable, "-c", SEEN],
        env={**os.environ, "PYTHONPATH": f"{place}{os.pathsep}{tests}"},
        cwd=place,
        capture_output=True,
        text=True,
        check=True,
    )
    found: dict[str, list[list[str]]] = json.loads(run.stdout)
    return found
