"""The rooms import one another only downwards, and light verbs stay light."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.house.tree import TOP, text

SCREEN = ("textual", "textual_serve", "rich")
SHEETS = ("openpyxl", "python_calamine", "sqlite_utils")
HEAVY = (*SCREEN, *SHEETS, "matplotlib", "scipy", "pandas", "simpy", "ortools")


def _fresh(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run code in an interpreter that has imported nothing yet."""
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=TOP, capture_output=True, text=True, timeout=120
    )


def _imported_by(*commands: list[str]) -> set[str]:
    """Return the top-level modules that commands have imported when they end; each has to succeed."""
    code = (
        "import json, sys\n"
        "from tracker.cli.main import main\n"
        "status = max(main(command) for command in json.loads(sys.argv[1]))\n"
        "print('\\nmodules:', *sorted({name.split('.')[0] for name in sys.modules}))\n"
        "sys.exit(status)"
    )
    ran = _fresh(code, json.dumps(commands))
    assert ran.returncode == 0, ran.stderr
    return set(ran.stdout.rsplit("modules:", 1)[1].split())


def test_import_contracts_hold() -> None:
    ran = _fresh(
        "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "0 broken" in ran.stdout


def test_overview_imports_nothing_heavy() -> None:
    heavy = (*HEAVY, "numpy", "pydantic", "sqlite3", "ruamel")
    assert not _imported_by(["--help"]).intersection(heavy)


def test_check_imports_no_screen_and_no_figures() -> None:
    plans = [path for path in sorted((TOP / "plans").glob("*.yaml")) if "\nexcursion:" in text(path)]
    assert len(plans) >= 3
    assert not _imported_by(*(["check", str(plan)] for plan in plans)).intersection(HEAVY)


def test_estimate_imports_no_screen_and_no_figures(example: Path) -> None:
    assert not _imported_by(["estimate", str(example), "--at", "0:30"]).intersection(HEAVY)


def test_record_computes_without_arrays(example: Path) -> None:
    used = _imported_by(["record", str(example), "noted", "text=written by a test", "--at", "0:30"])
    assert not used.intersection((*HEAVY, "numpy"))


def test_debrief_as_csv_draws_nothing(example: Path, tmp_path: Path) -> None:
    assert not _imported_by(["debrief", str(example), "--csv", str(tmp_path / "a.csv")]).intersection(HEAVY)


def test_the_desk_is_painted_before_plans_are_validated_or_arrays_loaded() -> None:
    code = (
        "import sys, tracker.console.desk, tracker.console.settings\n"
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    ran = _fresh(code)
    assert ran.returncode == 0, ran.stderr
    assert not set(ran.stdout.split()).intersection(("numpy", "pydantic", "sqlite3", "ruamel", "matplotlib"))
