"""Promise: what was pressed is on this seat's disk first, keeps its time, and is on record once."""

from __future__ import annotations

import fcntl
import io
import json
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.journals import MORNING, done
from tests.journals import journal as journal_in
from tracker.cli.main import main
from tracker.foundation import clock
from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.times import parse_instant
from tracker.journal.journal import Journal
from tracker.journal.kept_press import refused_words
from tracker.journal.outbox import Outbox
from tracker.journal.seat import sit
from tracker.journal.verify import copy, verify

NOTE = {"kind": "noted", "text": "glare", "at": 1400}
PRESSED, SENT = (parse_instant(f"2031-05-04T{time}Z") for time in ("14:30:00.250", "14:41:07.000"))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with journal_in(tmp_path, *MORNING) as made:
        return made.path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "out"


def jobs(folder: Path) -> list[tuple[Any, ...]]:
    """What stands in every outbox of a folder."""
    found = []
    for path in sorted(folder.glob("*.sqlite")):
        with closing(sqlite3.connect(path)) as db:
            found += db.execute("SELECT seat, state, first, last FROM jobs ORDER BY place").fetchall()
    return found


def test_a_press_is_kept_before_it_is_recorded_and_stays_sealed(path: Path, folder: Path) -> None:
    with Journal.open(path, outbox=folder) as journal:
        seat = journal.sitting.seat
        (number,) = journal.record_all([NOTE])
        (row,) = journal.rows([number])
    assert jobs(folder) == [(seat, "recorded", number, number)]
    (kept,) = folder.glob("*.sqlite")
    assert kept.name.startswith(journal.genesis.uuid) and "%40" in kept.name
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    with closing(sqlite3.connect(kept)) as db:
        assert json.loads(db.execute("SELECT rows FROM jobs").fetchone()[0])[0][-1] == row.hash
        assert db.execute("SELECT number, hash FROM head").fetchone() == (number, row.hash)


def test_no_outbox_is_kept_unless_one_is_asked_for(path: Path, no_state: Path) -> None:
    with Journal.open(path) as journal:
        journal.record(NOTE)
    assert list(no_state.rglob("*")) == []


def test_what_could_not_be_written_is_sent_by_the_next_sitting_with_its_time_and_once(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path, outbox=folder) as journal:
        monkeypatch.setattr(type(journal._store), "turn", _no_disk)
        for event in (done("trays.walk", 1400), {"kind": "noted", "text": "glare"}):
            with pytest.raises(JournalError, match="disk is full"):
                journal.record_all([event], utc_now=PRESSED)
        monkeypatch.undo()
    assert [state for _, state, _, _ in jobs(folder)] == ["waiting", "waiting"]
    monkeypatch.setattr(clock, "utc_now", lambda: SENT)
    with Journal.open(path) as journal:
        said = sit(journal, folder)
        assert said == ("kept here since 2031-05-04T14:30:00.250Z and saved: events 13 to 14",)
        assert [event.kind for event in journal.fold.recorded[12:]] == ["done", "noted"]
        # What the clock stamped stays at the press; on record it is since it was sent, for whoever asks what
        # was known when.
        assert {event.recorded for event in journal.fold.recorded[12:]} == {SENT}
        assert [event.at for event in journal.fold.recorded[12:]] == [1400, 1800]
    with Journal.open(path) as journal:
        assert sit(journal, folder) == () and journal.number == 14


def _no_disk(store: object) -> Any:
    raise JournalError("the disk is full")


@pytest.mark.parametrize("where", ["kept", "written"])
def test_a_program_killed_around_the_write_loses_nothing_and_writes_nothing_twice(
    where: str, path: Path, folder: Path
) -> None:
    code = """
import os, signal, sys
from pathlib import Path
from tracker.journal import journal
where, write = sys.argv[3], journal.Journal._attempt
def killed(self, *words):
    made = write(self, *words) if where == "written" else None
    os.kill(os.getpid(), signal.SIGKILL)
journal.Journal._attempt = killed
journal.Journal.open(sys.argv[1], outbox=sys.argv[2]).record({"kind": "noted", "text": "x", "at": 1400})
"""
    ran = subprocess.run([sys.executable, "-c", code, str(path), str(folder), where])
    assert ran.returncode == -signal.SIGKILL
    assert [state for _, state, _, _ in jobs(folder)] == ["waiting"]
    with Journal.open(path, outbox=folder) as journal:
        assert journal.number == len(MORNING) + 1
    assert [state for _, state, _, _ in jobs(folder)] == ["recorded"]


