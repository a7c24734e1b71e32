"""Journals as SQLite files: everything committed in the one file, and the store over it.

Nothing else in the program knows these tables. The rollback journal with `synchronous=EXTRA`: what was
written survives a killed process and a cut of power. A write holds the file for the insert alone; a read
copies rows for a moment and lets go. Who reads writes nothing, not even a file beside the journal. Every
error of the database becomes one line that names the file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from tracker.foundation.clock import monotonic_s, pause, utc_now
from tracker.foundation.errors import JournalError
from tracker.foundation.times import format_instant
from tracker.journal import sqlite_files as files
from tracker.journal.sqlite_files import code_of, patiently, tell_nobody, told
from tracker.journal.sqlite_tables import (
    IN_FILE,
    INSERT_ESTIMATE,
    JOBS,
    STATEMENTS,
    WRONG_FIGURES,
    differences,
)
from tracker.journal.store import (
    APPLICATION_ID,
    COLUMNS,
    FORMAT,
    Again,
    Cell,
    Genesis,
    History,
    Raced,
    Row,
    Rows,
    Shown,
    Table,
)

_ASIDE = (
    "an older program left this journal with a file beside it that holds its last events: copy both, "
    "or none; it is changed over when it is opened for writing and nobody else has it open"
)
_NAMES = (
    "the file has another name (a hard link): write it under one name alone, since what an interrupted write "
    "left beside it is found under that name only"
)
_ANY = "SELECT count(*) FROM sqlite_master"
_GENESIS = ("format", "uuid", "created", "rehearsal", "plan_name", "plan", "pace_name", "pace")
_BEGINNING = f"SELECT {', '.join(_GENESIS)}, hash FROM journal WHERE one = 1"
_EVENT = "number, kind, at, stated, recorded, seat, body, hash"

_AFRESH = "PRAGMA shrink_memory"
"""Has the pages of the file read anew.

SQLite knows a changed file by a count of its commits, which a copy that was put in its place may have too.
"""

_HELD_S = 0.04
"""How long a read may hold the file; what is left is read in another one."""


T = TypeVar("T")


@dataclass
class _Source:
    """An opened file: its connection, and the file as it was when it was opened."""

    db: sqlite3.Connection
    file: files.Opened
    aside: bool = False
    """Whether what is committed may stand in a write-ahead file beside it, as older programs keep it."""
    schema: int | None = None
    """The version of the schema that was compared when it was opened for writing; None for a reader's."""
    folder: tempfile.TemporaryDirectory[str] | None = None
    """Holds a private copy of the file, where the original cannot be read in place."""

    def notice(self) -> str | None:
        """What whoever writes here should know of the file; None where all is as it should be."""
        if self.aside:
            return _ASIDE
        return _NAMES if self.file.has_other_names() else None

    def close(self) -> None:
        """Let go of the file and of a copy of it."""
        self.db.close()
        if self.folder:
            self.folder.cleanup()


def _connect(path: Path, query: str) -> sqlite3.Connection:
    """Connect to a file that exists; threads may take turns."""
    address = f"{path.resolve().as_uri()}?{query}"
    return sqlite3.connect(address, uri=True, isolation_level=None, timeout=0, check_same_thread=False)


def _open_to_write(path: Path) -> _Source:
    files.look(path)
    files.writable(path)
    opened = files.Opened(path)
    with told(path):
        source = _Source(_connect(path, "mode=rw"), opened)
    try:
        with told(path):
            _prepare(source)
    except BaseException:
        source.close()
        raise
    return source


def _prepare(source: _Source) -> None:
    """Hold a file against what its format holds before anything is written; change an older one over."""

    def ask(sql: str) -> list[tuple[Any, ...]]:
        return patiently(source.file.path, lambda: source.db.execute(sql).fetchall())

    for setting in ("synchronous=EXTRA", "fullfsync=ON"):
        ask(f"PRAGMA {setting}")
    # A lock or a read-only disk is to be told now, not at the first tick.
    ask("BEGIN IMMEDIATE")
    found = {sql for (sql,) in ask(IN_FILE)}
    if wrong := next(differences(found), None):
        raise JournalError(f"{source.file.path}: {wrong}; nothing was written, look with `tracker verify`")
    if JOBS in found:
        ask("ROLLBACK")
    else:
        ask(JOBS)
        ask("COMMIT")
    if ask("PRAGMA journal_mode") == [("wal",)]:
        _change_over(source)
    source.schema = ask("PRAGMA schema_version")[0][0]


