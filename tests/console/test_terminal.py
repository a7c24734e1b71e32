"""The desk in a real terminal: ticks reach the disk, and every way to end it leaves the terminal clean."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.terminal import BOUNCE_S, Terminal
from tracker.journal.journal import Journal

HERE = Path(__file__).parent
PLAN = HERE / "heron.yaml"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Terminal]:
    words = ("run", str(PLAN), "--journal", "one.sqlite", "--seat", "here")
    with Terminal(*words, cwd=tmp_path) as terminal:
        terminal.until("z starts the clock")
        yield terminal


def leave(desk: Terminal) -> tuple[str, int]:
    """Return all that was written to the terminal, and the exit status."""
    desk.press_s("q", "q again")
    desk.rest(BOUNCE_S)
    desk.send("q")
    return desk.end()


def press(desk: Terminal, keys: str, first: int = 1) -> None:
    """Press keys of which each writes an entry, the first of this number."""
    for number, key in enumerate(keys, first):
        desk.press_s(key, f"entry {number} saved")


def kinds(path: Path) -> list[str]:
    with Journal.open(path, read_only=True) as journal:
        return [event.kind for event in journal.fold.recorded]


def test_ticks_reach_the_disk_and_leaving_says_how_to_go_on(desk: Terminal, tmp_path: Path) -> None:
    """Neither bytes that are no text nor a window that changes its size is in the way of it."""
    press(desk, "z13")
    desk.send(b"\x1b[M\xff\xfe\x80")
    desk.press_s("2", "2 again ticks Fetch the tool bag")
    desk.rest(BOUNCE_S)
    press(desk, "2", 4)
    # Each says something else than what stands there.
    for size, key, words in (
        ((30, 10), "z", "the clock runs since"),
        ((200, 55), "u", "took back 4"),
        ((20, 6), "U", "on record again"),
        ((80, 24), "z", "the clock runs since"),
    ):
        desk.resize(*size)
        desk.press_s(key, words)
    said, status = leave(desk)
    assert status == 0 and "Traceback" not in said
    assert "tracker run one.sqlite" in said
    assert said.index("\x1b[?1049l") < said.index("journal: one.sqlite")
    assert kinds(tmp_path / "one.sqlite") == ["zero", *["done"] * 3, *["withdrawn"] * 2]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_leaves_a_clean_terminal(desk: Terminal, tmp_path: Path, number: signal.Signals) -> None:
    press(desk, "z1")
    desk.child.kill(number)
    said, status = desk.end()
    assert status == 128 + number
    for off in ("\x1b[?1049l", "\x1b[?25h", "\x1b[?1000l"):
        assert off in said
    assert "Traceback" not in said
    assert kinds(tmp_path / "one.sqlite") == ["zero", "done"]


def test_it_goes_on_where_it_stood_after_it_was_killed(desk: Terminal, tmp_path: Path) -> None:
    press(desk, "z13")
    desk.child.kill(signal.SIGKILL)
    desk.end()
    with Terminal("run", "one.sqlite", cwd=tmp_path) as again:
        again.until("entry 3 saved")
        again.press_s("2", "2 again ticks Fetch the tool bag")
        again.rest(BOUNCE_S)
        press(again, "2", 4)
        assert leave(again)[1] == 0
    assert kinds(tmp_path / "one.sqlite") == ["zero", "done", "done", "done"]


@pytest.mark.parametrize(
    ("text", "words"),
    [("foo: [", "bad.yaml:1:"), ("format: 1\n", "bad.yaml:"), ("", "bad.yaml")],
)
def test_a_bad_plan_is_told_in_lines_after_the_screen_is_gone(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "bad.yaml").write_text(text)
    said, status = Terminal("run", "bad.yaml", cwd=tmp_path, size=(200, 30)).end()
    assert status == 1
    after = said.split("\x1b[?1049l")[-1]
    assert words in after and "Traceback" not in said
    assert not (tmp_path / "logs").exists()


def test_a_journal_lies_in_logs_by_default(tmp_path: Path) -> None:
    with Terminal("run", str(PLAN), cwd=tmp_path) as terminal:
        terminal.until("z starts the clock")
        assert leave(terminal)[1] == 0
    assert [path.name[:6] for path in (tmp_path / "logs").iterdir()] == ["heron-"]


def test_a_desk_whose_terminal_is_gone_ends_and_loses_nothing(tmp_path: Path) -> None:
    """The line is cut while the screen is painted: what is still to be painted has nowhere to go."""
    played = ("rehearse", str(PLAN), "--speed", "200", "--surprise", "none", "--journal", "one.sqlite")
    terminal = Terminal(*played, cwd=tmp_path, size=(200, 55))
    terminal.until("REHEARSAL")
    terminal.press_s("L", "page 1 of")
    pid = int(terminal.child.pid or 0)
    # Nobody is told: a process that lost its terminal in a fault of the line hears of it when it writes.
    os.close(terminal.child.child_fd)
    terminal.child.child_fd = -1
    terminal.child.closed = True
    for _ in range(600):
        found, status = os.waitpid(pid, os.WNOHANG)
        if found:
            break
        time.sleep(0.1)
    else:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        raise AssertionError("it runs on without a terminal")
    assert os.WIFEXITED(status)
    with Journal.open(tmp_path / "one.sqlite", read_only=True) as journal:
        assert journal.fold.recorded
