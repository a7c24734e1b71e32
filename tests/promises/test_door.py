"""Promise: whoever opens many connections to the server and leaves them keeps nobody out for long."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager

import pytest
from aiohttp import ClientSession, web

from tracker.console.serve import VISITORS, Door, Limits, OnceAMinute

HALF = b"GET / HTTP/1.1\r\nHost: x\r\n"
GREAT = b"x" * 8_000_000


@asynccontextmanager
async def served(limits: Limits) -> AsyncIterator[int]:
    """A server with one small and one great page behind a door; its port."""

    async def page(request: web.Request) -> web.Response:
        return web.Response(body=GREAT if request.path == "/great" else b"here")

    app = web.Application()
    app.add_routes([web.get("/", page), web.get("/great", page)])
    runner = web.AppRunner(app)
    await runner.setup()
    serve = runner.server
    assert serve is not None
    loop = asyncio.get_running_loop()
    opened = await loop.create_server(lambda: Door(serve, limits), "127.0.0.1", 0, backlog=1024)
    yield opened.sockets[0].getsockname()[1]
    opened.close()
    await runner.cleanup()


async def asked(port: int) -> int:
    """The status of an ordinary request."""
    async with ClientSession() as session, session.get(f"http://127.0.0.1:{port}/") as answer:
        await answer.read()
        return answer.status


async def crowded(port: int, words: bytes, number: int) -> list[asyncio.StreamWriter]:
    """Connections that said something and stand there."""
    writers = []
    for _ in range(number):
        _, writer = await asyncio.open_connection("127.0.0.1", port, limit=1024)
        writer.write(words)
        writers.append(writer)
    return writers


async def within(seconds: float, ask: Callable[[], Awaitable[int]], wanted: int) -> bool:
    """Whether an answer comes to be the wanted one in a time."""
    for _ in range(int(seconds / 0.05)):
        if await ask() == wanted:
            return True
        await asyncio.sleep(0.05)
    return False


@pytest.fixture
def once(caplog: pytest.LogCaptureFixture) -> Iterator[pytest.LogCaptureFixture]:
    """What is logged, each cause once a minute."""
    told = OnceAMinute()
    caplog.handler.addFilter(told)
    yield caplog
    caplog.handler.removeFilter(told)


@pytest.mark.parametrize("words", [b"", HALF, b"GET /great HTTP/1.1\r\nHost: x\r\n\r\n"])
async def test_those_who_stand_in_the_door_are_put_out_and_it_is_told(
    words: bytes, once: pytest.LogCaptureFixture
) -> None:
    assert (Limits(), VISITORS) == (Limits(connections=64, headers_s=5.0, idle_s=60.0), 4)
    limits = Limits(connections=8, headers_s=0.5, idle_s=0.5)
    async with served(limits) as port:
        crowd = await crowded(port, words, 60)
        assert await asked(port) == 503
        assert limits.inside <= 8
        (told,) = once.records
        assert told.getMessage() == "8 connections are open: whoever else comes is turned away"
        assert await within(30.0, lambda: asked(port), 200)
        for writer in crowd:
            writer.close()
        await asyncio.sleep(0.1)
        assert await asked(port) == 200


async def test_a_head_that_comes_in_parts_is_a_head() -> None:
    async with served(Limits(headers_s=5.0)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for part in (b"GET / HTTP/1.1\r\nHost: x\r", b"\n\r", b"\n"):
            writer.write(part)
            await asyncio.sleep(0.02)
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        writer.close()


def test_a_fault_is_told_once_a_minute_in_one_line(
    once: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = logging.getLogger("test.door")
    for second in (*range(60), 60):
        monkeypatch.setattr("tracker.console.serve.monotonic_s", lambda second=second: 1000.0 + second)
        try:
            raise ConnectionResetError("gone")
        except ConnectionResetError:
            log.exception("Error handling request\nfrom %s", "somewhere")
    log.error("another")
    assert [record.getMessage() for record in once.records] == [
        "Error handling request (ConnectionResetError)",
        "Error handling request (ConnectionResetError)",
        "another",
    ]
    assert all(record.exc_info is None for record in once.records)
