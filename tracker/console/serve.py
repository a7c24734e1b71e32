"""The lead's view in a browser: `tracker watch --serve`.

Each visitor gets a process of their own that runs `tracker watch` on the one journal, and nothing else can be
started. The page is on this machine only unless another place is asked for; the address holds a secret; a
page of another origin is refused.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import signal
import sys
from pathlib import Path

from aiohttp import web

from tracker.console.gate import Gate, new_token
from tracker.console.place import HERE, VISITORS, place_of
from tracker.console.visit import Lead
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import plain

_CLOSING_S = 2.0


def serve(
    journal: Path,
    place: str = HERE,
    *,
    at: str | None = None,
    visitors: int = VISITORS,
    token: str | None = None,
) -> int:
    """Serve the view until interrupted; the exit status. TrackerError where the place cannot be had."""
    host, port = place_of(place)
    logging.basicConfig(level=logging.ERROR, format="tracker watch: %(message)s")
    gate = Gate(token or new_token(), host, visitors)
    asyncio.run(_serve(journal, gate, port, at))
    return 0


async def _serve(journal: Path, gate: Gate, port: int, at: str | None) -> None:
    """Open the socket, say where, and wait for a signal."""
    lead = Lead(journal, gate, at=at)
    runner = web.AppRunner(lead.application(), access_log=None, shutdown_timeout=_CLOSING_S)
    await runner.setup()
    try:
        await _open(runner, gate, port)
        for line in announcement(gate, journal):
            print(line, flush=True)
        await _interrupted()
    finally:
        await runner.cleanup()


async def _open(runner: web.AppRunner, gate: Gate, port: int) -> None:
    try:
        await web.TCPSite(runner, gate.host, port).start()
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        reason = "somebody else has that place" if taken else error.strerror or str(error)
        raise TrackerError(
            f"--serve {plain(gate.host)}:{port}: {reason}; give another, such as 127.0.0.1:8461"
        ) from error
    gate.port = runner.addresses[0][1]


def announcement(gate: Gate, journal: Path) -> list[str]:
    """Return what is said once: the address with its secret, and plainly who can reach it."""
    lines = [f"the lead's view of {plain(journal)}, to look on only: {gate.address}"]
    if not gate.is_loopback:
        lines.append(
            f"this is not only for this machine: whoever can reach {gate.shown_host} over the network and "
            "knows this address can look on, and nothing on the way is encrypted"
        )
    lines.append(f"at most {gate.visitors} at once; Ctrl+C ends it")
    return lines


async def _interrupted() -> None:
    """Wait for the signal that ends the server."""
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) if sys.platform != "win32" else ():
        loop.add_signal_handler(number, ended.set)
    await ended.wait()
