"""The desk in a real terminal: ticks reach the disk, and every way to end it leaves the terminal clean."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pytest

from tracker.journal.journal import Journal

HERE = Path(__file__).parent
PLAN = HERE / "heron.yaml"


class Terminal:
    """`tracker` in a pseudo-terminal."""

    def __init__(self, *words: str, cwd: Path, size: tuple[int, int] = (24, 80)) -> None:
        env = {**os.environ, "TERM": "xterm-256color"}
        command = ["-m", "tracker", *words]
        self.child: pexpect.spawn[bytes] = pexpect.spawn(
            sys.executable, command, dimensions=size, env=env, cwd=str(cwd), timeout=30
        )
        self.child.delaybeforesend = None
        self.heard = b""

    def wait_for(self, text: str) -> None:
        self.child.expect_exact(text)

    def press(self, *keys: str, pause: float = 0.4) -> None:
        for key in keys:
            self.child.send(key)
            self.listen(pause)

    def listen(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            try:
                self.heard += self.child.read_nonblocking(1 << 16, timeout=left)
            except (pexpect.TIMEOUT, pexpect.EOF):
                return

    def end(self) -> tuple[str, int]:
        """Return all that was printed, and the exit status."""
        rest = (self.heard + self.child.read()).decode("utf-8", "replace")
        self.child.close()
        return rest, self.child.exitstatus if self.child.exitstatus is not None else -1


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Terminal]:
    terminal = Terminal("run", str(PLAN), "--journal", "one.sqlite", "--seat", "here", cwd=tmp_path)
    terminal.wait_for("Fetch the tool bag")
    yield terminal
    terminal.child.close(force=True)


def kinds(path: Path) -> list[str]:
    with Journal.open(path, read_only=True) as journal:
        return [event.kind for event in journal.fold.recorded]


def test_ticks_reach_the_disk_and_leaving_says_how_to_go_on(desk: Terminal, tmp_path: Path) -> None:
    """Neither bytes that are no text nor a window that changes its size is in the way of it."""
    desk.press("z", "1", "2")
    desk.child.send(b"\x1b[M\xff\xfe\x80")
    desk.press("3")
    for rows, columns in ((10, 30), (55, 200), (24, 80)):
        desk.child.setwinsize(rows, columns)
        desk.child.kill(signal.SIGWINCH)
        desk.press("z")
    desk.press("u", "q", "q")
    said, status = desk.end()
    assert status == 0 and "Traceback" not in said
    assert "tracker run one.sqlite" in said
    assert said.index("\x1b[?1049l") < said.index("journal: one.sqlite")
    assert kinds(tmp_path / "one.sqlite") == ["zero", "done", "done", "done", "withdrawn"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_leaves_a_clean_terminal(desk: Terminal, tmp_path: Path, number: signal.Signals) -> None:
    desk.press("z", "1")
    desk.child.kill(number)
    said, status = desk.end()
    assert status == 128 + number
    for off in ("\x1b[?1049l", "\x1b[?25h", "\x1b[?1000l"):
        assert off in said
    assert "Traceback" not in said
    assert kinds(tmp_path / "one.sqlite") == ["zero", "done"]


def test_it_goes_on_where_it_stood_after_it_was_killed(desk: Terminal, tmp_path: Path) -> None:
    desk.press("z", "1", "2")
    desk.child.kill(signal.SIGKILL)
    desk.end()
    again = Terminal("run", "one.sqlite", cwd=tmp_path)
    again.wait_for("entry 3 saved")
    again.press("3", "q", "q")
    assert again.end()[1] == 0
    assert kinds(tmp_path / "one.sqlite") == ["zero", "done", "done", "done"]


@pytest.mark.parametrize(
    ("text", "words"),
    [("foo: [", "bad.yaml:1:"), ("format: 1\n", "bad.yaml:"), ("", "bad.yaml")],
)
def test_a_bad_plan_is_told_in_lines_after_the_screen_is_gone(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "bad.yaml").write_text(text)
    said, status = Terminal("run", "bad.yaml", cwd=tmp_path, size=(30, 200)).end()
    assert status == 1
    after = said.split("\x1b[?1049l")[-1]
    assert words in after and "Traceback" not in said
    assert not (tmp_path / "logs").exists()


def test_a_journal_lies_in_logs_by_default(tmp_path: Path) -> None:
    terminal = Terminal("run", str(PLAN), cwd=tmp_path)
    terminal.wait_for("Fetch the tool bag")
    terminal.press("q", "q")
    assert terminal.end()[1] == 0
    assert [path.name[:6] for path in (tmp_path / "logs").iterdir()] == ["heron-"]


def test_a_desk_whose_terminal_is_gone_ends_and_loses_nothing(tmp_path: Path) -> None:
    """The line is cut while the screen is painted: what is still to be painted has nowhere to go."""
    played = ("rehearse", str(PLAN), "--speed", "200", "--surprise", "none", "--journal", "one.sqlite")
    terminal = Terminal(*played, cwd=tmp_path, size=(55, 200))
    terminal.wait_for("REHEARSAL")
    terminal.child.send("L")
    terminal.listen(3.0)
    pid = int(terminal.child.pid or 0)
    # Nobody is told: a process that lost its terminal in a fault of the line hears of it when it writes.
    os.close(terminal.child.child_fd)
    terminal.child.child_fd = -1
    terminal.child.closed = True
    for _ in range(200):
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
