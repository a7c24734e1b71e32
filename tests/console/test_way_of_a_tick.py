"""How many of the program's files a tick passes on its way from the key to disk, estimate and screen."""

from __future__ import annotations

import re
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

import tracker
from tests.house.tree import TOP, nobody, text
from tracker.forecast.estimate import estimate
from tracker.journal.journal import Journal
from tracker.plan.model import Plan

DEVELOPERS = text(TOP / "DEVELOPERS.md")
PROGRAM = str(Path(tracker.__file__).parent)
ALONE, WITH_SCREEN = 62, 108
"""Files that a tick and its estimate may pass at most, without a screen and with the desk's."""


class Passed:
    """The program's files that are entered, by all threads that begin after this one."""

    def __init__(self) -> None:
        self.files: set[str] = set()

    def note(self, frame: FrameType, event: str, arg: object) -> None:
        file = frame.f_code.co_filename
        if event == "call" and file.startswith(PROGRAM):
            self.files.add(file.removeprefix(PROGRAM + "/"))


@pytest.fixture
def passed() -> Iterator[Passed]:
    made, before = Passed(), sys.getprofile()
    threading.setprofile(made.note)
    sys.setprofile(made.note)
    yield made
    sys.setprofile(before)
    threading.setprofile(None)


def test_a_tick_and_its_estimate_pass_few_files(plan: Plan, tmp_path: Path, passed: Passed) -> None:
    with Journal.create(tmp_path / "one.sqlite", plan) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        journal.record({"kind": "done", "step": "egress.open", "at": 600})
        estimate(journal.fold.progress(), 700.0)
        passed.files.clear()
        journal.record({"kind": "done", "step": "egress.tools", "at": 1200})
        estimate(journal.fold.progress(), 1300.0)
    assert "journal/sqlite.py" in passed.files and "forecast/world.py" in passed.files
    assert len(passed.files) <= ALONE, "\n".join(sorted(passed.files))
    nobody(sorted(file for file in passed.files if not _is_told(file)))


def _is_told(file: str) -> bool:
    """Whether DEVELOPERS.md names a file on the way of a tick; of the foundation it need not."""
    if file.startswith("journal/folding/"):
        (listed,) = re.findall(r"journal/folding/ \(([^)]*)\)", DEVELOPERS)
        return Path(file).stem in listed.split(", ")
    return file in DEVELOPERS or file.startswith("foundation/")


async def test_with_the_desk_it_is_few_as_well(at_desk: Callable[..., Any], passed: Passed) -> None:
    async with at_desk(estimates=True) as at:
        await at.press("z", "1")
        session = at.desk.runtime.session
        await at.until(lambda: session.snapshot.progress.number == 2)
        passed.files.clear()
        await at.press(600, "2")
        await at.until(lambda: session.snapshot.progress.number == 3)
        await at.painted()
    assert {"console/view/steps.py", "forecast/world.py", "journal/sqlite.py"} <= passed.files
    assert len(passed.files) <= WITH_SCREEN, "\n".join(sorted(passed.files))
