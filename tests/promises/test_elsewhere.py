"""Promise: a journal whose place is gone or refuses goes on in another, whole, and says where it was."""

from __future__ import annotations

import queue
from pathlib import Path

import pytest

from tests.journals import MORNING
from tests.journals import journal as journal_in
from tests.promises.test_desk_keeps import NOTE, PRESSED, begun, no_disk, until
from tracker.console.writer import RETRY_S, Aside, Failed, Job, Opened, Report, Told, Unsaved, Written
from tracker.journal.journal import Journal
from tracker.journal.sqlite import SqliteStore
from tracker.journal.verify import verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with journal_in(tmp_path, *MORNING) as made:
        return made.path


def told(heard: queue.Queue[Report], part: str) -> str:
    """What is said that has some words in it."""
    said: list[str] = []
    while len(said) < 8:
        report = heard.get(timeout=60)
        said += [report.words] if isinstance(report, (Told, Aside)) else []
        if said and part in said[-1]:
            return said[-1]
    raise AssertionError(said)


def test_a_deleted_journal_is_told_and_goes_on_whole_in_another_place(path: Path, tmp_path: Path) -> None:
    writer, heard = begun(path, tmp_path / "out")
    assert until(heard, Opened).seat == "op@desk"
    other, heard_there = begun(path, tmp_path / "out")
    assert until(heard_there, Opened).seat == "op@desk/2"
    writer.submit(Job(1, (NOTE,), PRESSED))
    until(heard, Written)
    before, head = path.read_bytes(), _head(path)
    path.unlink()
    assert RETRY_S <= 1.0, "it is looked at every second"
    assert "was moved or deleted while it was open" in told(heard, "deleted")
    writer.submit(Job(2, ({**NOTE, "text": "kept"},), PRESSED))
    assert until(heard, Unsaved).kept
    target = tmp_path / "two.sqlite"
    writer.go_elsewhere(str(target))
    assert until(heard, Opened).path == str(target)
    assert until(heard, Written).numbers == (len(MORNING) + 3,)
    assert f"another seat goes on in {target}" in told(heard_there, "goes on in")
    assert writer.stop() == () and other.stop() == ()
    with Journal.open(target) as there:
        texts = [event.body.get("text", "") for event in there.fold.recorded[-3:]]
        assert texts[0] == "glare" and texts[2] == "kept"
        assert texts[1].startswith(f"goes on here from {path}, which ended at {head}: ")
    assert verify(target, outboxes=tmp_path / "out").fault is None
    # Whoever brings the old file back is told that it is another history.
    path.write_bytes(before)
    with Journal.open(path) as back:
        back.record({**NOTE, "text": "and more of it"})
    writer, heard = begun(path, tmp_path / "out")
    words = f"is another history by now: this user went on in {target}"
    assert until(heard, Failed).lines == (f"{path}: {words}; open that",)
    assert verify(path, outboxes=tmp_path / "out").fault == words


def _head(path: Path) -> str:
    with Journal.open(path, read_only=True) as journal:
        return f"{journal.number}:{journal.hash}"


def test_a_place_that_takes_what_is_written_is_not_left(path: Path, tmp_path: Path) -> None:
    writer, heard = begun(path, tmp_path / "out")
    writer.go_elsewhere(str(tmp_path / "two.sqlite"))
    assert "takes what is written: it goes on there" in told(heard, "goes on")
    assert writer.stop() == () and not (tmp_path / "two.sqlite").exists()


def test_a_place_that_holds_something_is_refused_and_what_waits_stays(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer, heard = begun(path, tmp_path / "out")
    with monkeypatch.context() as patched:
        patched.setattr(SqliteStore, "turn", no_disk)
        writer.submit(Job(1, (NOTE,), PRESSED))
        assert until(heard, Unsaved).kept
        writer.go_elsewhere(str(path))
        assert "it does not go on there" in told(heard, "does not")
    assert until(heard, Written).numbers == (len(MORNING) + 1,)
    assert writer.stop() == ()
