"""What any SQLite tool finds in a journal is what its events add up to."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.journals import MORNING, done, journal, plan
from tracker.foundation.errors import JournalError
from tracker.journal.as_run import derived_rows
from tracker.journal.journal import Journal
from tracker.journal.store import AS_RUN

NOW = datetime(2031, 5, 4, 14, 25, 0, 987_654, tzinfo=UTC)


def query(path: Path, sql: str) -> list[tuple[Any, ...]]:
    other = sqlite3.connect(path)
    try:
        return other.execute(sql).fetchall()
    finally:
        other.close()


@pytest.mark.parametrize("events", [MORNING[:2], MORNING[:6], MORNING])
def test_derived_tables_are_what_the_events_add_up_to(
    tmp_path: Path, events: tuple[dict[str, Any], ...]
) -> None:
    with journal(tmp_path) as one:
        for event in events:
            one.record(event)
        wanted = derived_rows(one.progress())
        cells = ", ".join(f'"{name}"' for name in AS_RUN)
        assert query(one.path, f"SELECT {cells} FROM as_run") == list(wanted["as_run"].values())
        assert query(one.path, "SELECT * FROM as_spent") == [
            wanted["as_spent"][n] for n in sorted(wanted["as_spent"])
        ]


def test_derived_tables_follow_work_that_comes_and_goes_and_other_writers(tmp_path: Path) -> None:
    task = {"id": "extra", "title": "Extra", "steps": [{"do": "Look", "crew": ["EV1"], "time": "0:05"}]}
    with journal(tmp_path, *MORNING) as one, Journal.open(tmp_path / "one.sqlite") as two:
        steps = len(query(one.path, "SELECT step FROM as_run"))
        number = two.record({"kind": "added", "task": task, "at": 1400})
        assert len(query(one.path, "SELECT step FROM as_run")) == steps + 1
        one.record(done("trays.walk", 1500))
        two.record({"kind": "withdrawn", "event": number})
        assert len(query(one.path, "SELECT step FROM as_run")) == steps
        assert one.refresh()
        wanted = derived_rows(one.progress())
        assert query(one.path, "SELECT * FROM as_run") == list(wanted["as_run"].values())


def test_a_new_journal_already_shows_every_step_as_planned(tmp_path: Path) -> None:
    with journal(tmp_path) as one:
        rows = query(one.path, "SELECT step, status, planned_start FROM as_run")
        assert [row[0] for row in rows] == list(plan().step)
        assert {row[1] for row in rows} <= {"open", "waiting", "current"}


def test_spent_time_tiles_everybodys_time_in_the_file(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING) as one:
        for member in ("EV1", "EV2"):
            rows = query(one.path, f"SELECT start, finish FROM as_spent WHERE crew = '{member}'")
            assert rows[0][0] == 0 and rows[-1][1] == one.progress().at
            assert all(earlier[1] == later[0] for earlier, later in pairwise(rows))


def test_the_events_table_reads_as_the_contract_says(tmp_path: Path) -> None:
    with journal(tmp_path) as one:
        one.record_all(MORNING, seat="op@desk", utc_now=NOW)
        rows = query(
            one.path, "SELECT number, kind, at, stated, recorded, seat, body, length(hash) FROM events"
        )
        assert [row[0] for row in rows] == list(range(1, len(MORNING) + 1))
        number, kind, at, stated, recorded, seat, body, digest = rows[4]
        assert (number, kind, at, stated, seat, digest) == (5, "held", 700, 1, "op@desk", 64)
        assert recorded == "2031-05-04T14:25:00.987Z"
        assert json.loads(body) == {"crew": ["EV2"], "text": "glove check"}


def test_estimates_are_kept_beside_the_events(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING[:4]) as one:
        estimate = {"at": 620, "inside": {"p10": 1.0, "p50": 2.0, "p90": 3.0}, "safe": 0.9, "excursion": "é"}
        one.write_estimate(estimate, one.number)
        (shown,) = one.estimates()
        assert (shown.event, shown.at, json.loads(shown.estimate)) == (4, 620.0, estimate)
        assert not one.refresh()
    with Journal.open(tmp_path / "one.sqlite", read_only=True) as again:
        assert len(again.estimates()) == 1
        with pytest.raises(JournalError, match="read-only"):
            again.write_estimate(estimate, 4)
