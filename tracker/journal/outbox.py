"""A seat's outbox: every press on local disk before it goes anywhere, and what is known to be on record.

One SQLite file a journal and sitting, in the user's state folder or where it was asked for. What waits in it
is sent by whoever sits here next; what was recorded stays, sealed, so that a journal that was cut or put back
can be told from one that is whole. It is used by one program at a time, whose lock gives the sitting its
name: SEAT, SEAT/2, and so on.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import sqlite3
import stat
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, astuple
from datetime import datetime
from hashlib import sha256
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tracker.foundation.clock import ClockBegan, utc_now
from tracker.foundation.errors import JournalError
from tracker.foundation.output import state_folder
from tracker.foundation.times import format_instant
from tracker.journal.kept_press import Kept, State
from tracker.journal.sqlite_files import patiently, told
from tracker.journal.store import Genesis, Row

_FORMAT = 1
_MOST_NAME = 120
_ROWS = (
    "SELECT number, row FROM seen UNION "
    "SELECT part.value ->> 0, part.value FROM jobs, json_each(jobs.rows) AS part ORDER BY 1"
)
"""Finds every row that was on record, as JSON."""
_STATEMENTS = (
    "CREATE TABLE outbox (one INTEGER PRIMARY KEY CHECK (one = 1), format INTEGER NOT NULL, "
    "uuid TEXT NOT NULL, place TEXT NOT NULL, seat TEXT NOT NULL) STRICT",
    "CREATE TABLE jobs (place INTEGER PRIMARY KEY AUTOINCREMENT, job TEXT NOT NULL UNIQUE, "
    "pressed TEXT NOT NULL, seat TEXT NOT NULL, events TEXT NOT NULL CHECK (json_valid(events)), "
    "known INTEGER NOT NULL, state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'sent', "
    "'recorded', 'refused', 'let go', 'taken back', 'replaced')), first INTEGER, last INTEGER, rows TEXT, "
    "words TEXT, answers TEXT, tries INTEGER NOT NULL DEFAULT 0, changed TEXT) STRICT",
    "CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), number INTEGER NOT NULL, "
    "hash TEXT NOT NULL, seen TEXT NOT NULL) STRICT",
    "CREATE TABLE journal (one INTEGER PRIMARY KEY CHECK (one = 1), genesis TEXT NOT NULL "
    "CHECK (json_valid(genesis))) STRICT",
    "CREATE TABLE seen (number INTEGER NOT NULL, hash TEXT NOT NULL, row TEXT NOT NULL "
    "CHECK (json_valid(row)), PRIMARY KEY (number, hash)) STRICT",
    "CREATE TRIGGER jobs_stay BEFORE UPDATE OF job, pressed, seat, events ON jobs "
    "BEGIN SELECT RAISE(ABORT, 'what was pressed never changes'); END",
    "CREATE TRIGGER jobs_kept BEFORE DELETE ON jobs WHEN OLD.state IN ('waiting', 'sent', 'refused') "
    "BEGIN SELECT RAISE(ABORT, 'what waits is never deleted'); END",
)
_CLOCK = (
    "CREATE TABLE IF NOT EXISTS clock (one INTEGER PRIMARY KEY CHECK (one = 1), boot TEXT NOT NULL, "
    "utc TEXT NOT NULL, since_s REAL NOT NULL, known INTEGER NOT NULL) STRICT"
)
_SETTLE = "UPDATE jobs SET state = ?, first = ?, last = ?, rows = ?, words = ?, changed = ? WHERE job = ?"
_SEEN = "INSERT OR IGNORE INTO seen VALUES (?, ?, ?)"
_HEAD = (
    "INSERT INTO head VALUES (1, ?, ?, ?) ON CONFLICT (one) DO UPDATE "
    "SET number = excluded.number, hash = excluded.hash, seen = excluded.seen"
)


def default_folder() -> Path:
    """The folder of this user's outboxes."""
    return state_folder() / "outbox"


