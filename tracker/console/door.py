"""The door of a server: how many may come in, how long they may stand in it, and how often a fault is told.

A connection that asks for nothing, or takes nothing, is closed before it can keep others out.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from tracker.foundation.clock import monotonic_s

_FULL = b"HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nContent-Length: 5\r\n\r\nfull\n"
_END = b"\r\n\r\n"


@dataclass
class Limits:
    """What a door allows."""

    connections: int = 64
    headers_s: float = 5.0
    """How long somebody may take for the head of a request."""
    idle_s: float = 60.0
    """How long somebody may say nothing, or take nothing of what is sent."""
    inside: int = field(default=0, init=False)
    """Connections at the moment."""


class Door(asyncio.Protocol):
    """One connection, handed on to who serves it once there is room; closed when it stands still."""

    def __init__(self, serve: Callable[[], asyncio.Protocol], limits: Limits) -> None:
        """`serve` makes what serves one connection."""
        self._serve, self._limits = serve, limits
        self._inner: asyncio.Protocol | None = None
        self._transport: asyncio.Transport | None = None
        self._head: bytes | None = b""
        """The end of the head so far, in case its last bytes come in parts; None once it is whole."""
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let somebody in, or say that it is full."""
        assert isinstance(transport, asyncio.Transport)
        if self._limits.inside >= self._limits.connections:
            transport.write(_FULL)
            transport.close()
            return
        self._limits.inside += 1
        self._transport, self._inner = transport, self._serve()
        self._inner.connection_made(transport)
        self._wait(self._limits.headers_s)

    def data_received(self, data: bytes) -> None:
        """Hand on what was said; from a whole head on only silence counts."""
        if self._inner is None:
            return
        if self._head is not None:
            self._head = None if _END in self._head + data else (self._head + data)[-len(_END) + 1 :]
        if self._head is None:
            self._wait(self._limits.idle_s)
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        """Hand on that nothing more will be said."""
        return self._inner.eof_received() if self._inner is not None else None

    def pause_writing(self) -> None:
        """Hand on that somebody takes nothing at the moment."""
        if self._inner is not None:
            self._inner.pause_writing()

    def resume_writing(self) -> None:
        """Hand on that somebody takes what is sent again."""
        if self._inner is not None:
            self._wait(self._limits.idle_s)
            self._inner.resume_writing()

    def connection_lost(self, error: Exception | None) -> None:
        """Make room for another."""
        if self._timer is not None:
            self._timer.cancel()
        if self._inner is not None:
            self._limits.inside -= 1
            self._inner.connection_lost(error)

    def _wait(self, seconds: float) -> None:
        """Close the connection unless something happens in this time."""
        if self._timer is not None:
            self._timer.cancel()
        assert self._transport is not None
        self._timer = asyncio.get_running_loop().call_later(seconds, self._transport.abort)


class OnceAMinute(logging.Filter):
    """Lets one line a cause and minute through, without what led to it."""

    def __init__(self, minute_s: float = 60.0) -> None:
        super().__init__()
        self._minute_s = minute_s
        self._said: dict[tuple[str, str], float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record is the first of its cause for a while; it loses its traceback."""
        kind = record.exc_info[0].__name__ if record.exc_info and record.exc_info[0] else ""
        cause, now = (str(record.msg), kind), monotonic_s()
        if now - self._said.get(cause, -self._minute_s) < self._minute_s:
            return False
        self._said = {one: at for one, at in self._said.items() if now - at < self._minute_s}
        self._said[cause] = now
        if kind:
            record.msg, record.args = f"{str(record.msg).splitlines()[0]} ({kind})", ()
        record.exc_info = record.exc_text = None
        return True
