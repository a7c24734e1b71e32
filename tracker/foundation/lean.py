"""Keeps an import lean: refuses, while it lasts, the optional packages that a library reaches for."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from types import ModuleType


class _Refusal(MetaPathFinder):
    """Makes some packages absent for one thread; others may import them meanwhile."""

    def __init__(self, names: Sequence[str]) -> None:
        self._names = frozenset(names)
        self._thread = threading.get_ident()

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname in self._names and threading.get_ident() == self._thread:
            raise ModuleNotFoundError(f"{fullname} is not wanted here", name=fullname)
        return None


@contextmanager
def without(*names: str) -> Iterator[None]:
    """Import inside the block as if the named packages were not installed.

    A package that is already loaded stays available: it costs nothing more.
    """
    refusal = _Refusal(names)
    sys.meta_path.insert(0, refusal)
    try:
        yield
    finally:
        sys.meta_path.remove(refusal)
