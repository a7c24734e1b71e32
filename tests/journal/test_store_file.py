"""Journals as files: private, whole, durable, append-only; readers leave no trace."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import astuple
from pathlib import Path

import pytest

from tests.files import GENESIS, append, folder, note, write_ahead
from tracker.foundation.errors import JournalError
from tracker.journal import sqlite, sqlite_files
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import Genesis, Shown


@pytest.fixture
def path(tmp_path: Path) -> Path:
    store = SqliteStore.create(tmp_path / "one.sqlite", GENESIS)
    append(store, 3)
    store.close()
    return tmp_path / "one.sqlite"


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite_files, "_PATIENCE_S", 0.1)


def test_a_new_journal_is_private_and_leaves_nothing_beside_it(path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert list(folder(path)) == ["one.sqlite"]
    assert [entry for entry in path.parent.iterdir() if entry.is_dir()] == []


def test_a_journal_that_grows_while_it_is_looked_at_is_whole(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    header = sqlite_files._header

    def grown(path: Path, found: os.stat_result) -> bytes:
        monkeypatch.undo()
        with closing(SqliteStore.open(path)) as store:
            append(store, 40, together=True)
        assert path.stat().st_size > found.st_size
        return header(path, found)

    monkeypatch.setattr(sqlite_files, "_header", grown)
    with closing(SqliteStore.open(path, read_only=True)) as store:
        assert len(store.rows()) == 43


def test_what_is_committed_stands_in_the_one_file(path: Path) -> None:
    store = SqliteStore.open(path)
    append(store)
    assert list(folder(path)) == ["one.sqlite"]
    with store.turn():
        modes = {entry.name: stat.S_IMODE(entry.stat().st_mode) for entry in path.parent.iterdir()}
        assert set(modes.values()) == {0o600}
    store.close()


def test_durability_settings_are_in_force(path: Path) -> None:
    store = SqliteStore.open(path)
    read = store._source.db.execute
    assert read("PRAGMA journal_mode").fetchone() == ("delete",)
    assert read("PRAGMA synchronous").fetchone() == (3,)
    strict = {
        name: value for name, value in read("SELECT name, strict FROM pragma_table_list WHERE type='table'")
    }
    assert all(strict[name] for name in ("journal", "events", "estimates", "as_run_rows", "as_spent_rows"))
    store.close()


@pytest.mark.parametrize("taken", ["file", "folder", "link", "wal"])
def test_create_never_overwrites(tmp_path: Path, taken: str) -> None:
    path = tmp_path / "two.sqlite"
    if taken == "file":
        path.write_bytes(b"")
    elif taken == "folder":
        path.mkdir()
    elif taken == "link":
        path.symlink_to(tmp_path / "nowhere")
    else:
        Path(f"{path}-wal").write_bytes(b"old")
    before = sorted(tmp_path.rglob("*")), folder(path)
    with pytest.raises(JournalError) as caught:
        SqliteStore.create(path, GENESIS)
    assert str(path) in caught.value.lines[0]
    assert (sorted(tmp_path.rglob("*")), folder(path)) == before


def test_of_two_that_create_at_once_the_second_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "two.sqlite"
    make = sqlite._make

    def slow(new: Path, genesis: Genesis) -> None:
        make(new, genesis)
        path.write_bytes(b"somebody else's")

    monkeypatch.setattr(sqlite, "_make", slow)
    with pytest.raises(JournalError, match="exists already"):
        SqliteStore.create(path, GENESIS)
    assert folder(path) == {"two.sqlite": b"somebody else's"}


def test_reading_a_quiet_journal_leaves_no_trace(path: Path) -> None:
    before, stamp = folder(path), path.stat().st_mtime_ns
    store = SqliteStore.open(path, read_only=True)
    assert len(store.rows()) == 3
    assert folder(path) == before
    store.close()
    assert folder(path) == before and path.stat().st_mtime_ns == stamp


def test_a_reader_cannot_write(path: Path) -> None:
    store = SqliteStore.open(path, read_only=True)
    with pytest.raises(JournalError, match="read-only"):
        append(store)
    store.close()


def test_a_reader_sees_what_a_writer_adds_also_when_it_came_first(path: Path) -> None:
    reader = SqliteStore.open(path, read_only=True)
    assert reader.changed() and not reader.changed()
    writer = SqliteStore.open(path)
    append(writer)
    assert reader.changed() and len(reader.rows()) == 4
    assert not reader.changed()
    append(writer, 2)
    assert reader.changed() and len(reader.rows(after=4)) == 2
    writer.close()
    assert len(reader.rows()) == 6
    writer = SqliteStore.open(path)
    append(writer)
    assert reader.changed() and len(reader.rows()) == 7
    writer.close()
    reader.close()


def test_a_writer_leaves_everything_in_the_main_file_while_others_read(path: Path, tmp_path: Path) -> None:
    writer = SqliteStore.open(path)
    append(writer)
    reader = SqliteStore.open(path, read_only=True)
    writer.close()
    (tmp_path / "alone.sqlite").write_bytes(path.read_bytes())
    alone = SqliteStore.open(tmp_path / "alone.sqlite", read_only=True)
    assert len(alone.rows()) == 4
    alone.close()
    reader.close()


@pytest.fixture
def killed(path: Path) -> Iterator[Path]:
    """A journal of an older program that was killed: the last events are still in the file beside it."""
    write_ahead(path)
    with closing(SqliteStore.open(path, read_only=True)) as store:
        row = note(4, store.rows()[-1].hash)
    code = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?)", sys.argv[2:])
os.kill(os.getpid(), 9)
"""
    cells = [str(value) for value in (row.number, row.kind, row.at, int(row.stated), *astuple(row)[4:])]
    assert subprocess.run([sys.executable, "-c", code, str(path), *cells]).returncode == -9
    assert Path(f"{path}-wal").stat().st_size > 0
    yield path