class Outbox:
    """One sitting's outbox for one journal. Threads may share it."""

    def __init__(self, path: Path, lock: int, genesis: Genesis, place: str, seat: str) -> None:
        """Take over a file whose lock is held, made where there is none; JournalError when it cannot be."""
        self.path, self.seat = path, seat
        self._lock, self._turn = lock, threading.RLock()
        self._mine: set[str] = set()
        self._later: list[tuple[str, Sequence[object]]] = []
        with told(path):
            self._db = sqlite3.connect(path, isolation_level=None, timeout=0, check_same_thread=False)
            os.chmod(path, 0o600)
            for setting in ("journal_mode=DELETE", "synchronous=EXTRA", "fullfsync=ON"):
                self._ask(f"PRAGMA {setting}")
            if not self._ask("SELECT 1 FROM sqlite_master WHERE name = 'seen'"):
                self._begin(genesis, place, seat)
            ((known, self.place),) = self._ask("SELECT uuid, place FROM outbox")
            if known != genesis.uuid:
                raise JournalError(f"{path}: is the outbox of another journal")
            self._places: dict[str, int] = {}
            ((self._first,),) = self._ask("SELECT coalesce(max(place), 0) + 1 FROM jobs")

    def _begin(self, genesis: Genesis, place: str, seat: str) -> None:
        with self._writing():
            for statement in _STATEMENTS:
                self._db.execute(statement)
            self._db.execute(
                "INSERT INTO outbox VALUES (1, ?, ?, ?, ?)", (_FORMAT, genesis.uuid, place, seat)
            )
            text = json.dumps(asdict(genesis), ensure_ascii=False)
            self._db.execute("INSERT INTO journal VALUES (1, ?)", (text,))

    @classmethod
    def sit(cls, folder: Path, genesis: Genesis, place: str, seat: str) -> Outbox:
        """The outbox of the first sitting at a seat that is free; JournalError when none can be made."""
        for n in count(1):
            name = seat if n == 1 else f"{seat}/{n}"
            found = cls._open(folder / f"{genesis.uuid}-{_file_name(name)}.sqlite", genesis, place, name)
            if found is not None:
                return found
        raise AssertionError

    @classmethod
    def left_behind(cls, folder: Path, genesis: Genesis, place: str) -> Iterator[Outbox]:
        """Yield this user's outboxes for a journal that nobody sits at; each to be closed."""
        for path in sorted(folder.glob(f"{genesis.uuid}-*.sqlite")):
            with contextlib.suppress(JournalError):
                found = cls._open(path, genesis, place, "")
                if found is not None:
                    yield found

    @classmethod
    def _open(cls, path: Path, genesis: Genesis, place: str, seat: str) -> Outbox | None:
        """The outbox at a path; None where somebody else has it."""
        lock = -1
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            lock = _locked(path.with_suffix(".lock"))
            _check_own(path)
            return cls(path, lock, genesis, place, seat)
        except BlockingIOError:
            return None
        except (OSError, JournalError) as error:
            if lock >= 0:
                os.close(lock)
            if isinstance(error, JournalError):
                raise
            raise JournalError(f"{path}: no outbox can be kept here: {error.strerror}") from error

    def keeps(self, job: str) -> bool:
        """Whether a press was kept in this sitting."""
        return job in self._mine

    def put(self, job: str, pressed: datetime, events: Iterable[Mapping[str, Any]], known: int) -> None:
        """Keep a press, durably; one that is kept already stays as it is. `known`: the last event seen."""
        if job in self._mine:
            return
        text = json.dumps([dict(event) for event in events], ensure_ascii=False)
        # One that could not be kept at once keeps its place before those pressed after it.
        place = self._places.setdefault(job, self._first + len(self._places))
        values = (place, job, format_instant(pressed), self.seat, text, known)
        insert = "INSERT INTO jobs (place, job, pressed, seat, events, known) VALUES (?, ?, ?, ?, ?, ?) "
        self._write([(insert + "ON CONFLICT (job) DO NOTHING", values)])
        self._mine.add(job)

    def settle(
        self,
        job: str,
        state: State,
        *,
        rows: Sequence[Row] = (),
        words: str | None = None,
        at_once: bool = False,
    ) -> None:
        """Note what became of a press; written with the next one, where the journal knows it too."""
        first, last = (rows[0].number, rows[-1].number) if rows else (None, None)
        sealed = json.dumps([astuple(row) for row in rows], ensure_ascii=False) if rows else None
        now = format_instant(utc_now())
        with self._turn:
            self._later.append((_SETTLE, (state, first, last, sealed, words, now, job)))
            if rows:
                self._later.append((_HEAD, (last, rows[-1].hash, now)))
            if at_once:
                self._write([])

    def saw(self, rows: Sequence[Row], *, at_once: bool = False) -> None:
        """Note what is on record, whoever wrote it; written with the next press, or at once."""
        if not rows:
            return
        with self._turn:
            for row in rows:
                text = json.dumps(astuple(row), ensure_ascii=False)
                self._later.append((_SEEN, (row.number, row.hash, text)))
            self._later.append((_HEAD, (rows[-1].number, rows[-1].hash, format_instant(utc_now()))))
            if at_once:
                self._write([])

    def clock(self, boot: str, wall: datetime, since_s: float, known: int) -> ClockBegan:
        """The clock of this sitting: the one kept here since the machine was started, else a fresh one."""
        with self._turn:
            self._write([(_CLOCK, ())])
            found = self._ask("SELECT boot, utc, since_s, known FROM clock")
            if found and found[0][0] == boot:
                (_, utc, since, number) = found[0]
                return ClockBegan(datetime.fromisoformat(utc), since, number)
            values = (boot, wall.isoformat(), since_s, known)
            self._write([("INSERT OR REPLACE INTO clock VALUES (1, ?, ?, ?, ?)", values)])
        return ClockBegan(wall, since_s, known, again=bool(found))

    def moved(self, place: str) -> None:
        """Note that the journal goes on in another place."""
        self._write([("UPDATE outbox SET place = ?", (place,))])
        self.place = place

    def waiting(self) -> tuple[Kept, ...]:
        """The presses that are still to be sent, in their order."""
        return self._presses("waiting", "sent")

    def refused(self) -> tuple[Kept, ...]:
        """The presses that have become impossible while they were kept, in their order: to be decided on."""
        return self._presses("refused")

    def _presses(self, *states: State) -> tuple[Kept, ...]:
        """The presses in some states, also where a full disk does not let it be noted what became of them."""
        with self._turn:
            with contextlib.suppress(JournalError):
                self._write([])
            noted: dict[object, tuple[Any, ...]] = {
                values[-1]: (values[0], values[4]) for sql, values in self._later if sql == _SETTLE
            }
            found = self._ask(
                "SELECT job, pressed, seat, events, state, words FROM jobs "
                "WHERE state IN ('waiting', 'sent', 'refused') ORDER BY place"
            )
        presses = []
        for job, pressed, seat, events, *was in found:
            state, words = noted.get(job, was)
            if state in states:
                when, what = datetime.fromisoformat(pressed), tuple(json.loads(events))
                presses.append(Kept(job, when, seat, what, state, words or ""))
        return tuple(presses)

    def adopt(self, kept: Kept) -> None:
        """Take over a press that was left in another sitting's outbox, as it was refused there."""
        text = json.dumps([dict(event) for event in kept.events], ensure_ascii=False)
        values = (kept.job, format_instant(kept.pressed), kept.seat, text, kept.words)
        insert = "INSERT INTO jobs (job, pressed, seat, events, known, state, words) VALUES (?, ?, ?, ?, 0, "
        # The try that was refused is here too, under this seat's name; or it was here before, and went away.
        tried = ("DELETE FROM jobs WHERE job = ? AND state IN ('let go', 'replaced')", (kept.job,))
        self._write([tried, (insert + "'refused', ?) ON CONFLICT (job) DO NOTHING", values)])

    def rows(self) -> list[Row]:
        """The sealed rows of what was on record, by number."""
        with self._turn:
            self._write([])
            found = self._ask(_ROWS)
        return [Row(*json.loads(row)) for _, row in found]

    def lost(self, hashes: Mapping[int, str]) -> str | None:
        """What a journal with these hashes, by number, lacks of what was recorded; None where it is whole."""
        known = [(row.number, row.hash, row.recorded) for row in self.rows()]
        known += self._ask("SELECT number, hash, seen FROM head WHERE number > 0")
        gone = sorted((number, when) for number, digest, when in known if hashes.get(number) != digest)
        return missing_words(gone, f"the outbox {self.path}") if gone else None

    def forget(self) -> None:
        """Let go of what is recorded, and of the file once nothing waits in it; the outbox is closed."""
        if not self.waiting() and not self.refused():
            # While the lock is held: whoever sits down here next makes both anew.
            for path in (self.path, self.path.with_suffix(".lock")):
                with contextlib.suppress(OSError):
                    path.unlink()
            self._later.clear()
        self.close()

    def close(self) -> None:
        """Write what is still to be noted and let go; a second call does nothing."""
        with self._turn:
            if self._lock < 0:
                return
            with contextlib.suppress(JournalError):
                self._write([])
            self._db.close()
            os.close(self._lock)
            self._lock = -1

    def _write(self, statements: Sequence[tuple[str, Sequence[object]]]) -> None:
        """Write statements and what is still to be noted, all or none."""
        with self._turn, told(self.path):
            if not statements and not self._later:
                return
            with self._writing():
                for sql, values in (*self._later, *statements):
                    self._db.execute(sql, values)
            self._later.clear()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        self._ask("BEGIN IMMEDIATE")
        try:
            yield
            self._ask("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.rollback()
            raise

    def _ask(self, sql: str) -> list[tuple[Any, ...]]:
        with told(self.path):
            return patiently(self.path, lambda: self._db.execute(sql).fetchall())


def _locked(path: Path) -> int:
    """The handle of a lock file that this sitting holds; BlockingIOError where another one does."""
    while True:
        lock = os.open(path, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(lock)
            raise
        # Its last holder may have taken the file away meanwhile, and another one made it anew.
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(lock), path.lstat()):
                return lock
        os.close(lock)


def _check_own(path: Path) -> None:
    """Raise JournalError for a link, which may lead to any file, and for what somebody else put there."""
    if not os.path.lexists(path):
        return
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode) or found.st_uid != os.geteuid():
        raise JournalError(f"{path}: is a link, or somebody else's, so it is no outbox of this user")


