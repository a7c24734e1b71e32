"""Promise: what is committed stands in the one file, readers hold it for a moment, nobody blocks another."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from subprocess import PIPE

import pytest

from tests.files import append, folder, note, write_ahead
from tests.journals import MORNING, done
from tests.journals import journal as journal_in
from tracker.foundation.errors import JournalError
from tracker.journal import sqlite as sqlite_store
from tracker.journal.follow import Follower
from tracker.journal.journal import Journal
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import Forked, Held
from tracker.journal.verify import copy, verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with journal_in(tmp_path, *MORNING) as made:
        return made.path


@contextmanager
def program(code: str, *words: object) -> Iterator[subprocess.Popen[str]]:
    """Start a program of its own that says something once it is where it should be; it ends here."""
    command = [sys.executable, "-c", code, *map(str, words)]
    with subprocess.Popen(command, stdin=PIPE, stdout=PIPE, text=True) as started:
        try:
            assert started.stdout is not None and started.stdout.readline() == "ready\n"
            yield started
        finally:
            started.kill()


# The one file


def test_a_plain_copy_of_a_journal_in_use_holds_all_that_was_told(path: Path, tmp_path: Path) -> None:
    with Journal.open(path) as journal:
        for n in range(20):
            told = journal.record({"kind": "noted", "text": f"note {n}", "at": 1400 + n})
            shutil.copyfile(path, tmp_path / "copy.sqlite")
            verdict = verify(tmp_path / "copy.sqlite", (told, journal.hash))
            assert verdict.fault is None and verdict.events == told
        assert journal.notice is None
        os.link(path, tmp_path / "link.sqlite")
        assert "has another name (a hard link): write it under one name alone" in str(journal.notice)
        journal.record({"kind": "noted", "text": "behind the link", "at": 1500})
    assert verify(tmp_path / "link.sqlite").events == len(MORNING) + 21


def test_a_copy_from_the_middle_of_a_commit_is_sound_as_it_was_or_said_to_be_damaged(
    path: Path, tmp_path: Path
) -> None:
    code = """
import sys
from tracker.journal.journal import Journal
with Journal.open(sys.argv[1]) as journal:
    print("ready", flush=True)
    for n in range(60):
        journal.record({"kind": "noted", "text": "x" * 3000, "at": 2000 + n})
"""
    heads: dict[int, str] = {}
    with program(code, path) as writer:
        while writer.poll() is None:
            torn = tmp_path / "torn.sqlite"
            torn.write_bytes(path.read_bytes())
            with suppress(JournalError):
                verdict = verify(torn)
                if verdict.fault is None:
                    heads[verdict.events] = verdict.hash
    with closing(SqliteStore.open(path, read_only=True)) as store:
        rows = store.rows()
    assert len(rows) == len(MORNING) + 60 and heads
    assert all(rows[number - 1].hash == digest for number, digest in heads.items())


def test_a_copy_that_is_put_in_place_of_an_open_journal_is_another_history_and_loses_nothing(
    path: Path, tmp_path: Path
) -> None:
    first = len(MORNING) + 1

    def noted(journal: Journal, *texts: str) -> list[int]:
        return [journal.record({"kind": "noted", "text": text, "at": 1400}) for text in texts]

    with Journal.open(path) as journal:
        noted(journal, "before")
        shutil.copyfile(path, tmp_path / "yesterday")
        noted(journal, "lost", "lost too")
        follower = Follower(path)
        shutil.copyfile(path, tmp_path / "whole")
        shutil.copyfile(tmp_path / "yesterday", path)
        words = f"the file holds another history from event {first + 1} on; nothing is written there, and "
        with closing(follower):
            for told in (words, "another journal, or less of it, is in its place now"):
                assert not follower.look() and told in str(follower.trouble)
        for _ in range(2):
            with pytest.raises(Forked, match=words):
                journal.refresh()
        # As many commits as were lost: by the count in its header the file is the one before.
        with Journal.open(path) as other:
            assert noted(other, "of another", "of another too") == [first + 1, first + 2]
        with pytest.raises(Forked, match=words):
            noted(journal, "as if nothing had been")
        assert verify(path).events == first + 2
        with Journal.open(path, read_only=True) as there:
            assert [one.body["text"] for one in there.fold.recorded[first:]] == [
                "of another",
                "of another too",
            ]
        shutil.copyfile(tmp_path / "whole", path)
        assert not journal.refresh() and noted(journal, "goes on") == [first + 3]
    assert verify(path).events == first + 3


def test_a_journal_written_ahead_is_changed_over_once_nobody_else_has_it(path: Path) -> None:
    write_ahead(path)
    reader = sqlite3.connect(path)
    assert reader.execute("SELECT count(*) FROM events").fetchone() == (len(MORNING),)
    with Journal.open(path) as journal:
        assert journal.notice is not None and "copy both, or none" in journal.notice
        assert journal.record({"kind": "noted", "text": "as before", "at": 1400}) == len(MORNING) + 1
    reader.close()
    with Journal.open(path) as journal:
        assert journal.notice is None
        assert journal.record({"kind": "noted", "text": "in the file", "at": 1401}) == len(MORNING) + 2
        assert list(folder(path)) == ["one.sqlite"]
    assert verify(path).fault is None


def test_who_follows_a_journal_that_is_changed_over_misses_nothing(path: Path) -> None:
    write_ahead(path)
    with Follower(path) as follower, Journal.open(path) as journal:
        for n in range(3):
            journal.record({"kind": "noted", "text": "x", "at": 1400 + n})
            assert [event.number for event in follower.look()] == [len(MORNING) + 1 + n]


# What a killed writer leaves


@pytest.fixture
def half_written(path: Path) -> Path:
    """A journal whose writer died in the middle of a commit, some pages of it already in the file."""
    with closing(SqliteStore.open(path, read_only=True)) as store:
        before = store.rows()[-1].hash
    row = note(len(MORNING) + 1, before)
    code = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_size=2")
db.execute("BEGIN IMMEDIATE")
db.execute("UPDATE as_run_rows SET do = do || hex(randomblob(4000))")
db.execute("INSERT INTO events VALUES (?, 'noted', 0.0, 1, 'x', 'x', '{}', 'x')", sys.argv[2:])
os.kill(os.getpid(), 9)
"""
    assert subprocess.run([sys.executable, "-c", code, str(path), str(row.number)]).returncode == -9
    assert Path(f"{path}-journal").stat().st_size > 0
    return path


