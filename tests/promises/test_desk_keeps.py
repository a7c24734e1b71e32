"""Promise: a desk says of every press whether it is saved, kept here or unsaved, and loses none of them."""

from __future__ import annotations

import queue
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.disk import FULL, Deed, watched
from tests.files import write_ahead
from tests.journals import MORNING, done
from tests.journals import journal as journal_in
from tracker.cli.run import show
from tracker.console.pending import PendingWrite
from tracker.console.session import Session
from tracker.console.writer import (
    Job,
    Opened,
    Report,
    TakenBack,
    Told,
    Undecided,
    Unsaved,
    Writer,
    Written,
)
from tracker.foundation.errors import JournalError
from tracker.foundation.times import parse_instant
from tracker.journal.journal import Journal
from tracker.journal.kept_press import Kept
from tracker.journal.seat import sit
from tracker.journal.sqlite import SqliteStore

PRESSED = parse_instant("2031-05-04T14:30:00.250Z")
NOTE = {"kind": "noted", "text": "glare", "at": 1400}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with journal_in(tmp_path, *MORNING) as made:
        return made.path


def no_disk(store: object) -> Any:
    raise JournalError("the disk is full")


def begun(path: Path, folder: Path) -> tuple[Writer, queue.Queue[Report]]:
    heard: queue.Queue[Report] = queue.Queue()
    writer = Writer(lambda: Journal.open(path), "op@desk", heard.put, folder)
    writer.start()
    return writer, heard


def until(heard: queue.Queue[Report], wanted: type[Report] | type[Any]) -> Any:
    """The next report of a kind."""
    while not isinstance(report := heard.get(timeout=60), wanted):
        pass
    return report