def _file_name(seat: str) -> str:
    """A seat's name in that of a file; of a long one its beginning, and what tells it from every other."""
    name = quote(seat, safe="")
    return (
        name if len(name) <= _MOST_NAME else f"{name[:_MOST_NAME]}-{sha256(seat.encode()).hexdigest()[:16]}"
    )


def missing_words(gone: Sequence[tuple[int, str]], who: str) -> str:
    """What is said of events, by number and instant, that somebody knows and a journal lacks."""
    (first, when), (last, _) = gone[0], gone[-1]
    what = f"event {first}" if first == last else f"event {first} and others up to event {last}"
    return f"{what}, on record at {when}, is missing or another: {who} knows it"


def went_on(place: str) -> str:
    """The words by which a journal tells the place in which it began."""
    return f"goes on here from {place}"


def gone_to(folder: Path, uuid: str, place: str) -> str | None:
    """The place in which a seat of this user goes on with a journal from `place`; None where none does."""
    for path in sorted(folder.glob(f"{uuid}-*.sqlite")):
        with contextlib.suppress(sqlite3.Error, ValueError, TypeError), contextlib.closing(_look(path)) as db:
            ((there,),) = db.execute("SELECT place FROM outbox").fetchall()
            rows = (Row(*json.loads(row)) for _, row in db.execute(_ROWS).fetchall())
            if there != place and any(row.kind == "noted" and went_on(place) in row.body for row in rows):
                return str(there)
    return None


def known_rows(
    folders: Iterable[Path], uuids: Collection[str], place: str
) -> Iterator[tuple[Genesis, list[Row]]]:
    """Yield what every outbox in some folders knows of a journal, read without holding anybody up.

    `uuids` are those the journal may have; where none is known, those of outboxes that were kept for `place`.
    """
    for path in sorted(path for folder in folders for path in folder.glob("*.sqlite")):
        with contextlib.suppress(sqlite3.Error, ValueError, TypeError), contextlib.closing(_look(path)) as db:
            ((uuid, kept_for),) = db.execute("SELECT uuid, place FROM outbox").fetchall()
            if uuid in uuids or (not uuids and kept_for == place):
                ((genesis,),) = db.execute("SELECT genesis FROM journal").fetchall()
                rows = [Row(*json.loads(row)) for _, row in db.execute(_ROWS).fetchall()]
                yield Genesis(**json.loads(genesis)), rows


def _look(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=1.0)
