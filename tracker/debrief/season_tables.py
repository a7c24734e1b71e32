"""The tables and views of a season, as a database keeps them."""

from __future__ import annotations

import json
import zlib
from typing import Any

from sqlite_utils import Database, Migrations

from tracker.debrief.tabular import TABLES, Records

APPLICATION = 0x74727373
"""Marks the file as a season."""
FORMAT = 1
"""Of the tables."""
OWN = ("path", "format", "added_utc", "scoring")
"""Columns that `excursions` has besides those of a debrief."""
_TYPES = {"text": str, "integer": int, "real": float}

migrations = Migrations("tracker-season")


@migrations(name="1")
def _first(db: Database) -> None:
    """Make every table and view; none is made from the rows that happen to come first."""
    for table in TABLES:
        if table.name == "excursions":
            columns: dict[str, Any] = {column.name: _TYPES[column.kind] for column in table.columns}
            columns |= {"path": str, "format": int, "added_utc": str, "scoring": str}
            db.table("excursions").create(columns, pk="uuid", strict=True)
        else:
            _made(db, table)
    db.table("plans").create({"sha256": str, "name": str, "plan": str}, pk="sha256", strict=True)
    db.table("kept").create(
        {"uuid": str, "genesis": str, "events": bytes, "debrief": bytes},
        pk="uuid",
        foreign_keys=[("uuid", "excursions", "uuid")],
        strict=True,
    )
    db.table("words").enable_fts(["words"], create_triggers=True, tokenize="unicode61 remove_diacritics 2")
    for name, sql in VIEWS.items():
        db.create_view(name, sql)


@migrations(name="2")
def _second(db: Database) -> None:
    """Give a season that was made without them the table of matters, and what was raised about a step."""
    for table in TABLES:
        if table.name == "matters":
            _made(db, table)
    if "raised" not in db.table("as_run").columns_dict:
        db.table("as_run").add_column("raised", str)


@migrations(name="3")
def _third(db: Database) -> None:
    """Give a season that was made without it the table of rounds, filled from the debriefs that are kept."""
    rounds = next(table for table in TABLES if table.name == "rounds")
    if not _made(db, rounds):
        return
    names = [column.name for column in rounds.columns]
    for uuid, blob in db.execute("SELECT uuid, debrief FROM kept").fetchall():
        told = json.loads(zlib.decompress(blob)).get("rounds", [])
        rows = [(uuid, *(one[field] for field in rounds.paths)) for one in told]
        db.table("rounds").insert_all(dict(zip(names, row, strict=True)) for row in rows)


@migrations(name="4")
def _fourth(db: Database) -> None:
    """Give a season that was made without them the columns of what was given up, and by which event."""
    later = (("decisions", "event", "chose"), ("decisions", "words", ""), ("as_run", "given_up", ""))
    for table, name, usual in later:
        if name not in db.table(table).columns_dict:
            db.table(table).add_column(name, str, not_null_default=usual)


def _made(db: Database, table: Records) -> bool:
    """Make a table of an excursion's rows where it is not there; whether it was made."""
    if db.table(table.name).exists():
        return False
    columns = {column.name: _TYPES[column.kind] for column in table.columns}
    db.table(table.name).create(columns, foreign_keys=[("uuid", "excursions", "uuid")], strict=True)
    db.table(table.name).create_index(["uuid"])
    return True


VIEWS = {
    "by_work": """
        SELECT work, count(DISTINCT e.excursion) AS plans, count(*) AS steps,
            sum(planned_duration_s) AS planned_s, sum(actual_duration_s) AS actual_s,
            sum(actual_duration_s) / nullif(sum(planned_duration_s), 0) AS ratio
        FROM as_run JOIN excursions AS e USING (uuid) WHERE status = 'done' GROUP BY work ORDER BY work""",
    "by_crew": """
        SELECT c.crew, c.name, count(DISTINCT c.uuid) AS excursions, count(*) AS steps,
            sum(planned_duration_s) AS planned_s, sum(actual_duration_s) AS actual_s,
            sum(actual_duration_s) / nullif(sum(planned_duration_s), 0) AS ratio
        FROM crew AS c JOIN as_run AS r ON r.uuid = c.uuid
            AND instr(' ' || r.crew || ' ', ' ' || c.crew || ' ')
        WHERE r.status = 'done' GROUP BY c.crew, c.name ORDER BY c.crew, c.name""",
    "by_step": """
        SELECT e.excursion, step, "do", count(*) AS times, sum(status = 'done') AS done,
            avg(planned_duration_s) AS planned_s, avg(CASE WHEN status = 'done' THEN actual_duration_s END)
            AS actual_s, avg(ratio) AS ratio, avg(waited_s) AS waited_s
        FROM as_run JOIN excursions AS e USING (uuid) GROUP BY e.excursion, step, "do"
        ORDER BY e.excursion, min(as_run.rowid)""",
    "trend": """
        SELECT uuid, zero_utc, excursion, journal, rehearsal, pace, slip_s, margin_s, kept, verdict
        FROM excursions WHERE inside_s IS NOT NULL ORDER BY zero_utc, uuid""",
    "last_calls": """
        SELECT d.uuid, e.excursion, d.task, d.at_s AS chosen_s, d.last_call_s,
            min(r.actual_start_s) AS begun_s, min(r.actual_start_s) <= d.last_call_s AS in_time
        FROM decisions AS d JOIN excursions AS e USING (uuid) JOIN as_run AS r USING (uuid, task)
        WHERE d.choice = 'keep' AND d.last_call_s IS NOT NULL AND r.actual_start_s IS NOT NULL
        GROUP BY d.uuid, d.number ORDER BY e.zero_utc, d.at_s""",
    "reliability": """
        SELECT min(9, CAST(chance * 10 AS INTEGER)) AS tenth, count(*) AS forecasts, avg(chance) AS stated,
            avg(in_time) AS kept FROM forecasts GROUP BY tenth ORDER BY tenth""",
    "broken": """
        SELECT e.zero_utc, e.excursion, e.journal, l.limit_id, l.crew, l.kind, l.by_s, l.by_amount, l.unit,
            l.words, l.uuid
        FROM limits AS l JOIN excursions AS e USING (uuid) WHERE l.kept = 0 ORDER BY e.zero_utc, l.rowid""",
}
"""What is asked most, as views."""
