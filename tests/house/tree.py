"""The project's files as the house's tests read them: each is opened and parsed once."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
PROGRAM = sorted((TOP / "tracker").rglob("*.py"))
TESTS = sorted((TOP / "tests").rglob("*.py"))
EVERYTHING = PROGRAM + TESTS

Function = ast.FunctionDef | ast.AsyncFunctionDef


def name(path: Path) -> str:
    """Return a file's name as seen from the top of the checkout."""
    return path.relative_to(TOP).as_posix()


@cache
def text(path: Path) -> str:
    """Return what stands in a file."""
    return path.read_text(encoding="utf-8")


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Return every node of a file, the module first."""
    return tuple(ast.walk(ast.parse(text(path))))


def functions(paths: Iterable[Path]) -> Iterator[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef]]:
    """Yield every function and method with the place where it stands."""
    for path in paths:
        for node in nodes(path):
            if isinstance(node, Function):
                yield f"{name(path)}:{node.lineno} {node.name}", node


def classes(paths: Iterable[Path]) -> Iterator[tuple[str, ast.ClassDef]]:
    """Yield every class with the place where it stands."""
    for path in paths:
        for node in nodes(path):
            if isinstance(node, ast.ClassDef):
                yield f"{name(path)}:{node.lineno} {node.name}", node


def lines(node: ast.stmt) -> int:
    """Return how many lines a definition takes."""
    assert node.end_lineno is not None
    return node.end_lineno - node.lineno + 1


def nobody(offenders: Iterable[str]) -> None:
    """Fail with every offender by name, a line each."""
    found = list(offenders)
    assert not found, "\n".join(("", *found))