def test_what_the_journal_refuses_is_kept_here_and_sent_by_the_next_desk(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer, heard = begun(path, tmp_path / "out")
    assert until(heard, Opened).seat == "op@desk"
    monkeypatch.setattr(SqliteStore, "turn", no_disk)
    writer.submit(Job(1, (NOTE,), PRESSED))
    writer.submit(Job(2, ({**NOTE, "text": "again"},), PRESSED))
    report = until(heard, Unsaved)
    assert (report.words, report.kept) == ("the disk is full", True)
    assert [job.token for job in writer.stop()] == [1, 2]
    assert writer.kept_in is not None and writer.kept_in.exists()
    monkeypatch.undo()
    writer, heard = begun(path, tmp_path / "out")
    assert until(heard, Opened).progress.number == len(MORNING) + 2
    assert "and saved: events 13 to 14" in until(heard, Told).words
    assert writer.stop() == ()


def test_for_whom_a_write_waits_is_told_once_not_with_every_try(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.journal.sqlite_files._TELL_S", 0.05)
    monkeypatch.setattr("tracker.journal.sqlite_files._PATIENCE_S", 0.2)
    writer, heard = begun(path, tmp_path / "out")
    until(heard, Opened)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.submit(Job(1, (NOTE,), PRESSED))
        said: list[Report] = []
        while sum(isinstance(report, Unsaved) for report in said) < 3:
            said.append(heard.get(timeout=60))
        other.execute("ROLLBACK")
    until(heard, Written)
    assert sum(isinstance(report, Told) and "waits for" in report.words for report in said) == 1
    assert writer.stop() == ()


def test_a_journal_with_a_file_beside_it_is_told_of_once(path: Path, tmp_path: Path) -> None:
    write_ahead(path)
    with closing(sqlite3.connect(path)) as reader:
        assert reader.execute("SELECT count(*) FROM events").fetchone() == (len(MORNING),)
        writer, heard = begun(path, tmp_path / "out")
        said: list[Report] = [until(heard, Opened)]
        for token in (1, 2):
            writer.submit(Job(token, ({**NOTE, "text": f"{token}"},), PRESSED))
            while not isinstance(said[-1], Written):
                said.append(heard.get(timeout=60))
            said.append(said[0])
        assert writer.stop() == ()
    assert sum(isinstance(report, Told) and "copy both, or none" in report.words for report in said) == 1


def test_what_was_taken_back_is_not_sent(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer, heard = begun(path, tmp_path / "out")
    monkeypatch.setattr(SqliteStore, "turn", no_disk)
    writer.submit(Job(1, (NOTE,), PRESSED))
    until(heard, Unsaved)
    writer.cancel(1)
    until(heard, TakenBack)
    monkeypatch.undo()
    writer.submit(Job(2, ({**NOTE, "text": "kept"},), PRESSED))
    assert until(heard, Written).numbers == (13,)
    assert writer.stop() == ()
    with Journal.open(path, outbox=tmp_path / "out") as journal:
        assert [event.body["text"] for event in journal.fold.recorded[12:]] == ["kept"]


def test_a_rehearsal_keeps_no_outbox(tmp_path: Path) -> None:
    from tests.journals import plan

    writer = Writer(
        lambda: Journal.create(tmp_path / "one.sqlite", plan(), rehearsal=True),
        None,
        lambda report: None,
        tmp_path / "out",
    )
    writer.start()
    writer.stop()
    assert writer.kept_in is None and not (tmp_path / "out").exists()


def test_two_desks_of_one_account_are_two_seats_and_undo_reaches_its_own(path: Path, tmp_path: Path) -> None:
    one, heard = begun(path, tmp_path / "out")
    first = until(heard, Opened).seat
    two, other = begun(path, tmp_path / "out")
    second = until(other, Opened).seat
    assert (first, second) == ("op@desk", "op@desk/2")
    one.submit(Job(1, (NOTE,), PRESSED))
    progress = until(heard, Written).progress
    two.submit(Job(1, ({**NOTE, "text": "mine"},), PRESSED))
    progress = until(other, Written).progress
    assert [event.number for event in progress.fold.undo(first)] == [13]
    assert [event.number for event in progress.fold.undo(second)] == [14]
    one.stop(), two.stop()


def _session() -> Session:
    def nothing(*_: object) -> None:
        pass

    return Session("op@desk", nothing, nothing, nothing, nothing)


@pytest.mark.parametrize(
    ("kept", "words"), [(True, "kept here: the disk is full"), (False, "unsaved: the disk is full")]
)
def test_the_desk_says_which_it_is(kept: bool, words: str, path: Path) -> None:
    session = _session()
    with Journal.open(path) as journal:
        session.take(Opened(str(path), journal.progress(), "op@desk"), 0.0)
    session._queue.jobs[1] = PendingWrite(Job(1, (NOTE,), PRESSED), "note: glare", (), 0.0)
    session.take(Unsaved(1, "the disk is full", kept), 1.0)
    disk = session.scene(PRESSED, 1.0).disk
    assert (disk.kept, disk.unsaved) == ((1, 0) if kept else (0, 1))
    assert session.said.startswith(words)


@pytest.mark.parametrize(
    ("on_disk", "was_refused", "lines"),
    [
        ((1, 2), 0, ["kept here: 1", "kept here: 2", "not in the journal, but in OUTBOX: the next desk"]),
        ((1,), 0, ["kept here: 1", "not on disk: 2", "not in the journal, but in OUTBOX: the next desk"]),
        ((), 0, ["not on disk: 1", "not on disk: 2"]),
        (
            None,
            1,
            ["pressed 2031-05-04T14:30:00.250Z by op, refused since", "to be decided on at the next desk"],
        ),
        (None, 0, []),
    ],
)
def test_the_goodbye_says_of_every_press_where_it_lies_and_the_exit_status_is_1(
    on_disk: tuple[int, ...] | None,
    was_refused: int,
    lines: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    from tracker.console import app, session

    left = (
        ()
        if on_disk is None
        else tuple(Job(n, ({"kind": "noted", "text": f"{n}"},), PRESSED) for n in (1, 2))
    )

    class Runtime:
        failed = ()
        kept_in = tmp_path / "out" / "one.sqlite"

        def __init__(self, *_: object, **__: object) -> None:
            self.session = _session()
            self.session.path = "\x1b[2Jone.sqlite"
            refused = Kept("j", PRESSED, "op", (NOTE,), "refused", "done already")
            self.session.refusals.presses = (refused,) * was_refused

        def keeps(self, job: Job) -> bool:
            return job.token in (on_disk or ())

        def stop(self) -> tuple[Job, ...]:
            return left

    class App:
        return_code, fault = 0, None

        def __init__(self, *_: object) -> None:
            pass

        run: Callable[[object], None] = lambda self: None

    monkeypatch.setattr(session, "DeskRuntime", Runtime)
    monkeypatch.setattr(app, "TrackerApp", App)
    monkeypatch.setattr("tracker.console.desk.Desk", lambda *words: None)
    monkeypatch.setenv("TRACKER_SETTINGS", "")
    assert show(lambda: None, None, "x", outbox=tmp_path) == bool(lines)  # type: ignore[arg-type,return-value]
    out, err = capsys.readouterr()
    assert out == "journal: ?[2Jone.sqlite\ngo on:   tracker run ?[2Jone.sqlite\n"
    said = err.replace('{"kind": "noted", "text": "', "").replace(str(Runtime.kept_in), "OUTBOX")
    pairs = zip(said.splitlines(), lines, strict=True)
    assert all(line.startswith(wanted) for line, wanted in pairs), said


def test_a_desk_whose_outbox_disk_is_full_goes_on_and_says_so(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    writer, heard = begun(path, folder)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(SqliteStore, "turn", no_disk)
        writer.submit(Job(1, (done("trays.walk", 1400),), PRESSED))
        until(heard, Unsaved)
        assert [writer.keeps(job) for job in writer.stop()] == [True]
    with Journal.open(path) as journal:
        journal.record(done("trays.walk", 1390), seat="lead")
    full = [True]

    def refuses(deed: Deed) -> int:
        return FULL if full[0] and deed.kind == "write" and deed.path.startswith(str(folder)) else 0

    with watched(tmp_path) as disk:
        disk.refuses = refuses
        writer, heard = begun(path, folder)
        assert "the outbox cannot be written" in until(heard, Told).words
        assert [press.events for press in until(heard, Undecided).presses] == [(done("trays.walk", 1400),)]
        for n, was in ((14, True), (15, False)):
            full[0] = was
            writer.submit(Job(n, (NOTE,), PRESSED))
            assert until(heard, Written).numbers == (n,)
        assert writer.stop() == ()
    with Journal.open(path) as journal:
        sit(journal, folder, "op@desk")
        assert len(journal.sitting.refused()) == 1 and journal.number == 15
