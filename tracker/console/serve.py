"""The lead's view in a browser: `tracker watch --serve`.

Each visitor gets a process of their own that runs `tracker watch` on the one journal, and nothing else can be
started. The page is on this machine only unless another place is asked for; the address holds a secret, a
page of another origin is refused, and a connection that asks for nothing is closed.
"""

from __future__ import annotations

import asyncio
import errno
import hmac
import ipaddress
import json
import logging
import secrets
import signal
import socket
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import partial
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any
from urllib.parse import urlsplit

import textual_serve
from aiohttp import WSMsgType, web
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from tracker.foundation.clock import monotonic_s
from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain
from tracker.journal.place import Place

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def new_token() -> str:
    """Return a secret that cannot be guessed: 192 random bits."""
    return secrets.token_urlsafe(24)


@dataclass
class Gate:
    """Decides about every request before anything is done for it."""

    token: str
    host: str
    """The host that was asked for."""
    visitors: int
    port: int = 0
    inside: int = 0
    """Visitors at the moment."""

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def shown_host(self) -> str:
        """The host as it stands in an address."""
        try:
            one = ipaddress.ip_address(self.host)
        except ValueError:
            return self.host
        name = socket.gethostname() if one.is_unspecified else self.host
        return f"[{name}]" if ":" in name else name

    @property
    def address(self) -> str:
        """Where the view is, with the secret."""
        return f"http://{self.shown_host}:{self.port}/{self.token}/"

    def knows_host(self, header: str | None) -> bool:
        """Return whether a Host header names this server: else some other name was made to lead here."""
        parts = _parts(f"//{header}") if header else None
        if parts is None or (parts[1] or 80) != self.port:
            return False
        name = parts[0]
        if name == self.host.lower():
            return True
        if self.is_loopback:
            return name == "localhost" or _is_loopback(name)
        return _is_address(name) or name == socket.gethostname().lower()

    def knows_origin(self, origin: str | None, host: str | None) -> bool:
        """Return whether an Origin header is this server itself, under the name that was asked."""
        if origin is None or host is None:
            return False
        parts = urlsplit(origin)
        return parts.scheme == "http" and _parts(origin) == _parts(f"//{host}")

    def knows_token(self, token: str) -> bool:
        """Return whether it is the secret, in a time that tells nothing about it."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())

    @property
    def policy(self) -> str:
        """The content security policy: everything from this server, and nothing else."""
        return (
            "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
            "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )

    @web.middleware
    async def check(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Refuse what is not for this server, or comes without the secret; seal what goes out."""
        if not self.knows_host(request.headers.get("Host")):
            raise web.HTTPForbidden(text="This server goes by another name.\n")
        first = request.path.split("/")[1] if "/" in request.path else ""
        if not self.knows_token(first):
            raise web.HTTPForbidden(text="This address is not complete: the secret in it is wrong.\n")
        origin = request.headers.get("Origin")
        upgrade = request.headers.get("Upgrade", "").lower() == "websocket"
        if (upgrade or origin is not None) and not self.knows_origin(origin, request.headers.get("Host")):
            raise web.HTTPForbidden(text="A page from elsewhere may not look on.\n")
        return await handler(request)

    async def seal(self, request: web.Request, response: web.StreamResponse) -> None:
        """Put the headers on that keep the page to itself and its address secret."""
        response.headers["Content-Security-Policy"] = self.policy
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cache-Control"] = "no-store"


def _parts(address: str) -> tuple[str, int] | None:
    """Return host and port of an address, in lower case; None where it is none."""
    try:
        parts = urlsplit(address)
        return ((parts.hostname or "").lower(), parts.port or 80) if parts.hostname else None
    except ValueError:
        return None


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_loopback(name: str) -> bool:
    return _is_address(name) and ipaddress.ip_address(name).is_loopback


HERE = "127.0.0.1:8460"
"""On this machine only, unless another place is given."""
VISITORS = 4
"""How many may look on at once; each is a process of its own."""


