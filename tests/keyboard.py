"""Keys for a screen under test, without the naps that a pilot takes around each of them."""

from __future__ import annotations

import asyncio
import time
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from textual import events
from textual.app import App
from textual.command import CommandList
from textual.keys import KEY_TO_UNICODE_NAME, REPLACED_KEYS, _character_to_key

PATIENCE_S = 60.0


def key(name: str) -> events.Key:
    """Return the key as the screen library names it (`question_mark`, `ctrl+p`), or of one character."""
    if len(name) == 1 and not name.isalnum():
        name = _character_to_key(name)
    first = REPLACED_KEYS.get(name, name)
    try:
        return events.Key(name, unicodedata.lookup(KEY_TO_UNICODE_NAME.get(first, first)))
    except KeyError:
        return events.Key(name, name if len(name) == 1 else None)


def burst(app: App[Any], text: str) -> None:
    """Hand over characters as a terminal does that read them all at once."""
    for char in text:
        app.post_message(key(char))


async def strike(app: App[Any], *names: str) -> None:
    """Press keys and wait until the application has done what they mean, however busy the machine is."""
    for name in names:
        app.post_message(key(name))
    await handled(app)


async def handled(app: App[Any]) -> None:
    """Wait until all that was posted so far has been looked at, or the application has ended.

    The application hands a key on to its screen, and that to the line that has the focus.
    """
    for next_of in (lambda: app, lambda: app.screen, lambda: app.focused, lambda: app):
        if app.is_running and (pump := next_of()) is not None:
            done = asyncio.Event()
            pump.call_later(done.set)
            await _until(done, app)


async def painted(app: App[Any]) -> None:
    """Wait until the screen has been laid out and painted with what it was given so far.

    Twice: the first painting gives regions their sizes, and each then writes its lines for the size it has.
    How busy the machine is does not matter, as it does to a pilot's pause: that takes a process which gets
    no time for one that has nothing to do.
    """
    for whole in (False, True):
        if app.is_running:
            regions = app.screen.walk_children(with_self=True) if whole else [app.screen]
            waiting = [done for region in regions if region.call_after_refresh((done := asyncio.Event()).set)]
            for done in waiting:
                await _until(done, app)


async def until(app: App[Any], holds: Callable[[], object], what: Callable[[], str] = lambda: "") -> None:
    """Wait until something holds, by the clock and not by so many looks; AssertionError when it does not."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end and app.is_running, f"it does not come:\n{what()}"
        await asyncio.sleep(0.01)
        await handled(app)
        await painted(app)


def offered(app: App[Any]) -> str:
    """Return the command that the palette offers first, as it is shown; empty while there is none."""
    found = app.screen.query_one(CommandList)
    return str(found.get_option_at_index(0).prompt) if found.option_count else ""


async def _until(done: asyncio.Event, app: App[Any]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while app.is_running and not done.is_set():
            with suppress(TimeoutError):
                await asyncio.wait_for(done.wait(), 0.1)
