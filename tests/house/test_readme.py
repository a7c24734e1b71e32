"""What README.md and the pages behind it show works: commands, Python, queries; every command is shown."""

from __future__ import annotations

import re
import shlex
import sqlite3
from pathlib import Path

import pytest

from tests.house.tree import TOP, nobody, text
from tracker.cli.main import VERBS

README = text(TOP / "README.md")
GUIDE = text(TOP / "plans" / "GUIDE.md")
JOURNAL = text(TOP / "plans" / "JOURNAL.md")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", "\n".join((README, GUIDE, JOURNAL)), re.DOTALL)


def _lines(language: str) -> list[str]:
    return [line for block in _blocks(language) for line in block.splitlines() if line.strip()]


def test_two_commands_start_from_nothing() -> None:
    start = [line for line in _lines("sh") if line.startswith("python3 -m venv")]
    assert len(start) == 2
    assert start[0].endswith("tracker run plans/larkspur.yaml")
    assert start[1].endswith("pytest -n 3")


def test_job_is_said_before_any_heading() -> None:
    first = README.split("\n\n")[1]
    assert not first.startswith("#")
    assert "excursion" in first


def test_every_command_has_a_row() -> None:
    rows = re.findall(r"^\| `tracker ([a-z]+)", README, re.MULTILINE)
    assert rows == list(VERBS)


def test_named_files_are_there() -> None:
    named = re.findall(r"(?:plans|tracker)/[\w/.-]+\.\w+", README + GUIDE)
    assert named
    nobody(path for path in named if not (TOP / path).is_file())


def test_scripted_excursion_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tracker.cli.main import main

    _stand_in(tmp_path, monkeypatch)
    commands = [line for line in _lines("sh") if line.startswith("tracker ")]
    assert len(commands) >= 4
    for line in commands:
        assert main(shlex.split(line)[1:]) == 0, line


def test_python_runs_after_the_scripted_excursion(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracker.cli.main import main

    _stand_in(tmp_path, monkeypatch)
    for line in (line for line in _lines("sh") if line.startswith("tracker record")):
        assert main(shlex.split(line)[1:]) == 0
    capsys.readouterr()
    (block,) = _blocks("python")
    exec(compile(block, "README.md", "exec"), {})
    p90, safe = capsys.readouterr().out.split()
    assert float(p90) > 600
    assert 0 <= float(safe) <= 1


def test_the_journal_tables_have_the_columns_that_are_told(example: Path) -> None:
    rows = re.findall(
        r"^\| `(events|as_run|as_spent|journal|estimates)` \| [^|]+ \| (.*) \|$", JOURNAL, re.MULTILINE
    )
    assert len(rows) == 5
    with sqlite3.connect(f"file:{example}?mode=ro", uri=True) as database:
        for table, told in rows:
            there = [row[1] for row in database.execute(f"PRAGMA table_info({table})")]
            keys = {("estimates", "id"), ("estimates", "digest"), ("journal", "one")}
            own = [name for name in there if (table, name) not in keys]
            assert re.findall(r"`(\w+)`", told) == own
    database.close()


def test_queries_run(example: Path) -> None:
    queries = [query for block in _blocks("sql") for query in block.split("\n\n")]
    assert queries
    with sqlite3.connect(f"file:{example}?mode=ro", uri=True) as database:
        for query in queries:
            database.execute(query).fetchall()
    database.close()


def _stand_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in a folder that has the plans and room for journals."""
    (folder / "plans").symlink_to(TOP / "plans")
    (folder / "logs").mkdir()
    monkeypatch.chdir(folder)