def test_each_sitting_at_a_seat_has_its_own_name_and_takes_up_what_another_left(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path, outbox=folder) as one, Journal.open(path, outbox=folder) as two:
        assert two.sitting.seat == f"{one.sitting.seat}/2"
        with monkeypatch.context() as patched:
            patched.setattr(type(two._store), "turn", _no_disk)
            with pytest.raises(JournalError):
                two.record_all([NOTE], utc_now=PRESSED)
        seat = two.sitting.seat
    with Journal.open(path, outbox=folder) as three:
        assert three.sitting.seat == one.sitting.seat
        (last,) = three.fold.recorded[12:]
        assert last.seat == seat and last.recorded == PRESSED


def test_what_contradicts_the_record_by_now_stays_until_it_is_decided_on(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path, outbox=folder) as journal, monkeypatch.context() as patched:
        patched.setattr(type(journal._store), "turn", _no_disk)
        with pytest.raises(JournalError):
            journal.record_all([done("trays.walk", 1400)], utc_now=PRESSED)
    with Journal.open(path) as other:
        other.record(done("trays.walk", 1390), seat="lead@b")
        number = other.number
        (said,) = sit(other, folder)
        assert other.number == number
        (press,) = other.sitting.refused()
        assert press.pressed == PRESSED and press.events == (done("trays.walk", 1400),)
        assert other.sitting.outbox is not None and other.sitting.outbox.waiting() == ()
    assert "2031-05-04T14:30:00.250Z" in said and "trays.walk" in said and "refused since" in said
    with Journal.open(path, outbox=folder) as third:
        assert third.sitting.refused() == (press,)
    assert verify(path, outboxes=folder).kept == (refused_words(press),)


def test_what_is_refused_at_once_waits_nowhere(path: Path, folder: Path) -> None:
    with Journal.open(path, outbox=folder) as journal:
        with pytest.raises(EventError):
            journal.record(done("no.such", 1400))
        assert journal.sitting.outbox is not None and journal.sitting.outbox.waiting() == ()


def test_an_outbox_that_cannot_be_written_is_said_and_holds_nothing_up(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path, outbox=folder) as journal:
        with monkeypatch.context() as patched:
            patched.setattr(Outbox, "put", _no_disk_for)
            assert journal.record(NOTE) == len(MORNING) + 1
        assert journal.sitting.trouble == "the disk is full"
        journal.record(NOTE)
    with Journal.open(path, outbox=folder) as journal:
        for kept in folder.glob("*.sqlite"):
            kept.unlink()
        assert journal.record(NOTE) == len(MORNING) + 3
        assert str(journal.sitting.trouble).endswith("was moved or deleted while it was open")
    blocked = folder / "file"
    blocked.write_text("")
    with pytest.raises(JournalError, match="no outbox can be kept here"):
        Journal.open(path, outbox=blocked)


def _no_disk_for(*_: object) -> None:
    raise JournalError("the disk is full")


def test_a_journal_that_was_put_back_or_cut_is_told_by_number_and_instant(path: Path, folder: Path) -> None:
    before = path.read_bytes()
    with Journal.open(path, outbox=folder) as journal:
        journal.record_all([NOTE], utc_now=PRESSED)
        journal.record_all([{**NOTE, "text": "again"}], utc_now=PRESSED)
    assert verify(path, outboxes=folder).fault is None
    path.write_bytes(before)
    lost = "event 13 and others up to event 14, on record at 2031-05-04T14:30:00.250Z, is missing or another"
    assert lost in str(verify(path, outboxes=folder).fault)
    assert verify(path).fault is None
    with Journal.open(path) as journal:
        (said,) = sit(journal, folder)
        assert lost in said
        # Also while somebody sits there, whose outbox is not to be had.
        assert "event 13" in str(verify(path, outboxes=folder).fault)


def test_a_copy_made_meanwhile_is_sound_as_far_as_it_goes(path: Path, folder: Path, tmp_path: Path) -> None:
    with Journal.open(path, outbox=folder) as journal:
        journal.record(NOTE)
        copy(path, tmp_path / "copy.sqlite")
        journal.record(NOTE)
    assert verify(tmp_path / "copy.sqlite", outboxes=folder).fault is None
    (tmp_path / "copy.sqlite").replace(path)
    assert "event 14, on record at" in str(verify(path, outboxes=folder).fault)


def test_a_closed_excursion_that_is_verified_needs_no_outbox(path: Path, folder: Path) -> None:
    with Journal.open(path, outbox=folder) as journal:
        journal.record({"kind": "closed", "at": 1500})
    assert verify(path, outboxes=folder).fault is None
    assert list(folder.iterdir()) == []


