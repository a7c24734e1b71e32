"""Visitors: any window, a journal that goes away, a server that dies, many who come and go."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import signal
from pathlib import Path
from random import Random
from uuid import uuid4

import aiohttp
import pytest

from tests.browser import Page, browser, eventually, needs_chromium
from tests.cut_line import Proxy
from tests.leads import on_record
from tests.servers import Server
from tests.serving import serving
from tracker.journal.journal import Journal
from tracker.plan.model import Plan


def children(pid: int) -> set[int]:
    """Return the processes that a process started and that still run."""
    found = set()
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError):
            fields = (entry / "stat").read_text().rpartition(")")[2].split() if entry.name.isdigit() else []
            if fields and int(fields[1]) == pid and fields[0] != "Z":
                found.add(int(entry.name))
    return found


def lives(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


async def gone(pids: set[int]) -> bool:
    async def ended() -> bool:
        return not any(map(lives, pids))

    return await eventually(ended)


async def views_of(server: int, number: int) -> set[int]:
    """Wait until so many views run, and return them."""

    async def there() -> bool:
        return len(children(server)) == number

    assert await eventually(there)
    return children(server)


async def resized(page: Page, width: int, height: int) -> None:
    await page.send(
        "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False
    )


def everything(folder: Path) -> dict[str, str]:
    return {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in folder.iterdir()}


@needs_chromium
async def test_the_view_takes_any_window_and_the_journal_stays_as_it_is(path: Path) -> None:
    before = everything(path.parent)
    async with serving(path, "--at", "0:30") as (address, _), browser() as page:
        assert await page.open(address) == 200
        await page.until(lambda: "to decide" in page.terminal)
        assert re.search(r"page 1 of [4-7]", page.terminal)
        await resized(page, 760, 560)
        await page.until(lambda: re.search(r"page 1 of [5-9]", page.terminal) is not None)
        await resized(page, 380, 640)
        await page.until(lambda: "Esc" not in page.terminal and "AS OF 0:30" in page.terminal)
        # That many pixels hold some 195 by 55 cells: the day and the choices stand together.
        await resized(page, 1760, 1100)
        both = ("to decide", "questions, reminders, deviations, messages")
        await page.until(lambda: all(words in page.terminal for words in both))
        scroll = "getComputedStyle(document.querySelector('.xterm-viewport')).overflowY"
        assert await page.value(scroll) == "hidden"
        await page.press("f")
        for char in "drop lamp":
            await page.press(char)
        await page.until(lambda: "Enter supposes: dropped" in page.terminal)
    assert everything(path.parent) == before


@needs_chromium
async def test_what_is_written_to_a_server_comes_to_the_page_and_a_cut_line_is_said_there(
    plan: Plan, server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    direct, line = server.address(f"served-{uuid4()}"), Proxy(server.port, Random(1), 0.0)
    watched = direct.replace(f":{server.port}/", f":{line.port}/").replace("lead@", "watcher@")
    connections = "SELECT pid FROM pg_stat_activity WHERE usename = 'watcher'"
    others = {*server.admin(connections)}
    with Journal.create(direct, plan) as journal:
        on_record(journal)
        async with serving(watched) as (address, _), browser() as page:
            await page.open(address)
            await page.until(lambda: "event 8" in page.terminal)
            journal.record({"kind": "noted", "text": "on", "at": 1500})
            await page.until(lambda: "event 9" in page.terminal)
            # The page and who serves it share one connection.
            assert len({*server.admin(connections)} - others) == 1
            line.block(True)
            await page.until(lambda: "the server does not answer" in page.terminal)
            journal.record({"kind": "noted", "text": "meanwhile", "at": 1500})
            line.block(False)
            back = ("does not answer", "event 10")
            await page.until(lambda: [one in page.terminal for one in back] == [False, True])
    line.close()


@needs_chromium
async def test_a_server_that_dies_is_said_and_leaves_no_process(path: Path) -> None:
    async with serving(path) as (address, server), browser() as page:
        await page.open(address)
        await page.until(lambda: "event 8" in page.terminal)
        views = await views_of(server.pid, 1)
        os.kill(server.pid, signal.SIGKILL)
        assert "the server is gone" in await page.closed()
        assert await gone(views), "a view without its server ends"


async def test_visitors_who_come_and_go_leave_no_process_and_no_place_taken(path: Path) -> None:
    async with serving(path, "--visitors", "2") as (address, server), aiohttp.ClientSession() as session:
        origin = {"Origin": "/".join(address.split("/")[:3])}
        for _ in range(2):
            first = await session.ws_connect(f"{address}ws", headers=origin)
            second = await session.ws_connect(f"{address}ws", headers=origin)
            with pytest.raises(aiohttp.WSServerHandshakeError, match="503"):
                await session.ws_connect(f"{address}ws", headers=origin)
            views = await views_of(server.pid, 2)
            await first.close()
            await second.close()
            assert await gone(views)
        assert server.returncode is None