def test_what_was_half_written_is_taken_back_for_who_reads_and_for_who_writes(half_written: Path) -> None:
    before = folder(half_written)
    assert verify(half_written).events == len(MORNING)
    with Follower(half_written) as follower:
        assert follower.number == len(MORNING) and follower.look() == ()
        assert folder(half_written) == before, "who reads writes nothing"
        with Journal.open(half_written) as journal:
            assert journal.record({"kind": "noted", "text": "on", "at": 1400}) == len(MORNING) + 1
        assert [event.number for event in follower.look()] == [len(MORNING) + 1]
    assert list(folder(half_written)) == ["one.sqlite"] and verify(half_written).fault is None


# Nobody blocks another


def test_a_writer_that_stands_still_outside_its_insert_blocks_nobody(path: Path) -> None:
    code = """
import os, signal, sys
from tracker.journal import journal
admit = journal.admit
def still(*words, **more):
    print("ready", flush=True)
    os.kill(os.getpid(), signal.SIGSTOP)
    return admit(*words, **more)
journal.admit = still
with journal.Journal.open(sys.argv[1]) as one:
    print("told", one.record({"kind": "noted", "text": "late", "at": 1400}), flush=True)
"""
    with program(code, path) as stopped:
        with Journal.open(path) as journal:
            assert journal.record({"kind": "noted", "text": "meanwhile", "at": 1400}) == len(MORNING) + 1
        while stopped.poll() is None:
            os.kill(stopped.pid, signal.SIGCONT)
            time.sleep(0.02)
        assert stopped.stdout is not None
        assert stopped.stdout.read().split()[-2:] == ["told", str(len(MORNING) + 2)]
    assert verify(path).fault is None


