"""What stands in the project speaks of the project alone, and every text is sound."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
SUFFIXES = {".py", ".md", ".yaml", ".toml", ".csv", ".tcss", ".json", ".svg", ".txt", ""}
LEFT_OUT = {".git", ".venv", "venv", "build", "dist", "__pycache__", "logs", ".hypothesis"}

MACHINE_PATH = re.compile(r"(?<![\w./~-])/(?:home|root|tmp|mnt|work|farm|Users|var|opt)/\w")
UNFINISHED = re.compile(r"\b(?:TO" + r"DO|FIX" + r"ME|XX" + r"X)\b")


def _texts() -> list[Path]:
    """Return every text file of the project."""
    found = []
    for path in sorted(TOP.rglob("*")):
        inner = path.relative_to(TOP).parts
        if LEFT_OUT.intersection(inner) or any(p.endswith(("_cache", ".egg-info")) for p in inner):
            continue
        if path.is_file() and path.suffix in SUFFIXES:
            found.append(path)
    return found


TEXTS = _texts()


def _name(path: Path) -> str:
    return str(path.relative_to(TOP))


def test_the_project_is_found() -> None:
    assert {"README.md", "pyproject.toml", ".ci/run"} <= {_name(path) for path in TEXTS}


@pytest.mark.parametrize("path", TEXTS, ids=_name)
def test_names_no_place_of_one_machine(path: Path) -> None:
    assert not MACHINE_PATH.search(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", TEXTS, ids=_name)
def test_nothing_is_marked_as_unfinished(path: Path) -> None:
    assert not UNFINISHED.search(path.read_text(encoding="utf-8"))


def test_top_level_holds_only_what_belongs_there() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "tracker", "tests", "plans", "logs"}
    made = {"build", "dist", "venv"}
    here = {p.name for p in TOP.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")}
    assert here - made == allowed
