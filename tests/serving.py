"""A journal served to browsers by a process of its own, as a person would serve it."""

from __future__ import annotations

import asyncio
import contextlib
import re
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path


@asynccontextmanager
async def serving(path: str | Path, *more: str) -> AsyncIterator[tuple[str, asyncio.subprocess.Process]]:
    """Yield the address that the server prints, and the server, which may come to any end."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tracker", "watch", str(path), "--serve", "127.0.0.1:0", *more,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        line = (await asyncio.wait_for(process.stdout.readline(), 60)).decode()
        found = re.search(r"http://127\.0\.0\.1:\d+/[\w-]{32}/", line)
        assert found, line
        yield found[0], process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        await asyncio.wait_for(process.wait(), 60)


@asynccontextmanager
async def served(path: Path, *more: str) -> AsyncIterator[str]:
    """Yield the address; the server ends in good order when it is told to."""
    async with serving(path, *more) as (address, process):
        yield address
        process.terminate()
        assert process.stdout is not None
        rest = (await asyncio.wait_for(process.stdout.read(), 60)).decode()
        assert await process.wait() == 0, rest
        assert "Traceback" not in rest
