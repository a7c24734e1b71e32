"""Journals as SQLite files: the tables that any SQLite tool finds in one, and the store over them.

Nothing else in the program knows the database. Write-ahead mode with `synchronous=FULL`: what was written
survives a killed process and a cut of power. Who reads writes nothing, not even a file beside the journal,
where nobody else writes it. Every error of the database becomes one line that names the file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.journal import files
from tracker.journal.store import APPLICATION_ID, FORMAT, Cell, Genesis, Row, Rows, Shown, Table

AS_RUN = [
    *("task", "step", "do", "crew", "work", "status"),
    *("planned_start", "planned_finish", "planned_duration"),
    *("actual_start", "actual_finish", "actual_duration", "variance", "waited", "held"),
    *("begin_kind", "entry_lag", "seat"),
]
"""Columns of `as_run`; times in seconds."""

AS_SPENT = ["crew", "start", "finish", "kind", "step", "cause"]
"""Columns of `as_spent`; times in seconds."""

COLUMNS = {"as_run": AS_RUN, "as_spent": AS_SPENT}

_TEXT = {"task", "step", "do", "crew", "work", "status", "begin_kind", "seat", "kind", "cause"}


def _derived(table: str) -> tuple[str, str]:
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
)
"""Everything in a journal's file; `verify` compares with the file word for word."""

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


_GENESIS = ("format", "uuid", "created", "rehearsal", "plan_name", "plan", "pace_name", "pace")
_EVENT = "number, kind, at, stated, recorded, seat, body, hash"

_BUSY_S = 3.0
"""How long a writer waits for another before the journal counts as locked."""
_REASONS = {
    sqlite3.SQLITE_BUSY: "is locked by another program; nothing was written",
    sqlite3.SQLITE_READONLY: "is read-only",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened: the file or its folder is closed to this user",
    sqlite3.SQLITE_FULL: "cannot be written: the disk is full",
    sqlite3.SQLITE_IOERR: "cannot be read or written: the disk reports an error",
    sqlite3.SQLITE_NOTADB: "is not a journal",
    (_CLOSED := sqlite3.SQLITE_MISUSE): "was closed; open it again",
    **dict.fromkeys((sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR), "is a damaged journal"),
}


