"""`tracker watch` from the command line: one line for what is at fault, and the view in a real terminal."""

from __future__ import annotations

import sys
from pathlib import Path

import pexpect
import pytest

from tests.journals import MORNING, journal
from tracker.cli.main import main


@pytest.fixture
def path(tmp_path: Path) -> Path:
    journal(tmp_path, *MORNING[:4]).close()
    return tmp_path / "one.sqlite"


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("--at", "ten"), 1, "write H:MM"),
        (("--visitors", "3"), 2, "--visitors goes with --serve"),
        (("--serve", ":0", "--visitors", "0"), 2, "at least 1"),
        (("--serve", "nowhere:nothing"), 2, "is no place"),
        ((), 2, "needs a terminal"),
    ],
)
def test_what_is_wrong_is_one_line(
    path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], status: int, words: str
) -> None:
    assert main(["watch", str(path), *arguments]) == status
    err = capsys.readouterr().err
    assert words in err and err.count("\n") == 1


def test_a_file_that_is_no_journal_is_named_before_any_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.yaml").write_text("format: 1\n")
    assert main(["watch", str(tmp_path / "plan.yaml")]) == 1
    assert "plan.yaml" in capsys.readouterr().err


def test_the_view_in_a_terminal_leaves_it_clean(path: Path) -> None:
    child: pexpect.spawn[bytes] = pexpect.spawn(
        sys.executable,
        ["-m", "tracker", "watch", str(path), "--at", "0:09"],
        dimensions=(30, 100),
        timeout=60,
    )
    child.expect("AS OF 0:09:00")
    child.expect("Advisory only")
    child.send("q")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    assert b"\x1b[?1049l" in (child.before or b"")


def test_a_dropped_line_ends_it_in_good_order(path: Path) -> None:
    child: pexpect.spawn[bytes] = pexpect.spawn(
        sys.executable, ["-m", "tracker", "watch", str(path)], dimensions=(24, 80), timeout=60
    )
    child.expect("Advisory only")
    child.kill(15)
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 128 + 15
    assert b"\x1b[?1049l" in (child.before or b"")
