"""Many journals shared out among processes come to the same as one after the other."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import sys
from pathlib import Path

import pytest

from tracker.debrief import journals
from tracker.debrief.excursion import Excursion, Scoring
from tracker.debrief.journals import Job, debriefs, shared_out
from tracker.foundation.errors import TrackerError
from tracker.journal.place import Place

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only there journals are shared out")

SCORING = Scoring(instants=0, scenarios=50)


def _named(path: Place) -> str:
    return path.name


def _found(paths: list[Path]) -> list[Excursion]:
    return debriefs(paths, _named, SCORING)


@pytest.fixture
def shared(monkeypatch: pytest.MonkeyPatch) -> None:
    """Share out among two processes however few journals there are."""
    monkeypatch.setattr(journals, "_processes", lambda count: 2)


def test_few_journals_are_not_shared_out() -> None:
    assert journals._processes(20) == 1
    assert 1 <= journals._processes(1000) <= journals.MOST_PROCESSES


def test_shared_out_they_are_the_same_in_the_same_order(
    files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = _found(files)
    assert [one.journal for one in alone] == [path.name for path in files]
    assert all(one.judgement is not None for one in alone)
    for processes in (1, 2, 5):
        monkeypatch.setattr(journals, "_processes", lambda given, count=processes: count)
        assert _found(files) == alone


@pytest.mark.usefixtures("shared")
def test_every_fault_is_told_and_nothing_is_found(files: list[Path], tmp_path: Path) -> None:
    wrong = [tmp_path / "none.sqlite", tmp_path / "text.sqlite"]
    wrong[1].write_text("no journal")
    with pytest.raises(TrackerError) as error:
        _found([files[0], wrong[0], files[1], wrong[1]])
    assert [line.split(": ")[0] for line in error.value.lines] == list(map(str, wrong))


@pytest.mark.usefixtures("shared")
def test_a_copy_is_left_out(files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy.sqlite"
    shutil.copy(files[0], copy)
    assert [one.journal for one in _found([files[0], copy, files[1]])] == [files[0].name, files[1].name]
    assert f"{copy}: the same excursion as {files[0]}; left out" in capsys.readouterr().err


def test_what_a_process_that_ends_early_leaves_is_done_here(
    files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    here, really = os.getpid(), journals._done

    def done(job: Job) -> Excursion | TrackerError:
        if os.getpid() != here and job[0] != files[0]:
            os._exit(9)
        return really(job)

    alone = _found(files)
    monkeypatch.setattr(journals, "_done", done)
    assert list(shared_out([(path, path.name, SCORING) for path in files], 2)) == alone


def test_no_process_is_left_when_nobody_wants_the_rest(files: list[Path]) -> None:
    # More than can wait between two processes, so that none of them is done by itself.
    jobs = [(path, path.name, SCORING) for path in files * 40]
    found = shared_out(jobs, 2)
    assert isinstance(next(found), Excursion)
    assert len(multiprocessing.active_children()) == 2
    found.close()
    assert multiprocessing.active_children() == []
