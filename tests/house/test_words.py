"""What stands in the project speaks of the project alone, and every text is sound."""

from __future__ import annotations

import os
import re
from pathlib import Path

from tests.house.tree import TOP, name, nobody, text

SUFFIXES = {".py", ".md", ".yaml", ".yml", ".toml", ".csv", ".tcss", ".json", ".svg", ".txt", ""}
LEFT_OUT = {".git", ".venv", "venv", "build", "dist", "__pycache__", "logs", ".hypothesis"}

MACHINE_PATH = re.compile(r"(?<![\w./~-])/(?:home|root|tmp|mnt|work|farm|Users|var|opt)/\w")
UNFINISHED = re.compile(r"\b(?:TO" + r"DO|FIX" + r"ME|XX" + r"X)\b")


def _texts() -> list[Path]:
    """Return every text file of the project."""
    found = []
    for folder, inner, files in os.walk(TOP):
        inner[:] = [i for i in inner if i not in LEFT_OUT and not i.endswith(("_cache", ".egg-info"))]
        found += [
            Path(folder, file) for file in files if Path(file).suffix in SUFFIXES and file not in LEFT_OUT
        ]
    return sorted(found)


TEXTS = _texts()


def test_the_project_is_found() -> None:
    assert {"README.md", "pyproject.toml", ".ci/run", "tracker/__init__.py"} <= {name(path) for path in TEXTS}


def test_names_no_place_of_one_machine() -> None:
    nobody(name(path) for path in TEXTS if MACHINE_PATH.search(text(path)))


def test_nothing_is_marked_as_unfinished() -> None:
    nobody(name(path) for path in TEXTS if UNFINISHED.search(text(path)))


def test_top_level_holds_only_what_belongs_there() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "tracker", "tests", "plans", "logs"}
    made = {"build", "dist", "venv"}
    here = {p.name for p in TOP.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")}
    assert here - made == allowed