@contextlib.contextmanager
def _told(name: str | Path) -> Iterator[None]:
    """Turn an error of the database into one line that names the journal."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        guess = sqlite3.SQLITE_CORRUPT if not isinstance(error, sqlite3.ProgrammingError) else _CLOSED
        code = getattr(error, "sqlite_errorcode", guess) & 0xFF
        reason = _REASONS.get(code & 0xFF, f"the journal failed: {plain(error, most=120)}")
        raise JournalError(f"{name}: {reason}") from error


@dataclass
class _Source:
    """An opened file: its connection, and the file as it was when it was opened."""

    db: sqlite3.Connection
    file: files.Opened
    writer: bool = False
    folder: tempfile.TemporaryDirectory[str] | None = None
    """Holds a private copy of the file, where the original cannot be read in place."""

    def close(self) -> None:
        """Let go of the file and of a copy of it."""
        self.db.close()
        if self.folder:
            self.folder.cleanup()


def _connect(path: Path, query: str) -> sqlite3.Connection:
    """Connect to a file that exists; threads may take turns."""
    address = f"{path.resolve().as_uri()}?{query}"
    return sqlite3.connect(address, uri=True, isolation_level=None, timeout=_BUSY_S, check_same_thread=False)


def _open_to_write(path: Path) -> _Source:
    files.look(path)
    files.writable(path)
    opened = files.Opened(path)
    with _told(path):
        source = _Source(_connect(path, "mode=rw"), opened, writer=True)
    try:
        with _told(path):
            for setting in ("journal_mode=WAL", "synchronous=FULL", "fullfsync=ON"):
                source.db.execute(f"PRAGMA {setting}").fetchall()
            # A lock or a read-only disk is to be told now, not at the first tick.
            source.db.execute("BEGIN IMMEDIATE")
            source.db.rollback()
    except BaseException:
        source.close()
        raise
    return source


def _open_to_read(path: Path) -> _Source:
    """Open without ever writing: neither the journal nor, where nobody writes it, any file beside it."""
    files.look(path)
    opened = files.Opened(path)
    with _told(path):
        if not files.beside(path):
            opened.quiet = True
            return _Source(_connect(path, "mode=ro&immutable=1"), opened)
        if os.path.exists(f"{path.resolve()}-shm") or os.access(path.resolve().parent, os.W_OK):
            return _Source(_connect(path, "mode=ro"), opened)
    # The last events are in the file beside it, unreadable in a folder closed to us: take both home.
    folder, copy = files.private_copy(path)
    try:
        with _told(path):
            return _Source(_connect(copy, "mode=rw"), opened, folder=folder)
    except BaseException:
        folder.cleanup()
        raise


class SqliteStore:
    """One journal in one SQLite file; at most one thread at a time may use it."""

    def __init__(self, source: _Source) -> None:
        """Take over an opened file; JournalError when it holds no journal."""
        self._source = source
        self.genesis, self.stored_hash = self._read_genesis()
        self._version: int | None = None

    @classmethod
    def create(
        cls, path: Path, genesis: Genesis, *, fill: Callable[[SqliteStore], object] | None = None
    ) -> SqliteStore:
        """Make a new journal file, mode 0600, whole or not at all; one that exists is never overwritten.

        `fill` writes what the new journal holds from the start.
        """

        def make(new: Path) -> None:
            with _told(path):
                _make(new, genesis)
            if fill is not None:
                with contextlib.closing(cls.open(new)) as store:
                    fill(store)

        files.put_new(path, make)
        return cls.open(path)

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> SqliteStore:
        """Open a journal file; JournalError when it is none, or cannot be used so."""
        source = _open_to_read(path) if read_only else _open_to_write(path)
        try:
            return cls(source)
        except BaseException:
            source.close()
            raise

    @property
    def name(self) -> str:
        """The path of the file."""
        return str(self._source.file.path)

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the only right to write; afterwards all that was written is durable, or nothing is there."""
        self._source.file.still_there()
        db = self._source.db
        with _told(self.name):
            db.execute("BEGIN IMMEDIATE")
        try:
            yield
            with _told(self.name):
                db.execute("COMMIT")
        except BaseException:
            # Whether a failed commit reached the disk is not known: the next look must read again.
            self._version = None
            with contextlib.suppress(sqlite3.Error):
                db.rollback()
            raise

    def rows(self, after: int = 0) -> list[Row]:
        """The events with greater numbers, in order."""
        found = self._read(f"SELECT {_EVENT} FROM events WHERE number > ? ORDER BY number", (after,))
        return [Row(n, kind, at, stated == 1, *rest) for n, kind, at, stated, *rest in found]

    def append(self, row: Row) -> None:
        """Add one event, inside `writing`; refused unless its number is the next."""
        values = [getattr(row, name) for name in Row.__slots__]
        self._write(f"INSERT INTO events ({_EVENT}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", values)

    def derived(self, table: Table) -> Rows:
        """The rows of a derived table."""
        names = ", ".join(f'"{name}"' for name in COLUMNS[table])
        found = self._read(f"SELECT place, {names} FROM {table}_rows ORDER BY place")
        return {place: tuple(cells) for place, *cells in found}

    def derive(self, table: Table, put: Rows, gone: Iterable[int]) -> None:
        """Put rows into their places in a derived table and take others out, inside `writing`."""
        marks = ", ".join("?" * (1 + len(COLUMNS[table])))
        for place in gone:
            self._write(f"DELETE FROM {table}_rows WHERE place = ?", (place,))
        for place, cells in put.items():
            self._write(f"INSERT OR REPLACE INTO {table}_rows VALUES ({marks})", (place, *cells))

    def show(self, estimate: Shown) -> None:
        """Keep an estimate that was shown, inside `writing`."""
        self._write(INSERT_ESTIMATE, {**asdict(estimate), "digest": estimate.digest})

    def settle(self) -> None:
        """Let the main file catch up with the file beside it, so that a plain copy of it misses little."""
        with _told(self.name):
            self._source.db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()

    def shown(self) -> list[Shown]:
        """The estimates that were shown, oldest first."""
        found = self._read("SELECT event, at, shown, estimate FROM estimates ORDER BY id")
        return [Shown(*cells) for cells in found]

    def changed(self) -> bool:
        """Whether another connection may have written since the last call; true the first time."""
        self._source.file.still_there()
        if self._source.file.overtaken():
            self._reopen()
        version = self._read("PRAGMA data_version")[0][0]
        known, self._version = self._version, version
        return bool(version != known)

    def faults(self) -> Iterator[str]:
        """Yield what is wrong with the file as a database, and with its tables, views and triggers."""
        for (line,) in self._read("PRAGMA integrity_check(1)"):
            if line != "ok":
                yield f"the file is damaged: {str(line).splitlines()[-1]}"
        found = {
            sql
            for (sql,) in self._read(
                "SELECT sql FROM sqlite_master WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'"
            )
        }
        for sql in sorted(set(STATEMENTS) - found):
            yield f"the schema has lost or changed `{' '.join(sql.split()[:3])}`"
        for sql in sorted(str(sql) for sql in found - set(STATEMENTS)):
            yield f"the schema holds `{' '.join(sql.split()[:3])}`, which no journal has"

    def estimate_faults(self) -> Iterator[str]:
        """Yield which estimates are not as they were written."""
        digests = self._read("SELECT digest, id FROM estimates ORDER BY id")
        wrong = {id for (id,) in self._read(WRONG_FIGURES)}
        for place, (shown, (digest, id)) in enumerate(zip(self.shown(), digests, strict=True), 1):
            if shown.digest != digest or id in wrong or id != place:
                yield f"estimates: row {id} was changed"

    def close(self) -> None:
        """Let go of the file; a writer leaves everything in the main file, also while others read."""
        if self._source.writer:
            with contextlib.suppress(sqlite3.Error):
                self._source.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self._source.close()

    def _read_genesis(self) -> tuple[Genesis, str]:
        found = self._read(f"SELECT {', '.join(_GENESIS)}, hash FROM journal WHERE one = 1")
        if len(found) != 1:
            raise JournalError(f"{self.name}: is a damaged journal: it has lost its plan")
        *cells, digest = found[0]
        genesis = Genesis(**dict(zip(_GENESIS, cells, strict=True)))
        return replace(genesis, rehearsal=genesis.rehearsal == 1), digest

    def _read(self, sql: str, values: Sequence[Cell] = ()) -> list[tuple[Any, ...]]:
        """All that a query finds, read again when the file changed under a quiet reader."""
        with _told(self.name):
            found: list[tuple[Any, ...]] = self._source.db.execute(sql, values).fetchall()
        if self._source.file.overtaken():
            self._reopen()
            return self._read(sql, values)
        return found

    def _write(self, sql: str, values: Sequence[Cell] | Mapping[str, Cell]) -> None:
        with _told(self.name):
            self._source.db.execute(sql, values)

    def _reopen(self) -> None:
        self._source.close()
        self._source = _open_to_read(self._source.file.path)
        self._version = None


def _make(path: Path, genesis: Genesis) -> None:
    """Write a new journal without events into a new file."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=WAL").fetchall()
        db.execute("PRAGMA synchronous=FULL")
        # The connection, as a context, commits what was begun, or takes it back.
        with db:
            db.execute("BEGIN")
            db.execute(f"PRAGMA application_id={APPLICATION_ID}")
            db.execute(f"PRAGMA user_version={FORMAT}")
            for statement in STATEMENTS:
                db.execute(statement)
            cells = [getattr(genesis, name) for name in (*_GENESIS, "hash")]
            db.execute("INSERT INTO journal VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?)", cells)
