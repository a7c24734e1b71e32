"""The tables that any SQLite tool finds in a journal, as statements that its file holds word for word."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from tracker.journal.store import COLUMNS, Table

_TEXT = {"task", "step", "do", "crew", "work", "status", "begin_kind", "seat", "kind", "cause"}


def _derived(table: Table) -> tuple[str, str]:
    """A table of rows by place, and the view that shows it without the place."""
    columns = ", ".join(f'"{name}" {"TEXT" if name in _TEXT else "REAL"}' for name in COLUMNS[table])
    names = ", ".join(f'"{name}"' for name in COLUMNS[table])
    return (
        f"CREATE TABLE {table}_rows (place INTEGER PRIMARY KEY, {columns}) STRICT",
        f"CREATE VIEW {table} AS SELECT {names} FROM {table}_rows ORDER BY place",
    )


def _refuse(table: str, verb: str) -> str:
    return (
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'a journal is never changed, only added to'); END"
    )


JOBS = (
    "CREATE TABLE jobs (job TEXT PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL, "
    "taken TEXT NOT NULL) STRICT"
)
"""What was written together under one name, so that no second try writes it twice; in no chain."""

STATEMENTS = (
    "CREATE TABLE journal (one INTEGER PRIMARY KEY CHECK (one = 1), format INTEGER NOT NULL, "
    "uuid TEXT NOT NULL, created TEXT NOT NULL, rehearsal INTEGER NOT NULL CHECK (rehearsal IN (0, 1)), "
    "plan_name TEXT NOT NULL, plan TEXT NOT NULL, pace_name TEXT, pace TEXT, hash TEXT NOT NULL) STRICT",
    "CREATE TABLE events (number INTEGER PRIMARY KEY CHECK (number > 0), kind TEXT NOT NULL, "
    "at REAL NOT NULL, stated INTEGER NOT NULL CHECK (stated IN (0, 1)), recorded TEXT NOT NULL, "
    "seat TEXT NOT NULL, body TEXT NOT NULL CHECK (json_valid(body)), hash TEXT NOT NULL) STRICT",
    "CREATE TABLE estimates (id INTEGER PRIMARY KEY, event INTEGER NOT NULL, at REAL NOT NULL, "
    "shown TEXT NOT NULL, inside_p10 REAL, inside_p50 REAL, inside_p90 REAL, safe REAL, "
    "estimate TEXT NOT NULL CHECK (json_valid(estimate)), digest TEXT NOT NULL) STRICT",
    "CREATE TRIGGER events_in_order BEFORE INSERT ON events "
    "WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM events) "
    "BEGIN SELECT RAISE(ABORT, 'events are numbered without a gap'); END",
    "CREATE TRIGGER journal_once BEFORE INSERT ON journal WHEN EXISTS (SELECT 1 FROM journal) "
    "BEGIN SELECT RAISE(ABORT, 'a journal is created once'); END",
    *(_refuse(table, verb) for table in ("events", "journal") for verb in ("UPDATE", "DELETE")),
    *_derived("as_run"),
    *_derived("as_spent"),
    JOBS,
)
"""Everything in a new journal's file."""

IN_FILE = "SELECT sql FROM sqlite_master WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'"
"""Finds everything in a file."""


def differences(found: Collection[str]) -> Iterator[str]:
    """Yield where the statements of a file are not those of a journal; `jobs` may be missing."""
    for sql in sorted(set(STATEMENTS) - set(found) - {JOBS}):
        yield f"the schema has lost or changed `{_named(sql)}`"
    for sql in sorted(set(found) - set(STATEMENTS)):
        yield f"the schema holds `{_named(sql)}`, which no journal has"


def _named(sql: str) -> str:
    return " ".join(str(sql).split()[:3])


_FIGURES = {
    "inside_p10": "$.inside.p10",
    "inside_p50": "$.inside.p50",
    "inside_p90": "$.inside.p90",
    "safe": "$.safe",
}

INSERT_ESTIMATE = (
    f"INSERT INTO estimates (event, at, shown, estimate, digest, {', '.join(_FIGURES)}) "
    "SELECT :event, :at, :shown, :estimate, :digest, "
    + ", ".join(f"json_extract(:estimate, '{place}')" for place in _FIGURES.values())
)
"""Keeps an estimate with its leading figures in columns of their own."""

WRONG_FIGURES = "SELECT id FROM estimates WHERE " + " OR ".join(
    f"{name} IS NOT json_extract(estimate, '{place}')" for name, place in _FIGURES.items()
)
"""Finds estimates whose columns are not what their JSON says."""