def place_of(text: str) -> tuple[str, int]:
    """Return host and port of `HOST:PORT`, `HOST`, `:PORT` or `PORT`; WrongUsage says what would be right."""
    usual_host, _, usual_port = HERE.rpartition(":")
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.isdigit():
        host, port = "", text
    else:
        host, _, port = text.partition(":")
    number = port or usual_port
    odd = ":" in port or not host.isprintable() or any(char in host for char in " /@")
    if odd or not (number.isascii() and number.isdigit()) or int(number) > 65535:
        raise WrongUsage(f"--serve: {plain(text, most=80)} is no place; write HOST:PORT, such as {HERE}")
    return host or usual_host, int(number)


OWN = Path(str(files("tracker.console") / "static"))
THEIRS = Path(textual_serve.__file__).parent / "static"
"""The terminal for browsers, its styles and fonts, as installed on this machine."""
WIDTHS, HEIGHTS = (40, 400), (10, 160)
"""Columns and rows that a visitor can have."""
MOST_BYTES = 4096
"""A message from a browser holds a few keys, or a size."""
FONT_PX = (8, 40, 15)


def watch_command(journal: Place, at: str | None = None) -> tuple[str, ...]:
    """Return the only command that is ever started for a visitor."""
    return (sys.executable, "-m", "tracker", "watch", str(journal.absolute()), *(("--at", at) if at else ()))


class Visit(AppService):
    """One visitor's process. It is started without a shell."""

    def __init__(self, command: tuple[str, ...], socket: web.WebSocketResponse) -> None:
        super().__init__(
            command[0],
            write_bytes=socket.send_bytes,
            write_str=socket.send_str,
            close=partial(_close, socket),
            download_manager=DownloadManager(),
        )
        self._words = command

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        environment = self._build_environment(width=width, height=height)
        self._process = process = await asyncio.create_subprocess_exec(
            *self._words, stdin=PIPE, stdout=PIPE, stderr=PIPE, env=environment
        )
        assert process.stdin is not None
        self._stdin = process.stdin
        return process

    async def end(self) -> None:
        """End the process, kindly first."""
        try:
            await asyncio.wait_for(self.stop(), timeout=2.0)
        except (TimeoutError, ConnectionError, RuntimeError):
            if self._process is not None and self._process.returncode is None:
                self._process.kill()
        if self._process is not None:
            await self._process.wait()


async def _close(socket: web.WebSocketResponse) -> None:
    await socket.close()


class Lead:
    """The application: one page, what it is made of, and the socket behind it."""

    def __init__(self, journal: Place, gate: Gate, *, at: str | None = None) -> None:
        self._journal, self._gate = journal, gate
        self._command = watch_command(journal, at)
        self._page = Template((OWN / "lead.html").read_text(encoding="utf-8"))

    def application(self) -> web.Application:
        """Return the application with all its routes."""
        app = web.Application(middlewares=[self._gate.check], client_max_size=MOST_BYTES)
        base = f"/{self._gate.token}"
        app.add_routes(
            [
                web.get(f"{base}/", self.page),
                web.get(f"{base}/ws", self.socket),
                web.static(f"{base}/own", OWN),
                web.static(f"{base}/static", THEIRS),
            ]
        )
        app.on_response_prepare.append(self._gate.seal)
        return app

    async def page(self, request: web.Request) -> web.Response:
        """Return the page that holds the terminal."""
        least, most, usual = FONT_PX
        page = self._page.substitute(
            title=escape(f"tracker: {Path(self._journal.name).stem}"),
            socket=escape(f"ws://{request.host}/{self._gate.token}/ws"),
            font=_within(request.query.get("fontsize"), least, most, usual),
        )
        return web.Response(text=page, content_type="text/html")

    async def socket(self, request: web.Request) -> web.StreamResponse:
        """Run the view for one visitor, for as long as the browser stays."""
        if self._gate.inside >= self._gate.visitors:
            raise web.HTTPServiceUnavailable(text="As many as may look on at once already do.\n")
        self._gate.inside += 1
        try:
            socket = web.WebSocketResponse(heartbeat=15, max_msg_size=MOST_BYTES)
            await socket.prepare(request)
            visit = Visit(self._command, socket)
            width = _within(request.query.get("width"), *WIDTHS, 80)
            await visit.start(width, _within(request.query.get("height"), *HEIGHTS, 24))
            try:
                await _listen(socket, visit)
            finally:
                await visit.end()
            return socket
        finally:
            self._gate.inside -= 1