def test_who_holds_the_journal_is_named_after_a_second(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN")
db.execute("SELECT * FROM events").fetchall()
print("ready", flush=True)
sys.stdin.read()
"""
    waits: list[str] = []
    monkeypatch.setattr("tracker.journal.sqlite_files._PATIENCE_S", 1.2)
    with program(code, path) as reader, Journal.open(path) as journal:
        journal.tell_waiting(waits.append)
        with pytest.raises(Held, match=rf"is locked by .+ \(process {reader.pid}\); nothing was written"):
            journal.record({"kind": "noted", "text": "x", "at": 1400})
        assert len(waits) == 1 and f"(process {reader.pid})" in waits[0]
        reader.kill()
        reader.wait()
        assert journal.record({"kind": "noted", "text": "x", "at": 1400}) == len(MORNING) + 1


def test_a_long_read_lets_writers_in_between(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(SqliteStore.open(path)) as store:
        append(store, 1000, together=True)
    assert sqlite_store._HELD_S <= 0.05, "no writer waits for longer"
    monkeypatch.setattr(sqlite_store, "_HELD_S", 0.0)
    with closing(SqliteStore.open(path, read_only=True)) as reader, closing(SqliteStore.open(path)) as writer:
        some = reader._some

        def slow(sql: str, after: int) -> list[tuple[object, ...]]:
            found = some(sql, after)
            if after == 256:
                append(writer)
            return found

        monkeypatch.setattr(reader, "_some", slow)
        numbers = [row.number for row in reader.rows()]
    assert numbers == list(range(1, len(MORNING) + 1002))


def test_of_many_seats_each_told_number_is_there_once(path: Path) -> None:
    told: list[int] = []

    def seat(name: str) -> None:
        with Journal.open(path) as journal:
            for n in range(8):
                told.append(journal.record({"kind": "noted", "text": f"{name} {n}", "at": 1400}, seat=name))

    seats = [threading.Thread(target=seat, args=(f"seat {n}",)) for n in range(6)]
    for one in seats:
        one.start()
    for one in seats:
        one.join()
    assert sorted(told) == list(range(len(MORNING) + 1, len(MORNING) + 49))
    assert verify(path).events == len(MORNING) + 48


def test_a_job_is_written_once(path: Path) -> None:
    job = "5f0c7a64-7a3c-4a4e-9d6f-3a0b6f1f8a11"
    with Journal.open(path) as journal, Journal.open(path) as other:
        events = [{"kind": "noted", "text": "one", "at": 1400}, done("trays.walk", 1400)]
        first = journal.record_all(events, job=job)
        assert journal.record_all(events, job=job) == first
        assert other.record_all(events, job=job) == first
        assert other.number == len(MORNING) + 2
    assert verify(path).events == len(MORNING) + 2


# What other programs put into the file


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER gone BEFORE INSERT ON events BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TRIGGER later AFTER INSERT ON events BEGIN UPDATE as_run_rows SET do = 'x'; END",
        "CREATE VIEW extra AS SELECT * FROM events",
        "DROP TRIGGER events_no_delete",
        "DROP VIEW as_run",
    ],
)
def test_a_schema_that_is_not_a_journals_is_named_and_nothing_is_written(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute(statement)
    before = folder(path)
    with pytest.raises(JournalError, match=r"the schema .* nothing was written"):
        Journal.open(path)
    assert folder(path) == before
    assert verify(path).fault is not None


def test_a_number_is_told_of_what_is_there_alone(path: Path) -> None:
    with Journal.open(path) as journal:
        with closing(sqlite3.connect(path)) as db:
            db.execute("CREATE TRIGGER gone BEFORE INSERT ON events BEGIN SELECT RAISE(IGNORE); END")
        with pytest.raises(JournalError, match="another program changed its schema; nothing was written"):
            journal.record({"kind": "noted", "text": "x", "at": 1400})
        assert journal.number == len(MORNING)
    with closing(SqliteStore.open(path, read_only=True)) as store:
        assert len(store.rows()) == len(MORNING)


def test_a_number_is_told_once_it_was_read_back(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Journal.open(path) as journal:
        with monkeypatch.context() as lost:
            lost.setattr(sqlite_store._Block, "put", lambda *_: None)
            with pytest.raises(
                JournalError, match=rf"event {len(MORNING) + 1} was written, and is not there"
            ):
                journal.record({"kind": "noted", "text": "x", "at": 1400})
        assert journal.number == len(MORNING)
        assert journal.record({"kind": "noted", "text": "y", "at": 1400}) == len(MORNING) + 1
    assert verify(path).events == len(MORNING) + 1


# Looking through what is being written


def test_verify_and_copy_find_a_journal_sound_while_it_is_written(path: Path, tmp_path: Path) -> None:
    over = threading.Event()

    def write() -> None:
        with Journal.open(path) as journal:
            n = 0
            while not over.is_set():
                n += 1
                journal.record({"kind": "noted", "text": "x", "at": 1400})
                journal.write_estimate({"at": 1400.0}, journal.number)
                time.sleep(0.01)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for n in range(3):
            assert verify(path).fault is None
            assert copy(path, tmp_path / f"copy-{n}.sqlite").fault is None
    finally:
        over.set()
        writer.join()


def test_a_journal_of_an_older_program_gets_its_jobs_when_it_is_first_written(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TABLE jobs")
    assert verify(path).fault is None
    with Journal.open(path) as journal:
        assert journal.genesis.format == 1
        assert journal.record_all([{"kind": "noted", "text": "x", "at": 1400}], job="a" * 36) == [13]
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT job, first, last FROM jobs").fetchall() == [("a" * 36, 13, 13)]
    assert verify(path).fault is None


def test_a_watcher_needs_no_right_to_write(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The tests may run as a user whom no permission stops, so what the system would answer is played.
    monkeypatch.setattr(os, "access", lambda place, mode: mode != os.W_OK)
    with Follower(path) as follower:
        monkeypatch.undo()
        with Journal.open(path) as journal:
            journal.record({"kind": "noted", "text": "x", "at": 1400})
        assert [event.number for event in follower.look()] == [len(MORNING) + 1]
        assert follower.trouble is None
