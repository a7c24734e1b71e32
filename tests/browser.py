"""A headless Chromium, driven over its DevTools protocol; what its terminal shows is read from the wire."""

from __future__ import annotations

import asyncio
import base64
import itertools
import json
import re
import shutil
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import aiohttp
import pyte
import pytest

from tracker.foundation.clock import monotonic_s

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
    None,
)
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None,
    reason="NOT TESTED IN A BROWSER: no chromium here; apt-get install chromium, then run again",
)
PATIENCE_S = 60.0
_LISTENING = re.compile(rb"DevTools listening on ws://([^/\s]+)/")


class Page:
    """One tab: where it went, what was asked for on the way, and what the socket behind it said."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self.asked: list[str] = []
        """Addresses that the page asked for."""
        self.said: list[str] = []
        """What the browser complained about."""
        self.refused: list[str] = []
        self._screen = pyte.Screen(200, 60)
        self._stream = pyte.ByteStream(self._screen)
        self._read: str | None = ""
        """What stands on the screen; None: not looked at since something came."""

    async def listen(self) -> None:
        """Take in everything that the browser says, until it ends."""
        async for message in self._socket:
            heard = json.loads(message.data)
            if "id" in heard:
                self._answers.pop(heard["id"]).set_result(heard)
            else:
                self._take(heard["method"], heard["params"])

    def _take(self, method: str, params: dict[str, Any]) -> None:
        if method == "Network.requestWillBeSent":
            self.asked.append(params["request"]["url"])
        elif method == "Network.webSocketCreated":
            self.asked.append(params["url"])
        elif method == "Network.webSocketFrameError":
            self.refused.append(params["errorMessage"])
        elif method == "Network.webSocketFrameReceived" and params["response"]["opcode"] == 2:
            self._stream.feed(base64.b64decode(params["response"]["payloadData"]))
            self._read = None
        elif method == "Network.webSocketFrameSent" and params["response"]["opcode"] == 1:
            kind, *rest = json.loads(params["response"]["payloadData"])
            if kind == "resize":  # What stood beyond it is seen no more.
                self._screen.resize(rest[0]["height"], rest[0]["width"])
                self._read = None
        elif method == "Log.entryAdded":
            self.said.append(params["entry"]["text"])

    async def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Ask the browser something and return its answer."""
        number = next(self._numbers)
        self._answers[number] = asyncio.get_running_loop().create_future()
        await self._socket.send_json({"id": number, "method": method, "params": params})
        answer: dict[str, Any] = (await asyncio.wait_for(self._answers[number], 60)).get("result", {})
        return answer

    async def open(self, address: str) -> int:
        """Go to an address and return the status of the answer."""
        await self.send("Page.navigate", url=address)
        status = "performance.getEntriesByType('navigation')[0]?.responseStatus ?? 0"
        script = f"document.readyState === 'complete' ? {status} : 0"
        await eventually(lambda: self.value(script))
        return int(await self.value(script))

    async def value(self, script: str) -> Any:
        """Return what a script in the page comes to."""
        answer = await self.send("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        return answer["result"].get("value")

    async def press(self, key: str) -> None:
        """Press a key in the page."""
        await self.send("Input.dispatchKeyEvent", type="keyDown", text=key, key=key)
        await self.send("Input.dispatchKeyEvent", type="keyUp", key=key)

    @property
    def terminal(self) -> str:
        """What stands on the terminal in the page."""
        if self._read is None:
            self._read = "\n".join(line.rstrip() for line in self._screen.display)
        return self._read

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait until something is so; AssertionError with what the terminal shows where it does not come."""

        async def holds() -> bool:
            return true()

        assert await eventually(holds), f"it does not come:\n{self.terminal}"

    async def closed(self) -> str:
        """Wait until the page says that the view is over, and return what it says."""
        await eventually(lambda: self.value("document.body.classList.contains('-closed')"))
        return str(await self.value("document.querySelector('.closed').innerText"))


async def eventually(holds: Callable[[], Awaitable[object]]) -> bool:
    """Wait until something is so, by the clock and not by so many looks; whether it came to be."""
    end = monotonic_s() + PATIENCE_S
    while not (held := bool(await holds())) and monotonic_s() < end:
        await asyncio.sleep(0.02)
    return held


@asynccontextmanager
async def browser() -> AsyncIterator[Page]:
    """Open a tab in a browser of its own, and close it afterwards."""
    assert CHROMIUM is not None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home:
        process = await asyncio.create_subprocess_exec(
            CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--remote-debugging-port=0", f"--user-data-dir={home}", "--window-size=1500,900", "about:blank",
            stderr=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        try:
            place = await asyncio.wait_for(_place(process), 60)
            async with aiohttp.ClientSession() as session:
                async with session.put(f"http://{place}/json/new?about:blank") as answer:
                    tab = await answer.json()
                async with session.ws_connect(tab["webSocketDebuggerUrl"], max_msg_size=0) as socket:
                    page = Page(socket)
                    listening = asyncio.create_task(page.listen())
                    for domain in ("Network", "Page", "Runtime", "Log"):
                        await page.send(f"{domain}.enable")
                    yield page
                    listening.cancel()
        finally:
            process.kill()
            await process.wait()


async def _place(process: asyncio.subprocess.Process) -> str:
    assert process.stderr is not None
    while line := await process.stderr.readline():
        if found := _LISTENING.search(line):
            drain = asyncio.create_task(_drain(process.stderr))
            drain.add_done_callback(lambda task: None)
            return found[1].decode()
    raise AssertionError("the browser did not start")


async def _drain(stream: asyncio.StreamReader) -> None:
    while await stream.read(65536):
        pass
