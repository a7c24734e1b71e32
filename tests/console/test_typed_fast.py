"""Keys typed fast behind the one that opens a line belong to the line: typed text never acts as commands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.keyboard import burst, strike


async def test_at_the_desk(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        assert at.kinds == ["zero"]
        burst(at.desk.app, "e1 >cover")
        await at.until(lambda: at.desk.entry.line.value == "1 >cover")
        assert at.desk.entry.line.value == "1 >cover"
        await at.settle()
        assert at.kinds == ["zero"], "the digit was text, and ticked nothing"


async def test_on_the_leads_view(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        from tracker.console.entry_line import EntryLine

        burst(at.app, "fdrop lamp; hold EV1")
        line = at.lead.query_one(EntryLine)
        await at.until(lambda: line.value == "drop lamp; hold EV1")
        assert line.value == "drop lamp; hold EV1"
        assert not at.lead.reading and at.session.chosen is None
        await at.press("escape", "v")
        assert at.lead.page == 1 and line.value == ""


async def pressed(at: Any, *names: str) -> None:
    """Hand over keys all at once, and wait for the disk."""
    await strike(at.desk.app, *names)
    await at.settle()
    await at.settle()


async def test_lines_typed_behind_one_another_are_entered_each_by_itself(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        await pressed(at, "n", *"one", "enter", "n", *"two", "enter", "n", *"six", "enter")
        assert [e.body["text"] for e in at.events if e.kind == "noted"] == ["one", "two", "six"]
        assert not at.desk.query_one("#entry").display


async def test_an_enter_that_bounces_writes_once_and_opens_nothing(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        await pressed(at, "n", *"mark", "enter", "enter", "enter")
        assert [e.body["text"] for e in at.events if e.kind == "noted"] == ["mark"]
        assert at.said.endswith("Enter came twice within 1 s: taken once")
        assert not at.desk.query_one("#entry").display


async def test_keys_behind_one_that_closes_the_line_are_commands(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        await pressed(at, "n", *"late", "escape", "1")
        assert at.kinds == ["zero", "done"]
        assert "left, not written: note late" not in at.said
        await at.press("e", "up")
        assert at.desk.entry.line.value == "note late"


async def test_what_is_wiped_out_while_typing_fast_is_what_stood_before(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        await pressed(at, "n", *"abx", "backspace", "c", "enter")
        assert [e.body["text"] for e in at.events if e.kind == "noted"] == ["abc"]
