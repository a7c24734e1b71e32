"""`tracker run` without a terminal, and with words that do not fit together."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

PLAN = Path(__file__).parent / "heron.yaml"


def run(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tracker", "run", *words]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=cwd, stdin=subprocess.DEVNULL, check=False
    )


def test_without_a_terminal_it_says_so(tmp_path: Path) -> None:
    done = run(str(PLAN), cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.startswith("tracker run needs a terminal")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("name", "text"), [("none.yaml", None), ("bad.yaml", "format: 1\n"), ("dir", "/")])
def test_a_source_that_is_no_good_is_one_line_a_fault(tmp_path: Path, name: str, text: str | None) -> None:
    if text == "/":
        (tmp_path / name).mkdir()
    elif text is not None:
        (tmp_path / name).write_text(text)
    done = run(name, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr and "Traceback" not in done.stderr


def test_nothing_heavy_is_imported_before_the_first_frame() -> None:
    code = (
        "import sys, tracker.cli.run, tracker.console.desk\n"
        "heavy = {'numpy', 'sqlite_utils', 'sqlite3', 'ruamel', 'pydantic', 'matplotlib'}\n"
        "print(sorted(heavy & {name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
