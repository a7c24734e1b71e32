"""A program in a terminal of its own whose screen can be read, and keys for it."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import pexpect
import pyte

PATIENCE_S = 60.0
LOOK_S = 0.1
"""The longest that reading waits for something to come."""
BOUNCE_S = 0.34
"""Sooner, the same key once more is taken for a bounce."""


class Terminal:
    """`python WORDS` in a pseudo-terminal; `text` is what stands on its screen."""

    def __init__(
        self,
        *words: str,
        cwd: Path,
        size: tuple[int, int] = (80, 24),
        python: str = sys.executable,
        env: Mapping[str, str] | None = None,
    ) -> None:
        """Start it. `size` is (columns, rows)."""
        columns, rows = size
        told = {**(os.environ if env is None else env), "TERM": "xterm-256color"}
        sized = ("COLUMNS", "LINES")  # what a worker of the tests has there is not this terminal's size
        self.child: pexpect.spawn[bytes] = pexpect.spawn(
            python,
            list(words),
            dimensions=(rows, columns),
            env={name: value for name, value in told.items() if name not in sized},
            cwd=str(cwd),
            timeout=PATIENCE_S,
        )
        self.child.delaybeforesend = None
        self.raw = b""
        """Every byte that was written so far."""
        self._screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._screen)
        self._shown: str | None = ""
        """The text of the screen; None: not looked at since something came."""

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        """End it, whatever it does."""
        if self.child.isalive():
            self.child.kill(signal.SIGKILL)
            self.child.wait()
        self.child.close()

    @property
    def text(self) -> str:
        """The rows of the screen."""
        if self._shown is None:
            self._shown = "\n".join(self._screen.display)
        return self._shown

    def read(self, seconds: float = LOOK_S) -> bool:
        """Take in what comes within so many seconds; whether anything came. EOFError once it has ended."""
        try:
            came = self.child.read_nonblocking(1 << 20, timeout=seconds)
        except pexpect.TIMEOUT:
            return False
        except pexpect.EOF as error:
            raise EOFError(self.text) from error
        self.raw += came
        self._stream.feed(came)
        self._shown = None
        return True

    def rest(self, seconds: float) -> None:
        """Take in what comes for so many seconds."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.read(left)

    def until(self, holds: str | Callable[[], bool], patience_s: float = PATIENCE_S) -> float:
        """Read until words stand on the screen or something holds; the seconds it took. TimeoutError."""
        begin = time.perf_counter()
        while not (holds in self.text if isinstance(holds, str) else holds()):
            if time.perf_counter() - begin > patience_s:
                what = repr(holds) if isinstance(holds, str) else "it"
                raise TimeoutError(f"waited {patience_s:g} s for {what}:\n{self.text}")
            self.read()
        return time.perf_counter() - begin

    def send(self, keys: str | bytes) -> None:
        """Type keys as they are, at once."""
        self.child.send(keys)

    def press_s(self, keys: str, holds: str | Callable[[], bool]) -> float:
        """Return the seconds from keys until words stand on the screen or something holds."""
        begin = time.perf_counter()
        self.send(keys)
        self.until(holds)
        return time.perf_counter() - begin

    def resize(self, columns: int, rows: int) -> None:
        """Give the window another size."""
        self.child.setwinsize(rows, columns)
        self._screen.resize(rows, columns)
        self._shown = None

    def end(self) -> tuple[str, int]:
        """Return all that was written until it ended, and the exit status; -1 when a signal ended it."""
        self.raw += self.child.read()
        self.child.close()
        status = self.child.exitstatus
        return self.raw.decode("utf-8", "replace"), -1 if status is None else status
