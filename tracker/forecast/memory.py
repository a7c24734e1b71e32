"""What is remembered between two estimates of one excursion, in one thread.

Draws, durations at pace 1, what was learned from the steps so far, the steps that merely wait for their
turn, the instants walked for the advice, and scratch tables: each kind belongs to the file that makes it,
and is found here. The memory lives as long as some fold of the excursion's journal, and is handed down
as an argument. Forgetting it changes the time that the next estimate takes, never a digit.
"""

from __future__ import annotations

from threading import Lock, local
from typing import TypeVar, cast
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from tracker.journal.progress import Progress

Kind = TypeVar("Kind")
Table = NDArray[np.float32]

_MOST = 4
"""Free tables held at most."""


class Memory:
    """What one thread remembers about one excursion."""

    def __init__(self) -> None:
        self._kinds: dict[type, object] = {}
        self._free: list[Table] = []

    def of(self, kind: type[Kind]) -> Kind:
        """Return the one thing of a kind that is remembered; made without arguments when first asked for."""
        if kind not in self._kinds:
            self._kinds[kind] = kind()
        return cast(Kind, self._kinds[kind])

    def lend(self, rows: int, columns: int) -> Table:
        """Return a table for somebody to write to: one that was given back if any is large enough.

        Fresh memory is slow. A table that is never given back is freed with the last who looks at it.
        """
        size = rows * columns
        for k, table in enumerate(self._free):
            if table.size >= size:
                return self._free.pop(k)[:size].reshape(rows, columns)
        return np.empty((rows, columns), dtype=np.float32)

    def give_back(self, *tables: Table | None) -> None:
        """Take back tables at which nobody looks any more."""
        for table in tables:
            if table is not None:
                whole = table.base if isinstance(table.base, np.ndarray) else table
                self._free.insert(0, whole.reshape(-1))
        del self._free[_MOST:]


class _Threads(local):
    """Holds the memory of each thread."""

    def __init__(self) -> None:
        self.memory = Memory()


_excursions: WeakKeyDictionary[object, _Threads] = WeakKeyDictionary()
"""By what all folds of one journal go back to."""
_lock = Lock()


def memory_of(progress: Progress) -> Memory:
    """Return what this thread remembers about the excursion."""
    with _lock:
        return _excursions.setdefault(progress.fold.origin, _Threads()).memory