async def _listen(socket: web.WebSocketResponse, visit: Visit) -> None:
    """Hand on what the browser sends: keys and sizes; what is neither is left out."""
    async for message in socket:
        if message.type is not WSMsgType.TEXT:
            continue
        try:
            kind, *rest = json.loads(message.data)
        except (ValueError, TypeError, RecursionError):
            continue
        await _take(socket, visit, kind, rest[0] if rest else None)


async def _take(socket: web.WebSocketResponse, visit: Visit, kind: Any, data: Any) -> None:
    if kind == "stdin" and isinstance(data, str):
        await visit.send_bytes(data.encode("utf-8", "replace"))
    elif kind == "resize" and isinstance(data, dict):
        width, height = _within(data.get("width"), *WIDTHS, 80), _within(data.get("height"), *HEIGHTS, 24)
        await visit.set_terminal_size(width, height)
    elif kind == "ping":
        await socket.send_json(["pong", str(data)])
    elif kind == "focus":
        # Of the loss of focus the view is told nothing: keys that come all the same are meant for it.
        await visit.focus()


def _within(value: Any, least: int, most: int, usual: int) -> int:
    """Return a number between two bounds; the usual one where it is none."""
    try:
        return max(least, min(most, int(value)))
    except (TypeError, ValueError, OverflowError):
        return usual


_CLOSING_S = 2.0


def serve(
    journal: Place,
    place: str = HERE,
    *,
    at: str | None = None,
    visitors: int = VISITORS,
    token: str | None = None,
) -> int:
    """Serve the view until interrupted; the exit status. TrackerError where the place cannot be had."""
    host, port = place_of(place)
    told = logging.StreamHandler()
    told.addFilter(OnceAMinute())
    logging.basicConfig(level=logging.ERROR, format="tracker watch: %(message)s", handlers=[told])
    gate = Gate(token or new_token(), host, visitors)
    asyncio.run(_serve(journal, gate, port, at))
    return 0


async def _serve(journal: Place, gate: Gate, port: int, at: str | None) -> None:
    """Open the socket, say where, and wait for a signal."""
    lead = Lead(journal, gate, at=at)
    runner = web.AppRunner(lead.application(), access_log=None, shutdown_timeout=_CLOSING_S)
    await runner.setup()
    opened = None
    try:
        opened = await _open(runner, gate, port)
        for line in announcement(gate, journal):
            print(line, flush=True)
        await _interrupted()
    finally:
        if opened is not None:
            opened.close()
        await runner.cleanup()


async def _open(runner: web.AppRunner, gate: Gate, port: int) -> asyncio.Server:
    """Open the door; TrackerError where the place cannot be had."""
    serve, limits = runner.server, Limits()
    assert serve is not None
    try:
        loop = asyncio.get_running_loop()
        opened = await loop.create_server(lambda: Door(serve, limits), gate.host, port, backlog=128)
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        reason = "somebody else has that place" if taken else error.strerror or str(error)
        raise TrackerError(
            f"--serve {plain(gate.host)}:{port}: {reason}; give another, such as 127.0.0.1:8461"
        ) from error
    gate.port = opened.sockets[0].getsockname()[1]
    return opened


def announcement(gate: Gate, journal: Place) -> list[str]:
    """Return what is said once: the address with its secret, and plainly who can reach it."""
    lines = [f"the lead's view of {plain(journal)}, to look on only: {gate.address}"]
    if not gate.is_loopback:
        lines.append(
            f"this is not only for this machine: whoever can reach {gate.shown_host} over the network and "
            "knows this address can look on, and nothing on the way is encrypted"
        )
    return [*lines, f"at most {gate.visitors} at once; Ctrl+C ends it"]


async def _interrupted() -> None:
    """Wait for the signal that ends the server."""
    ended = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) if sys.platform != "win32" else ():
        asyncio.get_running_loop().add_signal_handler(number, ended.set)
    await ended.wait()


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
            logging.error("%d connections are open: whoever else comes is turned away", self._limits.inside)
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
        self._said = {one: at for one, at in self._said.items() if now - at < self._minute_s} | {cause: now}
        if kind:
            record.msg, record.args = f"{str(record.msg).splitlines()[0]} ({kind})", ()
        record.exc_info = record.exc_text = None
        return True
