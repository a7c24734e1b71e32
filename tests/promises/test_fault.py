"""Promise: a fault of the program restores the terminal, says nothing of the plan, and names its report."""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

from tests.journals import MORNING
from tests.journals import journal as journal_in
from tests.terminal import Terminal
from tracker.console.terminal import reported
from tracker.foundation.times import parse_instant

AT = parse_instant("2031-05-04T14:30:00Z")


def broken() -> Exception:
    """An error that holds words of a plan."""
    try:
        secret = "Replace the hinge"
        raise RuntimeError(secret)
    except RuntimeError as error:
        return error


def test_the_report_is_as_private_as_the_journal_and_the_lines_tell_nothing(tmp_path: Path) -> None:
    with journal_in(tmp_path, *MORNING) as made:
        path = made.path
    said, where = reported(broken(), AT, path)
    report = tmp_path / "one.fault-20310504T143000Z.txt"
    assert where == f"report: {report}" and "RuntimeError" in said and "hinge" not in said
    assert stat.S_IMODE(report.stat().st_mode) == 0o600
    text = report.read_text()
    assert "in broken" in text and "Replace the hinge" in text


def test_where_nothing_can_be_written_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    said = reported(broken(), AT, tmp_path / "file" / "one.sqlite")
    assert said[1].startswith("no report could be written")


_BROKEN = """
import sys
from tracker.cli.main import main
from tracker.console.desk_actions import DeskActions
def leave(self):
    plan = "Replace the hinge"
    raise RuntimeError(plan)
DeskActions.leave = leave
sys.exit(main(["run", "one.sqlite"]))
"""


def test_a_desk_that_ends_by_a_fault_gives_the_terminal_back_and_goes_on_where_it_stood(
    tmp_path: Path,
) -> None:
    with journal_in(tmp_path, *MORNING):
        pass
    with Terminal(program=("-c", _BROKEN), env={"TRACKER_SETTINGS": ""}, cwd=tmp_path) as desk:
        desk.until("Sallow")
        desk.send("q")
        said, status = desk.end()
    heard = said.partition("\x1b[?1049l")[2]
    assert status == 1
    assert "fault of the program (RuntimeError)" in heard and "go on:   tracker run one.sqlite" in heard
    assert "hinge" not in heard and "Traceback" not in heard
    (report,) = tmp_path.glob("one.fault-*.txt")
    assert "Replace the hinge" in report.read_text() and stat.S_IMODE(report.stat().st_mode) == 0o600


_WORKING = """
import threading
import time

import numpy as np

from tracker.cli import main

def work():
    places = np.random.default_rng(1).integers(0, 600, size=(200, 600))
    while True:
        np.unique(places)

def left(arguments):
    for _ in range(3):
        threading.Thread(target=work, daemon=True).start()
    time.sleep(0.15)
    print("journal: one.sqlite")
    return 0

main._dispatch = left
main.command()
"""


def test_who_leaves_while_figures_are_worked_out_is_told_no_fault() -> None:
    ran = subprocess.run([sys.executable, "-c", _WORKING], capture_output=True, text=True, timeout=60)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "journal: one.sqlite\n", "")
