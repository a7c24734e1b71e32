"""Ctrl-C during a long piece of work that has something to show for itself when it is broken off."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def interruptible() -> Iterator[Callable[[], bool]]:
    """Give what says whether Ctrl-C was pressed; pressed once more it ends the program as ever.

    Outside the main thread, which alone is told of it, nothing changes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    pressed = False
    before = signal.getsignal(signal.SIGINT)

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal pressed
        pressed = True
        signal.signal(signal.SIGINT, before)

    signal.signal(signal.SIGINT, note)
    try:
        yield lambda: pressed
    finally:
        signal.signal(signal.SIGINT, before)
