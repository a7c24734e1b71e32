"""What a person sees of a long piece of work, and how they break it off.

How far it has come is a line on a terminal from half a second on, gone at the end; Ctrl-C leaves what it
has to show for itself.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from types import FrameType
from typing import TextIO

from tracker.foundation.clock import monotonic_s
from tracker.foundation.text import percent_done, plain


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


PATIENCE_S = 0.5
"""Before this nothing is shown."""
EVERY_S = 0.1
"""The line is written at most this often."""


class Waiting(AbstractContextManager["Waiting"]):
    """Shows a share of work on standard error, only where that is a terminal."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._began = self._told = monotonic_s()
        self._width = 0

    def __exit__(self, *_: object) -> None:
        self.clear()

    def show(self, words: str) -> None:
        """Say how far the work is, in place of what was said before."""
        now = monotonic_s()
        if not self._stream.isatty() or now - self._began < PATIENCE_S:
            return
        if self._width and now - self._told < EVERY_S:
            return
        line = plain(words, most=78)
        self._stream.write(f"\r{line.ljust(self._width)}")
        self._stream.flush()
        self._told, self._width = now, len(line)

    def share(self, words: str, done: int, of: int) -> None:
        """Say `words 3 of 40` with a bar."""
        self.show(f"{words} {done} of {of}  {_bar(done / max(1, of))}")

    def part(self, words: str, share: float) -> None:
        """Say `words 40 %` with a bar."""
        self.show(f"{words} {percent_done(share)}  {_bar(share)}")

    def clear(self) -> None:
        """Take the line away, so that what comes next begins at the margin."""
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
            self._width = 0


@contextmanager
def meanwhile(words: str, stream: TextIO | None = None) -> Iterator[None]:
    """Say what is being done, and for how many seconds, where nothing tells how far it is."""
    with Waiting(stream) as waiting:
        if not (stream or sys.stderr).isatty():
            yield
            return
        over = threading.Event()

        def tell() -> None:
            began = monotonic_s()
            patience = PATIENCE_S
            while not over.wait(patience):
                waiting.show(f"{words}, {monotonic_s() - began:.0f} s")
                patience = 1.0

        teller = threading.Thread(target=tell, name="meanwhile", daemon=True)
        teller.start()
        try:
            yield
        finally:
            over.set()
            teller.join()


def _bar(share: float) -> str:
    full = int(20 * share)
    return f"[{'#' * full}{'.' * (20 - full)}]"