def _change_over(source: _Source) -> None:
    """Leave the write-ahead file for good, where nobody else has the journal open."""
    try:
        source.aside = source.db.execute("PRAGMA journal_mode=DELETE").fetchone() != ("delete",)
    except sqlite3.OperationalError as error:
        if code_of(error) != sqlite3.SQLITE_BUSY:
            raise
        source.aside = True


def _open_to_read(path: Path) -> _Source:
    """Open without ever writing: neither the journal nor, where nobody writes it, any file beside it."""
    aside = files.look(path)
    opened = files.Opened(path)
    with told(path):
        if aside and not files.beside(path):
            opened.quiet = True
            return _Source(_connect(path, "mode=ro&immutable=1"), opened, aside=True)
        wal_readable = os.path.exists(f"{path.resolve()}-shm") or os.access(path.resolve().parent, os.W_OK)
        if not aside or wal_readable:
            source = _Source(_connect(path, "mode=ro"), opened, aside=aside)
            if not _unfinished(path, source.db):
                return source
            source.close()
    # What is committed cannot be told from what is not without writing here: take all of it home.
    opened.quiet = True
    folder, copy = files.private_copy(path)
    try:
        with told(path):
            return _Source(_connect(copy, "mode=rw"), opened, aside=aside, folder=folder)
    except BaseException:
        folder.cleanup()
        raise


def _unfinished(path: Path, db: sqlite3.Connection) -> bool:
    """Whether a writer died in the middle, so that a reader would have to take back what it left."""
    try:
        patiently(path, lambda: db.execute(_ANY).fetchall())
    except sqlite3.OperationalError as error:
        return code_of(error) in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
    return False


@dataclass
class _Block:
    """What is to be written together."""

    job: str | None
    rows: list[Row] = field(default_factory=list)
    statements: list[tuple[str, Sequence[Cell] | Mapping[str, Cell]]] = field(default_factory=list)

    def put(self, db: sqlite3.Connection, name: str, beginning: str) -> None:
        """Write all of it; Raced where the events follow neither the last one there nor the beginning."""
        if self.rows:
            last = db.execute("SELECT number, hash FROM events ORDER BY number DESC LIMIT 1").fetchone()
            number, digest = last or (0, beginning)
            first = self.rows[0]
            if first.number <= number or not first.sealed_after(digest):
                raise Raced(f"{name}: event {first.number} does not follow event {number}")
            if self.job is not None:
                job = (self.job, first.number, self.rows[-1].number, format_instant(utc_now()))
                db.execute("INSERT INTO jobs VALUES (?, ?, ?, ?)", job)
        cells = ([getattr(row, name) for name in Row.__slots__] for row in self.rows)
        db.executemany(f"INSERT INTO events ({_EVENT}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", cells)
        for sql, values in self.statements:
            db.execute(sql, values)


