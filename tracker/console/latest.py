"""A thread that works for whoever asked last: a newer wish takes the place of one that still waits."""

from __future__ import annotations

import threading
from typing import Generic, TypeVar

T = TypeVar("T")


class Latest(threading.Thread, Generic[T]):
    """Holds what is wanted; whoever makes one of it says in `run` what is done with that."""

    def __init__(self, name: str) -> None:
        super().__init__(name=name, daemon=True)
        self._changed = threading.Condition()
        self._wanted: T | None = None
        self._stopped = False

    def ask(self, wanted: T) -> None:
        """Want this; what an older wish still wants is forgotten."""
        with self._changed:
            self._wanted = wanted
            self._changed.notify()

    def stop(self) -> None:
        """End after what is being worked out."""
        with self._changed:
            self._stopped = True
            self._changed.notify()

    def _next(self) -> T | None:
        """Take what is wanted, once something is; None once it is stopped."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wanted is not None)
            wanted, self._wanted = self._wanted, None
            return None if self._stopped else wanted

    def _overtaken(self) -> bool:
        """Return whether something newer is wanted, or nothing any more."""
        with self._changed:
            return self._stopped or self._wanted is not None
