"""The program in a terminal of its own, as a person has it before them: its screen, and keys for it."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Self

import pexpect
import pyte

PATIENCE_S = 60.0
LOOK_S = 0.1
"""The longest that reading waits for something to come."""
BOUNCE_S = 0.34
"""Sooner, the same key once more is taken for a bounce."""


class Terminal:
    """The program in a pseudo-terminal; leaving the block ends it. `text` is what stands on its screen."""

    def __init__(
        self,
        *words: str,
        cwd: Path | None = None,
        size: tuple[int, int] = (80, 24),
        env: Mapping[str, str] | None = None,
        program: Sequence[str] = ("-m", "tracker"),
        python: str = sys.executable,
    ) -> None:
        """Start `python PROGRAM WORDS`; `size` is (columns, rows), `env` is added to the environment."""
        columns, rows = size
        told = {**os.environ, "TERM": "xterm-256color", **(env or {})}
        sized = ("COLUMNS", "LINES")  # what a worker of the tests has there is not this terminal's size
        self.child: pexpect.spawn[bytes] = pexpect.spawn(
            python,
            [*program, *words],
            dimensions=(rows, columns),
            env={name: value for name, value in told.items() if name not in sized},
            cwd=cwd,
            timeout=PATIENCE_S,
        )
        self.child.delaybeforesend = None
        self.raw = b""
        """Every byte that was written so far."""
        self._screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._screen)
        self._shown: str | None = ""
        """The text of the screen; None: not looked at since something came."""

    def __enter__(self) -> Self:
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

    def until(self, *holds: str | Callable[[], bool]) -> float:
        """Read until these words stand on the screen and this holds; the seconds it took. TimeoutError."""
        begin = time.perf_counter()
        while missing := [one for one in holds if not (one in self.text if isinstance(one, str) else one())]:
            if time.perf_counter() - begin > PATIENCE_S:
                raise TimeoutError(f"waited {PATIENCE_S:g} s for {missing}:\n{self.text}")
            self.read()
        return time.perf_counter() - begin

    def send(self, keys: str | bytes) -> None:
        """Type keys as they are, at once."""
        self.child.send(keys)

    def press_s(self, keys: str, *holds: str | Callable[[], bool]) -> float:
        """Return the seconds from keys until something is so that is not so yet: words stand there, it holds.

        What was so before says nothing of the keys: ValueError.
        """
        if all(one in self.text if isinstance(one, str) else one() for one in holds):
            raise ValueError(f"{holds} before {keys!r} was pressed:\n{self.text}")
        begin = time.perf_counter()
        self.send(keys)
        self.until(*holds)
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
