"""What is no journal, or cannot be used as one, is told in one line and stays as it was."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.files import GENESIS, append, folder
from tracker.foundation.errors import JournalError
from tracker.journal import sqlite_files
from tracker.journal.sqlite import SqliteStore


@pytest.fixture
def path(tmp_path: Path) -> Path:
    store = SqliteStore.create(tmp_path / "one.sqlite", GENESIS)
    append(store, 3)
    store.close()
    return tmp_path / "one.sqlite"


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite_files, "_PATIENCE_S", 0.1)


def refuse(path: Path, *, read_only: bool) -> str:
    """Return the one line with which a file is refused, having looked that nothing was touched."""
    before = folder(path)
    with pytest.raises(JournalError) as caught:
        SqliteStore.open(path, read_only=read_only).rows()
    assert folder(path) == before
    (line,) = caught.value.lines
    assert str(path) in line and "\n" not in line
    return line


@pytest.mark.parametrize("read_only", [False, True])
class TestRefused:
    def test_a_missing_file(self, tmp_path: Path, read_only: bool) -> None:
        assert "no such journal" in refuse(tmp_path / "none.sqlite", read_only=read_only)

    def test_a_missing_folder(self, tmp_path: Path, read_only: bool) -> None:
        with pytest.raises(JournalError, match="no such journal"):
            SqliteStore.open(tmp_path / "none" / "one.sqlite", read_only=read_only)

    def test_a_folder(self, path: Path, read_only: bool) -> None:
        with pytest.raises(JournalError, match="is a folder"):
            SqliteStore.open(path.parent, read_only=read_only)

    def test_a_pipe_without_waiting_for_a_writer(self, tmp_path: Path, read_only: bool) -> None:
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(JournalError, match="not a file"):
            SqliteStore.open(tmp_path / "pipe", read_only=read_only)

    def test_a_path_no_file_can_have(self, tmp_path: Path, read_only: bool) -> None:
        for name in ("a\0b", "n" * 300):
            with pytest.raises(JournalError):
                SqliteStore.open(tmp_path / name, read_only=read_only)

    @pytest.mark.parametrize("content", [b"format: 1\n", b"\x89PNG" * 500, b"SQLite format 3", b"S"])
    def test_another_kind_of_file(self, tmp_path: Path, read_only: bool, content: bytes) -> None:
        path = tmp_path / "plan.yaml"
        path.write_bytes(content)
        assert "journal" in refuse(path, read_only=read_only)

    def test_an_empty_file(self, tmp_path: Path, read_only: bool) -> None:
        (tmp_path / "empty").write_bytes(b"")
        assert "empty" in refuse(tmp_path / "empty", read_only=read_only)

    def test_another_database(self, tmp_path: Path, read_only: bool) -> None:
        path = tmp_path / "other.sqlite"
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE events (number INTEGER)")
        other.close()
        assert "not a journal" in refuse(path, read_only=read_only)

    def test_a_journal_of_a_newer_program(self, path: Path, read_only: bool) -> None:
        content = bytearray(path.read_bytes())
        content[60:64] = (7).to_bytes(4, "big")
        path.write_bytes(content)
        line = refuse(path, read_only=read_only)
        assert "newer program" in line and "7" in line

    @pytest.mark.parametrize("keep", [1, 50, 99, 100, 4096, 9000, -4096, -1])
    def test_a_file_that_is_cut_off(self, path: Path, read_only: bool, keep: int) -> None:
        path.write_bytes(path.read_bytes()[:keep])
        refuse(path, read_only=read_only)

    def test_a_journal_whose_tables_are_gone(self, path: Path, read_only: bool) -> None:
        other = sqlite3.connect(path)
        other.executescript("PRAGMA journal_mode=DELETE; DROP TABLE journal;")
        other.close()
        with pytest.raises(JournalError):
            SqliteStore.open(path, read_only=read_only)


def test_a_locked_journal_is_told_when_opened_and_when_written(path: Path) -> None:
    store = SqliteStore.open(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(JournalError, match="is locked"):
        append(store)
    with pytest.raises(JournalError, match="is locked"):
        SqliteStore.open(path)
    with closing(SqliteStore.open(path, read_only=True)) as reader:
        assert len(reader.rows()) == 3
    other.execute("ROLLBACK")
    append(store)
    assert len(store.rows()) == 4
    store.close()
    other.close()


def test_a_journal_held_for_one_program_alone_is_told(path: Path) -> None:
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA locking_mode=EXCLUSIVE")
    other.execute("BEGIN IMMEDIATE")
    other.execute("DELETE FROM as_run_rows")
    other.execute("COMMIT")
    with pytest.raises(JournalError, match="is locked"):
        SqliteStore.open(path)
    other.close()


@pytest.mark.parametrize("which", ["file", "folder"])
def test_a_read_only_journal_is_told_before_the_first_tick(
    path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    # The tests may run as a user whom no permission stops, so what the system would answer is played.
    closed = path if which == "file" else path.parent
    monkeypatch.setattr(os, "access", lambda place, mode: Path(place) != closed)
    before = folder(path)
    with pytest.raises(JournalError, match="read-only"):
        SqliteStore.open(path)
    assert folder(path) == before


@pytest.mark.parametrize("how", ["deleted", "moved", "replaced"])
def test_nothing_is_promised_of_a_file_that_is_no_longer_there(path: Path, how: str) -> None:
    store = SqliteStore.open(path)
    append(store)
    if how == "deleted":
        path.unlink()
    else:
        path.rename(path.with_name("moved.sqlite"))
    if how == "replaced":
        path.write_bytes(b"another")
    for act in (lambda: append(store), store.changed):
        with pytest.raises(JournalError, match="while it was open"):
            act()
    store.close()
