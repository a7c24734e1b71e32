"""The pages of the lead's view in a browser, and the process behind each visitor."""

from __future__ import annotations

import asyncio
import json
import sys
from asyncio.subprocess import PIPE, Process
from functools import partial
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import textual_serve
from aiohttp import WSMsgType, web
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

from tracker.console.gate import Gate

OWN = Path(str(files("tracker.console") / "static"))
THEIRS = Path(textual_serve.__file__).parent / "static"
"""The terminal for browsers, its styles and fonts, as installed on this machine."""
WIDTHS, HEIGHTS = (40, 400), (10, 160)
"""Columns and rows that a visitor can have."""
MOST_BYTES = 4096
"""A message from a browser holds a few keys, or a size."""
FONT_PX = (8, 40, 15)


def watch_command(journal: Path, at: str | None = None) -> tuple[str, ...]:
    """Return the only command that is ever started for a visitor."""
    more = ("--at", at) if at is not None else ()
    return (sys.executable, "-m", "tracker", "watch", str(journal.absolute()), *more)


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

    def __init__(self, journal: Path, gate: Gate, *, at: str | None = None) -> None:
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
            title=escape(f"tracker: {self._journal.stem}"),
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
