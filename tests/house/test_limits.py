"""Files, classes and functions stay small; errors are not swallowed; every test is collected."""

from __future__ import annotations

import ast
import statistics
from collections import Counter
from collections.abc import Iterator

from tests.house.tree import (
    EVERYTHING,
    PROGRAM,
    TESTS,
    Function,
    classes,
    functions,
    lines,
    name,
    nobody,
    nodes,
    text,
)

AIM, STOP = 500, 560
LONGER: dict[str, str] = {}
"""Files between the aim and the stop, each with the reason why its subject is not two."""


def test_files_are_short() -> None:
    long = {name(path): text(path).count("\n") for path in EVERYTHING}
    nobody(
        f"{file}: {count} lines"
        for file, count in long.items()
        if count > (STOP if LONGER.get(file) else AIM)
    )
    nobody(f"{file}: needs no reason" for file in LONGER if long.get(file, 0) <= AIM)


def test_functions_are_short() -> None:
    nobody(f"{place}: {lines(node)} lines" for place, node in functions(PROGRAM) if lines(node) > 60)


def test_most_functions_are_much_shorter() -> None:
    sizes = [lines(node) for _, node in functions(PROGRAM)]
    assert statistics.median(sizes) <= 8
    assert statistics.quantiles(sizes, n=10)[-1] < 25


def test_classes_are_short() -> None:
    nobody(f"{place}: {lines(node)} lines" for place, node in classes(PROGRAM) if lines(node) >= 250)


def _swallows(handler: ast.ExceptHandler) -> bool:
    """Whether a handler names no error, or does nothing with a broad one."""
    if handler.type is None:
        return True
    idle = all(isinstance(line, ast.Pass) for line in handler.body)
    broad = isinstance(handler.type, ast.Name) and handler.type.id in ("Exception", "BaseException")
    quiet = all(isinstance(line, ast.Pass | ast.Continue | ast.Return | ast.Break) for line in handler.body)
    return idle or (broad and quiet)


def test_no_error_is_swallowed() -> None:
    nobody(
        f"{name(path)}:{node.lineno} swallows an error"
        for path in EVERYTHING
        for node in nodes(path)
        if isinstance(node, ast.ExceptHandler) and _swallows(node)
    )


def test_every_module_says_what_it_is_for() -> None:
    modules = ((path, nodes(path)[0]) for path in PROGRAM)
    nobody(
        name(path) for path, node in modules if not (isinstance(node, ast.Module) and ast.get_docstring(node))
    )


def test_every_test_is_collected() -> None:
    nobody(_not_collected())


def _not_collected() -> Iterator[str]:
    """Yield the files of tests without a test, two of one name, or tests where none are looked for."""
    for path in TESTS:
        here = nodes(path)
        tests = Counter(n.name for n in here if isinstance(n, Function) and n.name.startswith("test_"))
        if not path.name.startswith("test_"):
            if tests:
                yield f"{name(path)}: tests in a file that pytest does not collect"
        elif not tests:
            yield f"{name(path)}: a test file without a test"
        elif tests.most_common(1)[0][1] > 1 and not any(isinstance(n, ast.ClassDef) for n in here):
            yield f"{name(path)}: two tests of one name, {tests.most_common(1)[0][0]}"
