"""Files, classes and functions stay small; errors are not swallowed; every test is collected."""

from __future__ import annotations

import ast
import statistics
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
PROGRAM = sorted((TOP / "tracker").rglob("*.py"))
TESTS = sorted((TOP / "tests").rglob("*.py"))
EVERYTHING = PROGRAM + TESTS

Function = ast.FunctionDef | ast.AsyncFunctionDef


def _name(path: Path) -> str:
    return str(path.relative_to(TOP))


def _nodes(path: Path) -> Iterator[ast.AST]:
    return ast.walk(ast.parse(path.read_text(encoding="utf-8")))


def _lines(node: ast.stmt) -> int:
    assert node.end_lineno is not None
    return node.end_lineno - node.lineno + 1


@pytest.mark.parametrize("path", EVERYTHING, ids=_name)
def test_file_is_short(path: Path) -> None:
    assert path.read_text(encoding="utf-8").count("\n") < (300 if path in PROGRAM else 400)


@pytest.mark.parametrize("path", PROGRAM, ids=_name)
def test_functions_and_classes_are_short(path: Path) -> None:
    for node in _nodes(path):
        if isinstance(node, Function):
            assert _lines(node) <= 40, f"{node.name}: {_lines(node)} lines"
        elif isinstance(node, ast.ClassDef):
            assert _lines(node) < 250, f"{node.name}: {_lines(node)} lines"


def test_median_function_is_short() -> None:
    sizes = [_lines(node) for path in PROGRAM for node in _nodes(path) if isinstance(node, Function)]
    assert statistics.median(sizes) <= 10


def _swallows(handler: ast.ExceptHandler) -> bool:
    """Whether a handler names no error, or does nothing with a broad one."""
    if handler.type is None:
        return True
    idle = all(isinstance(line, ast.Pass) for line in handler.body)
    broad = isinstance(handler.type, ast.Name) and handler.type.id in ("Exception", "BaseException")
    quiet = all(isinstance(line, ast.Pass | ast.Continue | ast.Return | ast.Break) for line in handler.body)
    return idle or (broad and quiet)


@pytest.mark.parametrize("path", EVERYTHING, ids=_name)
def test_no_error_is_swallowed(path: Path) -> None:
    for node in _nodes(path):
        if isinstance(node, ast.ExceptHandler):
            assert not _swallows(node), f"line {node.lineno} swallows an error"


@pytest.mark.parametrize("path", PROGRAM, ids=_name)
def test_every_module_says_what_it_is_for(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", TESTS, ids=_name)
def test_every_test_is_collected(path: Path) -> None:
    tests = [
        node.name for node in _nodes(path) if isinstance(node, Function) and node.name.startswith("test_")
    ]
    if path.name.startswith("test_"):
        assert tests, "a test file without a test"
        assert len(tests) == len(set(tests)) or any(isinstance(n, ast.ClassDef) for n in _nodes(path))
    else:
        assert not tests, "tests in a file that pytest does not collect"
