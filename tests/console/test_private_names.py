"""Private names of libraries: only two files go by them, and the versions that are pinned have them."""

from __future__ import annotations

import ast
import importlib
import inspect
import tomllib
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import pytest
import textual_serve.app_service
from textual import _compositor, events
from textual.app import App
from textual.driver import Driver
from textual.drivers import linux_driver

TOP = Path(__file__).parents[2]
MAY = ("terminal.py", "serve.py")
CONSOLE = sorted((TOP / "tracker" / "console").rglob("*.py"))


def test_the_names_are_there() -> None:
    for name in (
        "_display",
        "_check_bindings",
        "_handle_exception",
        "_fatal_error",
        "_close_messages_no_wait",
    ):
        assert inspect.isfunction(getattr(App, name)), name
    assert inspect.isfunction(events.Key._set_forwarded)
    assert {"chops", "spans", "chop_ends"} <= set(inspect.signature(_compositor.ChopsUpdate).parameters)
    assert "getincrementaldecoder" in vars(linux_driver)
    assert "self._file = " in inspect.getsource(linux_driver.LinuxDriver)
    assert "self._loop = " in inspect.getsource(Driver)
    service = textual_serve.app_service.AppService
    for name in ("_open_app_process", "_build_environment"):
        assert inspect.isfunction(getattr(service, name)), name
    written = inspect.getsource(service)
    assert "self._process:" in written and "self._stdin:" in written


@pytest.mark.parametrize("package", ["textual", "textual-serve"])
def test_the_versions_are_pinned_exactly(package: str) -> None:
    needs = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert f"{package}=={version(package)}" in needs


def _private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__")


def _own_names() -> set[str]:
    """Return the private names that the program itself gives."""
    found = set()
    for path in (TOP / "tracker").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                found.add(node.name)
            elif isinstance(node, ast.Attribute | ast.Name) and isinstance(node.ctx, ast.Store):
                found.add(node.attr if isinstance(node, ast.Attribute) else node.id)
    return found


def _used() -> Iterator[str]:
    """Yield the places where a private name is used that is not the program's own."""
    own = _own_names()
    for path in CONSOLE:
        if path.name in MAY:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and _private(node.attr) and node.attr not in own:
                yield f"{path.name}:{node.lineno} {node.attr}"
            elif isinstance(node, ast.ImportFrom) and any(map(_private, (node.module or "").split("."))):
                yield f"{path.name}:{node.lineno} {node.module}"


def _overridden() -> Iterator[str]:
    """Yield the methods that stand in the place of a library's private ones."""
    for path in CONSOLE:
        if path.name in MAY:
            continue
        module = importlib.import_module(".".join(path.relative_to(TOP).with_suffix("").parts))
        for _, kind in inspect.getmembers(module, inspect.isclass):
            theirs = [base for base in kind.__mro__ if not base.__module__.startswith("tracker")]
            if kind.__module__ != module.__name__:
                continue
            for name, member in vars(kind).items():
                if inspect.isfunction(member) and _private(name) and any(name in vars(b) for b in theirs):
                    yield f"{path.name} {kind.__name__}.{name}"


def test_only_two_files_go_by_private_names_of_libraries() -> None:
    assert [*_used(), *_overridden()] == []