class SqliteStore:
    """One journal in one SQLite file; at most one thread at a time may use it."""

    def __init__(self, source: _Source) -> None:
        """Take over an opened file; JournalError when it holds no journal."""
        self._source = source
        self._block: _Block | None = None
        self.tell: Callable[[str], object] = tell_nobody
        """Is told for whom a seat waits, once it has waited for a second."""
        self.genesis, self.stored_hash = _genesis_of(self._read(_BEGINNING), self.name)
        self._history = History()
        self._version: tuple[int, int] | None = None

    @classmethod
    def create(
        cls, path: Path, genesis: Genesis, *, fill: Callable[[SqliteStore], object] | None = None
    ) -> SqliteStore:
        """Make a new journal file, mode 0600, whole or not at all; one that exists is never overwritten.

        `fill` writes what the new journal holds from the start.
        """

        def make(new: Path) -> None:
            with told(path):
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

    @property
    def notice(self) -> str | None:
        """What whoever writes here should know of the file; None where all is as it should be."""
        return self._source.notice()

    def new_job(self) -> None:
        """None: what a file did not take is not there."""

    @contextlib.contextmanager
    def turn(self) -> Iterator[None]:
        """Hold the only right to write from here on; when the block ends all of it is durable, or nothing."""
        self._source.file.still_there()
        self._read(_AFRESH)
        db = self._source.db
        with self._told():
            self._patiently(lambda: db.execute("BEGIN IMMEDIATE"))
        try:
            yield
            with self._told():
                self._patiently(lambda: db.execute("COMMIT"))
            if self._version is not None:
                self._version = (self._version[0], self._source.file.touched())
        except BaseException:
            # Whether a failed commit reached the disk is not known: the next look must read again.
            self._version = None
            with contextlib.suppress(sqlite3.Error):
                db.rollback()
            raise

    @contextlib.contextmanager
    def writing(self, job: str | None = None) -> Iterator[None]:
        """Collect what is to be written; when the block ends all of it is durable, or nothing is there.

        `job` names what is written: written once already it raises Again. Raises Raced when events of others
        came in between, and Held when somebody does not let go of the file.
        """
        self._block = block = _Block(job)
        try:
            yield
        finally:
            self._block = None
        with self._told(), contextlib.nullcontext() if self._source.db.in_transaction else self.turn():
            self._insert(block)

    def _insert(self, block: _Block) -> None:
        db = self._source.db
        known = self._source.schema
        if known is not None and db.execute("PRAGMA schema_version").fetchone()[0] != known:
            raise JournalError(f"{self.name}: another program changed its schema; nothing was written")
        if block.job is not None and (found := self.job(block.job)):
            raise Again(*found)
        block.put(db, self.name, self.stored_hash)

    def job(self, job: str) -> tuple[int, int] | None:
        """The first and the last number of what was written under a name; None where nothing was."""
        found = self._read("SELECT first, last FROM jobs WHERE job = ?", (job,))
        return (found[0][0], found[0][1]) if found else None

    def rows(self, after: int = 0) -> list[Row]:
        """The events with greater numbers, in order; Forked where they follow another history."""
        self._read(_AFRESH)
        return self._history.behind(f"{self.name}: the file", after, self._rows)

    def _rows(self, after: int) -> list[Row]:
        found = self._all(f"SELECT {_EVENT} FROM events WHERE number > ? ORDER BY number", after)
        return [Row(n, kind, at, stated == 1, *rest) for n, kind, at, stated, *rest in found]

    def append(self, row: Row) -> None:
        """Add one event, inside `writing`; refused unless its number is the next."""
        self._writing().rows.append(row)

    def derived(self, table: Table) -> Rows:
        """The rows of a derived table."""
        names = ", ".join(f'"{name}"' for name in COLUMNS[table])
        found = self._read(f"SELECT place, {names} FROM {table}_rows ORDER BY place")
        return {place: tuple(cells) for place, *cells in found}

    def derive(self, table: Table, put: Rows, gone: Iterable[int]) -> None:
        """Put rows into their places in a derived table and take others out, inside `writing`."""
        marks = ", ".join("?" * (1 + len(COLUMNS[table])))
        statements = self._writing().statements
        statements += [(f"DELETE FROM {table}_rows WHERE place = ?", (place,)) for place in gone]
        insert = f"INSERT OR REPLACE INTO {table}_rows VALUES ({marks})"
        statements += [(insert, (place, *cells)) for place, cells in put.items()]

    def show(self, estimate: Shown) -> None:
        """Keep an estimate that was shown, inside `writing`."""
        self._writing().statements.append((INSERT_ESTIMATE, {**asdict(estimate), "digest": estimate.digest}))

    def shown(self, after: int = 0) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""
        found = self._all(
            "SELECT id, event, at, shown, estimate FROM estimates WHERE id > ? ORDER BY id", after
        )
        return [Shown(*cells) for _, *cells in found]

    def changed(self) -> bool:
        """Whether another connection may have written since the last call; true the first time."""
        self._source.file.still_there()
        if self._source.file.overtaken():
            self._reopen()
        # Its time besides: a copy that was put in its place may have as many commits behind it.
        version = self._read("PRAGMA data_version")[0][0], self._source.file.touched()
        known, self._version = self._version, version
        return bool(version != known)

    def wait(self, seconds: float) -> None:
        """Let time pass: a file tells nobody that it was written."""
        pause(seconds)

    def snapshot(self) -> SqliteStore:
        """All of it as it stands at one instant, in memory; to be closed."""
        memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        try:
            with self._told():
                db = self._source.db
                db.execute("BEGIN")
                try:
                    self._patiently(lambda: db.execute(_ANY).fetchall())
                    db.backup(memory)
                finally:
                    db.rollback()
            return SqliteStore(_Source(memory, files.Opened(self._source.file.path)))
        except BaseException:
            memory.close()
            raise

    def faults(self) -> Iterator[str]:
        """Yield what is wrong with the file as a database, and with its tables, views and triggers."""
        for (line,) in self._read("PRAGMA integrity_check(1)"):
            if line != "ok":
                yield f"the file is damaged: {str(line).splitlines()[-1]}"
        yield from differences({sql for (sql,) in self._read(IN_FILE)})

    def estimate_faults(self) -> Iterator[str]:
        """Yield which estimates are not as they were written."""
        digests = self._read("SELECT digest, id FROM estimates ORDER BY id")
        wrong = {id for (id,) in self._read(WRONG_FIGURES)}
        for place, (shown, (digest, id)) in enumerate(zip(self.shown(), digests, strict=True), 1):
            if shown.digest != digest or id in wrong or id != place:
                yield f"estimates: row {id} was changed"

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        if self._source.aside:
            # What an older program keeps beside the file is put into it, also while others read.
            with contextlib.suppress(sqlite3.Error):
                self._source.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self._source.close()

    def _patiently(self, act: Callable[[], T]) -> T:
        return patiently(self._source.file.path, act, self.tell)

    def _told(self) -> contextlib.AbstractContextManager[None]:
        return told(self._source.file.path)

    def _writing(self) -> _Block:
        if self._block is None:
            raise JournalError(f"{self.name}: nothing is written outside a `writing` block")
        return self._block

    def _all(self, sql: str, after: int) -> list[tuple[Any, ...]]:
        """All that a query finds behind a number, read a while at a time."""
        found: list[tuple[Any, ...]] = []
        while more := self._some(sql, after):
            found += more
            after = more[-1][0]
        return found

    def _some(self, sql: str, after: int) -> list[tuple[Any, ...]]:
        """What a query finds first, so many that no writer has to wait for long."""
        return self._read(sql, (after,), most_s=_HELD_S)

    def _read(
        self, sql: str, values: Sequence[Cell] = (), *, most_s: float | None = None
    ) -> list[tuple[Any, ...]]:
        """All that a query finds, or what it finds in a while.

        A file that was opened as one that nobody writes is opened again, and read, where somebody did.
        """
        found: list[tuple[Any, ...]] = []
        db = self._source.db
        with self._told(), contextlib.closing(self._patiently(lambda: db.execute(sql, values))) as cursor:
            until = None if most_s is None else monotonic_s() + most_s
            while more := cursor.fetchmany(256):
                found += more
                if until is not None and monotonic_s() > until:
                    break
        if self._source.file.overtaken():
            self._reopen()
            return self._read(sql, values, most_s=most_s)
        return found

    def _reopen(self) -> None:
        self._source.close()
        self._source = _open_to_read(self._source.file.path)
        self._version = None


def _genesis_of(found: list[tuple[Any, ...]], name: str) -> tuple[Genesis, str]:
    """The genesis in the only row of `journal`, and the hash stored with it; JournalError without one."""
    if len(found) != 1:
        raise JournalError(f"{name}: is a damaged journal: it has lost its plan")
    *cells, digest = found[0]
    genesis = Genesis(**dict(zip(_GENESIS, cells, strict=True)))
    return replace(genesis, rehearsal=genesis.rehearsal == 1), digest


def _make(path: Path, genesis: Genesis) -> None:
    """Write a new journal without events into a new file."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=DELETE").fetchall()
        db.execute("PRAGMA synchronous=EXTRA")
        # The connection, as a context, commits what was begun, or takes it back.
        with db:
            db.execute("BEGIN")
            db.execute(f"PRAGMA application_id={APPLICATION_ID}")
            db.execute(f"PRAGMA user_version={FORMAT}")
            for statement in STATEMENTS:
                db.execute(statement)
            cells = [getattr(genesis, name) for name in (*_GENESIS, "hash")]
            db.execute("INSERT INTO journal VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, ?)", cells)