def test_what_waits_for_a_closed_excursion_outlives_its_verify(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal.open(path, outbox=folder) as journal:
        journal.record({"kind": "closed", "at": 1500})
        monkeypatch.setattr(type(journal._store), "turn", _no_disk)
        with pytest.raises(JournalError):
            journal.record_all([NOTE], utc_now=PRESSED)
    monkeypatch.undo()
    verdict = verify(path, outboxes=folder)
    assert verdict.fault is None and "to be sent by the next desk" in " ".join(verdict.kept)
    assert [state for _, state, _, _ in jobs(folder)] == ["recorded", "waiting"]


def test_a_lock_that_was_taken_away_while_it_was_waited_for_is_taken_anew(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock, taken_away = fcntl.flock, list[int]()

    def flock(handle: int, how: int) -> None:
        lock(handle, how)
        if not taken_away:
            taken_away.append(handle)
            next(folder.glob("*.lock")).unlink()

    monkeypatch.setattr(fcntl, "flock", flock)
    with Journal.open(path, outbox=folder) as one, Journal.open(path, outbox=folder) as two:
        assert two.sitting.seat == f"{one.sitting.seat}/2"


@pytest.mark.parametrize("end", [".sqlite", ".lock"])
def test_a_link_in_the_place_of_an_outbox_is_not_followed(end: str, path: Path, folder: Path) -> None:
    with Journal.open(path, outbox=folder):
        pass
    other = folder.parent / "other"
    other.write_bytes(b"")
    other.chmod(0o644)
    (kept,) = folder.glob(f"*{end}")
    kept.unlink()
    kept.symlink_to(other)
    with pytest.raises(JournalError, match=r"is a link, or somebody|no outbox can be kept here"):
        Journal.open(path, outbox=folder)
    assert other.read_bytes() == b"" and stat.S_IMODE(other.stat().st_mode) == 0o644


# The command


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main([str(word) for word in words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_record_names_its_job_and_writes_it_once(
    path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = "5f0c7a64-7a3c-4a4e-9d6f-3a0b6f1f8a11"
    words = ["record", path, "--outbox", folder, "--job", job, "noted", "text=glare", "--at", "0:24"]
    assert run(capsys, *words) == (0, "13\n", "")
    assert run(capsys, *words) == (0, "13\n", "")
    assert run(capsys, "record", path, "--job", "one", "noted", "text=x")[0] == 2


def test_record_says_where_a_press_is_kept_and_the_next_one_sends_it(
    path: Path, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracker.journal.sqlite import SqliteStore

    words = ["record", path, "--outbox", folder, "noted", "text=glare", "--at", "0:24"]
    with monkeypatch.context() as patched:
        patched.setattr(SqliteStore, "turn", _no_disk)
        status, out, err = run(capsys, *words)
    assert (
        (status, out) == (1, "")
        and "kept for this seat in" in err
        and "the next tracker here sends it" in err
    )
    status, out, err = run(capsys, *words)
    assert (status, out) == (0, "14\n") and "and saved: event 13" in err


@pytest.mark.parametrize("words", [["noted", "text=glare", "--at", "0:24"], ["--stdin"]])
def test_a_number_that_cannot_be_printed_is_told_and_what_follows_is_recorded(
    words: list[str],
    path: Path,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = b"".join(json.dumps({**NOTE, "text": text}).encode() + b"\n" for text in ("one", "two"))
    monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO(lines)))
    with open("/dev/full", "w") as full:
        monkeypatch.setattr("sys.stdout", full)
        status = main(["record", str(path), "--outbox", str(folder), *words])
    said = "event 13 is on record; its number, and later ones, cannot be printed: No space left on device\n"
    assert (status, capsys.readouterr().err) == (1, said)
    assert verify(path).events == (14 if words == ["--stdin"] else 13)


def test_a_seat_is_a_name_that_may_be_on_record_and_each_has_an_outbox(
    path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["record", path, "--outbox", folder, "noted", "text=glare", "--at", "0:24", "--seat"]
    assert run(capsys, *words, "\x1b[31mred")[2].startswith(
        "tracker record: `seat` holds a control character"
    )
    for n, seat in enumerate(["\U0001f600" * 99, "\U0001f600" * 98, "../../x"], 13):
        assert run(capsys, *words, seat) == (0, f"{n}\n", "")
    assert len(jobs(folder)) == 3


def test_the_state_folder_is_where_the_system_says(
    path: Path, no_state: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, "record", path, "noted", "text=glare", "--at", "0:24")[0] == 0
    (kept,) = (no_state / "tracker" / "outbox").glob("*.sqlite")
    assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700
