"""Keys typed fast behind the one that opens a line belong to the line: typed text never acts as commands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from textual import events
from textual.app import App
from textual.keys import _character_to_key


def burst(app: App[Any], text: str) -> None:
    """Hand over keys as a terminal does that read them all at once."""
    for char in text:
        app.post_message(events.Key(_character_to_key(char), char))


async def test_at_the_desk(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        assert at.kinds == ["zero"]
        burst(at.desk.app, "e1 >cover")
        for _ in range(100):
            await at.pilot.pause(0.01)
            if at.desk.entry.value == "1 >cover":
                break
        assert at.desk.entry.value == "1 >cover"
        await at.settle()
        assert at.kinds == ["zero"], "the digit was text, and ticked nothing"


async def test_on_the_leads_view(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        from tracker.console.entry import EntryLine

        burst(at.app, "wdrop lamp; hold EV1")
        line = at.lead.query_one(EntryLine)
        for _ in range(100):
            await at.pilot.pause(0.01)
            if line.value == "drop lamp; hold EV1":
                break
        assert line.value == "drop lamp; hold EV1"
        assert not at.lead.reading and at.session.chosen is None
        await at.press("escape", "v")
        assert at.lead.page == 1 and line.value == "drop lamp; hold EV1"
