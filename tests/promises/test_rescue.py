"""Promise: what can be read of a damaged journal, or an outbox knows, is put back; all else is listed."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.journals import MORNING
from tests.journals import journal as journal_in
from tracker.cli.main import main
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.rescue import records, rescue
from tracker.journal.verify import verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of some length, without an outbox."""
    with journal_in(tmp_path, *MORNING) as made:
        made.record_all(
            {"kind": "noted", "text": f"note {n} " + "x" * (n * 90), "at": 1400} for n in range(80)
        )
        return made.path


def test_the_pages_hold_what_the_database_says(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        wanted = dict(db.execute("SELECT number, body FROM events").fetchall())
        plan = db.execute("SELECT plan FROM journal").fetchone()[0]
    found = list(records(path.read_bytes()))
    assert {key: cells[6] for key, cells in found if len(cells) == 8} == wanted
    assert [cells[6] for _, cells in found if len(cells) == 10] == [plan]


def test_a_sound_journal_is_put_back_event_by_event(path: Path, tmp_path: Path) -> None:
    before = verify(path)
    found = rescue(path, tmp_path / "new.sqlite", [])
    assert found.missing == () and (found.verdict.events, found.verdict.hash) == (before.events, before.hash)


@pytest.mark.parametrize("seed", range(6))
def test_of_a_journal_with_pages_overwritten_all_else_is_put_back(
    seed: int, path: Path, tmp_path: Path
) -> None:
    random, data = Random(seed), bytearray(path.read_bytes())
    with closing(sqlite3.connect(path)) as db:
        texts = {number: body for number, body in db.execute("SELECT number, body FROM events")}
    for _ in range(2):
        page = random.randrange(6, len(data) // 4096)
        data[page * 4096 : (page + 1) * 4096] = random.randbytes(4096)
    data[0:16] = b"not a database.." if seed % 2 else data[0:16]
    path.write_bytes(data)
    found = rescue(path, tmp_path / "new.sqlite", [])
    assert found.verdict.fault is None
    with closing(sqlite3.connect(tmp_path / "new.sqlite")) as db:
        now = dict(db.execute("SELECT number, body FROM events"))
    lost = [number for number in now if now[number] != texts[number]]
    assert len(lost) < len(texts) / 2
    said = " ".join(found.missing)
    assert all(f"event {number}:" in said for number in lost)


def test_what_was_cut_off_or_deleted_comes_back_from_the_outboxes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    path = tmp_path / "one.sqlite"
    from tests.journals import plan

    with Journal.create(path, plan(), outbox=out) as journal:
        for event in MORNING:
            journal.record(event)
        head = (journal.number, journal.hash)
    with Journal.open(path):
        before = path.read_bytes()
    path.unlink()
    words = ["rescue", str(path), "--out", str(tmp_path / "new.sqlite"), "--outbox", str(out)]
    assert main(words) == 0
    assert capsys.readouterr().out == f"rescued: {head[0]} events, {head[0]}:{head[1]}\n"
    assert verify(tmp_path / "new.sqlite", head).fault is None
    path.write_bytes(before[: len(before) // 2])
    assert rescue(path, tmp_path / "other.sqlite", [out]).verdict.hash == head[1]


def test_what_a_killed_writer_left_half_written_is_taken_back_first(path: Path, tmp_path: Path) -> None:
    before = verify(path)
    code = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_size=2")
db.execute("BEGIN IMMEDIATE")
db.execute("DROP TRIGGER events_no_update")
db.execute("UPDATE events SET body = json_quote(hex(zeroblob(450)))")
os.kill(os.getpid(), 9)
"""
    assert subprocess.run([sys.executable, "-c", code, str(path)]).returncode == -9
    assert b"0" * 900 in path.read_bytes() and Path(f"{path}-journal").stat().st_size > 0
    left = {one: one.read_bytes() for one in (path, Path(f"{path}-journal"))}
    found = rescue(path, tmp_path / "new.sqlite", [])
    assert found.missing == () and (found.verdict.events, found.verdict.hash) == (before.events, before.hash)
    assert {one: one.read_bytes() for one in left} == left, "what is damaged stays as it is"


def test_a_deleted_journal_is_put_back_whole_also_what_others_wrote(tmp_path: Path) -> None:
    out, early = tmp_path / "out", tmp_path / "early"
    with journal_in(tmp_path, *MORNING) as first:
        path = first.path
    with Journal.open(path, outbox=early):
        pass
    with Journal.open(path, outbox=out) as journal, Journal.open(path) as other:
        other.record({"kind": "noted", "text": "theirs", "at": 1400}, seat="lead@b")
        journal.refresh()
        journal.record({"kind": "noted", "text": "mine", "at": 1401})
        other.record({"kind": "noted", "text": "theirs again", "at": 1402}, seat="lead@b")
        journal.refresh()
        head = (journal.number, journal.hash)
    path.unlink()
    found = rescue(path, tmp_path / "new.sqlite", [early, out])
    assert found.missing == () and (found.verdict.events, found.verdict.hash) == head
    found = rescue(path, tmp_path / "less.sqlite", [early])
    assert found.verdict.events == len(MORNING), "this seat knew no more"


def test_what_is_no_journal_is_said(tmp_path: Path) -> None:
    (tmp_path / "noise").write_bytes(Random(1).randbytes(20_000))
    for name in ("noise", "nothing"):
        with pytest.raises(JournalError, match="the plan cannot be read, and no outbox knows this journal"):
            rescue(tmp_path / name, tmp_path / "new.sqlite", [tmp_path])
    assert not (tmp_path / "new.sqlite").exists()