def test_what_a_killed_writer_had_finished_is_there(killed: Path) -> None:
    reader = SqliteStore.open(killed, read_only=True)
    assert len(reader.rows()) == 4
    reader.close()
    writer = SqliteStore.open(killed)
    assert len(writer.rows()) == 4
    writer.close()
    assert list(folder(killed)) == ["one.sqlite"]


def test_what_a_killed_writer_left_is_read_where_nothing_can_be_written(
    killed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Path(f"{killed}-shm").unlink()
    monkeypatch.setattr(os, "access", lambda *_: False)
    before = folder(killed)
    reader = SqliteStore.open(killed, read_only=True)
    assert len(reader.rows()) == 4 and reader.changed()
    reader.close()
    assert folder(killed) == before


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET kind = 'done' WHERE number = 2",
        "DELETE FROM events WHERE number = 3",
        "INSERT OR REPLACE INTO events SELECT * FROM events WHERE number = 3",
        "INSERT INTO events SELECT 5, kind, at, stated, recorded, seat, body, hash FROM events LIMIT 1",
        "INSERT INTO events SELECT NULL, kind, at, stated, recorded, seat, body, hash FROM events LIMIT 1",
        "UPDATE journal SET plan = 'x'",
        "DELETE FROM journal",
        "INSERT OR REPLACE INTO journal SELECT * FROM journal",
        "INSERT INTO events SELECT 4, kind, 'noon', stated, recorded, seat, body, hash FROM events LIMIT 1",
    ],
)
def test_no_tool_changes_what_is_recorded(path: Path, statement: str) -> None:
    other = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError):
        other.execute(statement)
    other.close()


def test_faults_are_none_in_a_sound_file_and_name_what_is_lost(path: Path) -> None:
    store = SqliteStore.open(path, read_only=True)
    assert list(store.faults()) == []
    store.close()
    other = sqlite3.connect(path)
    other.execute("DROP TRIGGER events_no_update")
    other.execute("CREATE TABLE extra (x)")
    other.close()
    store = SqliteStore.open(path, read_only=True)
    lost, extra = store.faults()
    assert "events_no_update" in lost and "extra" in extra
    store.close()


def test_an_estimate_shows_its_leading_figures_to_any_tool(path: Path) -> None:
    store = SqliteStore.open(path)
    text = '{"at":60,"inside":{"p10":1.5,"p50":2.5,"p90":null},"safe":0.75}'
    with store.writing():
        store.show(Shown(3, 60.0, "2031-05-04T14:01:00.000Z", text))
    store.close()
    other = sqlite3.connect(path)
    found = other.execute(
        "SELECT event, at, inside_p10, inside_p50, inside_p90, safe FROM estimates"
    ).fetchall()
    other.close()
    assert found == [(3, 60.0, 1.5, 2.5, None, 0.75)]


def test_a_journal_is_opened_with_the_standard_library_alone() -> None:
    code = (
        "import sys, tracker.journal.sqlite\n"
        "print({'sqlite_utils', 'pandas', 'numpy'} & {name.split('.')[0] for name in sys.modules})"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "set()\n"
