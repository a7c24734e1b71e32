"""A journal's own events, written out by the documented query, are taken again in the same order."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest

from tests.streams import random_plan, random_run
from tracker.journal.as_run import as_run, as_spent
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress

TOP = Path(__file__).resolve().parents[2]
QUERIES = re.findall(
    r"```sql\n(.*?)```", (TOP / "plans" / "JOURNAL.md").read_text(encoding="utf-8"), re.DOTALL
)


def _ask(path: Path, query: str) -> list[tuple[object, ...]]:
    database = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    try:
        return database.execute(query).fetchall()
    finally:
        database.close()


def _lines(path: Path) -> str:
    (query,) = (one for block in QUERIES for one in block.split("\n\n") if "json_set" in one)
    return "".join(f"{row[0]}\n" for row in _ask(path, query))


def _again(path: Path, plan: Path, target: Path) -> tuple[int, str, str]:
    words = ["record", str(target), "--plan", str(plan), "--rehearsal", "--stdin"]
    done = subprocess.run(
        [sys.executable, "-m", "tracker.cli.main", *words], input=_lines(path), text=True, capture_output=True
    )
    return done.returncode, done.stdout, done.stderr


def _happened(path: Path) -> tuple[object, ...]:
    with Journal.open(path, read_only=True) as journal:
        progress: Progress = journal.progress()
    told = [(e.number, e.kind, e.at, e.seat, dict(e.body)) for e in progress.fold.recorded]
    rows = [{**_cells(row), "entry_lag": None} for row in as_run(progress)]
    return told, rows, as_spent(progress, progress.at), progress.decisions, progress.tasks


def _cells(row: object) -> dict[str, object]:
    return {name: getattr(row, name) for name in row.__slots__}  # type: ignore[attr-defined]


def test_the_shipped_example_is_taken_again(tmp_path: Path) -> None:
    example, own = TOP / "logs" / "example.sqlite", tmp_path / "own.yaml"
    with Journal.open(example, read_only=True) as journal:
        own.write_text(journal.progress().plan.source, encoding="utf-8")
    status, out, _ = _again(example, own, tmp_path / "again.sqlite")
    assert status == 0
    assert out.split() == [str(number) for number in range(1, len(_lines(example).splitlines()) + 1)]
    assert _happened(tmp_path / "again.sqlite") == _happened(example)


@pytest.mark.parametrize("seed", range(6))
def test_whatever_happened_is_taken_again(seed: int, tmp_path: Path) -> None:
    random = Random(f"out {seed}")
    plan = random_plan(random)
    fold = random_run(random, plan, 60)
    (tmp_path / "plan.json").write_text(plan.source, encoding="utf-8")
    with Journal.create(tmp_path / "one.sqlite", plan, rehearsal=True) as journal:
        journal.record_all([{"kind": e.kind, "at": e.at, "seat": e.seat, **e.body} for e in fold.recorded])
        drop = next((name for name, task in journal.progress().tasks.items() if task.optional), None)
        if drop is not None and journal.progress().closed is None:
            at = max(e.at for e in journal.progress().events)
            chose = {"kind": "chose", "task": drop, "choice": "drop", "advice": "drop", "at": at}
            figures = {"figures": {"in_time": None, "cost": 60.0}}
            journal.record_all([{**chose, **figures}, {"kind": "dropped", "task": drop, "at": at}])
    status, _, error = _again(tmp_path / "one.sqlite", tmp_path / "plan.json", tmp_path / "again.sqlite")
    assert status == 0, error
    assert _happened(tmp_path / "again.sqlite") == _happened(tmp_path / "one.sqlite")


def test_documented_queries_of_estimates_find_rows_in_the_shipped_example() -> None:
    asked = [one for block in QUERIES for one in block.split("\n\n") if "FROM estimates" in one]
    assert asked
    for query in asked:
        assert len(_ask(TOP / "logs" / "example.sqlite", query)) > 5
