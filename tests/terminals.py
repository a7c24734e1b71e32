"""The program in a terminal whose screen can be read, as a person would have it before them."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import pexpect
import pyte

PATIENCE_S = 30.0


class Terminal:
    """`tracker` in a terminal of its own; leaving the block ends it."""

    def __init__(
        self,
        *words: str,
        size: tuple[int, int] = (36, 120),
        env: Mapping[str, str] | None = None,
        program: tuple[str, ...] = ("-m", "tracker"),
    ) -> None:
        self._child: pexpect.spawn[bytes] = pexpect.spawn(
            sys.executable,
            [*program, *words],
            dimensions=size,
            env={**os.environ, "TERM": "xterm-256color", **(env or {})},
            timeout=PATIENCE_S,
        )
        self._child.delaybeforesend = None
        self._screen = pyte.Screen(size[1], size[0])
        self._stream = pyte.ByteStream(self._screen)
        self.heard = b""
        """All that was printed."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._child.close(force=True)

    @property
    def pid(self) -> int:
        assert self._child.pid is not None
        return self._child.pid

    @property
    def text(self) -> str:
        return "\n".join(self._screen.display)

    def send(self, keys: str) -> None:
        self._child.send(keys)

    def kill(self) -> None:
        """End the program at this instant."""
        os.kill(self.pid, signal.SIGKILL)

    def until(self, true: Callable[[], bool], patience_s: float = PATIENCE_S) -> float:
        """Read the screen until something is so, and return how long that took; TimeoutError."""
        begin = time.perf_counter()
        while time.perf_counter() - begin < patience_s:
            if true():
                return time.perf_counter() - begin
            self.read()
        raise TimeoutError(self.text)

    def says(self, *words: str, patience_s: float = PATIENCE_S) -> float:
        """Read the screen until all these words stand on it, and return how long that took."""
        return self.until(lambda: all(word in self.text for word in words), patience_s)

    def rest(self, seconds: float) -> None:
        """Read the screen for a while."""
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            self.read()

    def read(self) -> None:
        """Take in what was printed meanwhile."""
        try:
            chunk = self._child.read_nonblocking(65536, timeout=0.01)
        except pexpect.TIMEOUT:
            return
        except pexpect.EOF:
            time.sleep(0.01)
            return
        self.heard += chunk
        self._stream.feed(chunk)
