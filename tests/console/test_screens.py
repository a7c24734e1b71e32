"""Whole screens as text, compared with what was looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from tracker.console.commands import commands_of, footer
from tracker.console.pane import Pane
from tracker.console.view import alerts
from tracker.console.view import due as due_rows
from tracker.console.view.help import footer_line
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import text_of
from tracker.forecast.due import due

COMMANDS = commands_of("desk")
SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]


async def under_way(at: Any) -> None:
    """Play a third of the excursion."""
    await at.press("z")
    for digit, seconds in (("3", 400), ("1", 300), ("2", 390), ("1", 410)):
        at.hand.move(seconds)
        await at.press(digit)
    at.hand.move(600)
    await at.press("plus", "1", "plus", "1")
    at.hand.move(120)
    at.estimate()
    await at.settle()


async def test_no_frame_shows_the_crew_cut(at_desk: Callable[..., Any]) -> None:
    """Rows that a pane is given are written before they are laid out: what is painted first is whole."""
    async with at_desk(size=(80, 24)) as at:
        crew = at.desk.query_one("#crew", Pane)
        at.desk.turn_to("brief")
        await at.settle()
        assert len(crew.lines) == crew.size.height == 3
        at.desk.turn_to("steps")
        assert crew.size.height == 3 and len(crew.lines) == at.desk.last_layout.crew == 6
        await at.settle()
        assert crew.size.height == 6 and "of the crew" not in at.screen


@pytest.mark.parametrize("size", SIZES)
async def test_the_desk_under_way(at_desk: Callable[..., Any], on_file: Any, size: tuple[int, int]) -> None:
    async with at_desk(size) as at:
        await under_way(at)
        on_file(f"desk-{size[0]}", at.whole)


@pytest.mark.parametrize("size", SIZES)
async def test_the_desk_before_the_clock(
    at_desk: Callable[..., Any], on_file: Any, size: tuple[int, int]
) -> None:
    async with at_desk(size) as at:
        on_file(f"desk-before-{size[0]}", at.whole)


VIEWS = {
    "help": "question_mark",
    "events": "j",
    "home": "H",
    "optional": "p",
    "consumables": "x",
    "runway": "w",
}
"""The runway is the last one: where it is in sight already, the key says so, and that would stay."""


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 55)])
async def test_every_view(at_desk: Callable[..., Any], on_file: Any, size: tuple[int, int]) -> None:
    async with at_desk(size) as at:
        await under_way(at)
        then = at.hand.passed
        for name, key in VIEWS.items():
            await at.press(key)
            on_file(f"view-{name}-{size[0]}", at.whole)
            await at.press(key)
            at.hand.passed = then


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 55)])
async def test_the_way_home(at_desk: Callable[..., Any], on_file: Any, size: tuple[int, int]) -> None:
    async with at_desk(size) as at:
        await under_way(at)
        await at.press("c", "c")
        at.estimate(called="home")
        await at.settle()
        on_file(f"recall-{size[0]}", at.whole)


async def test_the_entry_line_open(at_desk: Callable[..., Any], on_file: Any) -> None:
    async with at_desk((80, 24)) as at:
        await under_way(at)
        await at.press("e")
        await at.type("1 >swap -3")
        on_file("entry-80", at.whole)


def test_the_footer_fits_80_columns(under_way: Scene) -> None:
    pairs = footer(COMMANDS, under_way.progress)
    line = text_of([footer_line(pairs, 80)])
    assert "? help" in line and "q quit" in line
    first = ["tick", "late", "undo", "entry", "recall", "hold", "reading", "view"]
    assert [words for _, words in pairs[:8]] == first
    shown = [words for key, words in pairs[:8] if f"{key} {words}" in line]
    assert shown == [words for words in first if words != "reading"], "the way home is always in sight"


def test_the_footer_goes_by_what_the_screen_shows(under_way: Scene) -> None:
    calm = {words for _, words in footer(COMMANDS, under_way.progress)}
    home = {words for _, words in footer(COMMANDS, under_way.progress, ("home",))}
    what_if = {words for _, words in footer(COMMANDS, under_way.progress, ("what if",))}
    assert {"inside", "note"} <= home - calm and {"hold", "keep", "drop"} <= calm - home
    assert what_if - calm == {"record"}
    inside = replace(under_way.progress, entered=dict.fromkeys(under_way.progress.plan.outside, 9000.0))
    assert ("X", "close") in footer(COMMANDS, inside)[:3]


def test_no_key_belongs_to_two_commands() -> None:
    keys = [key for command in COMMANDS for key in command.keys]
    assert len(keys) == len(set(keys))
    assert len({command.id for command in COMMANDS}) == len(COMMANDS)


async def test_all_that_comes_due_is_gone_through_once_for_a_scene(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    async with at_desk((120, 36)) as at:
        await under_way(at)
        at.estimate(alerts=())
        gone_through: list[float] = []

        def counted(progress: Any, made: Any, *, now: float) -> Any:
            gone_through.append(now)
            return due(progress, made, now=now)

        for module in (alerts, due_rows):
            monkeypatch.setattr(module, "due", counted, raising=False)
        at.hand.move(61.0)
        at.desk.repaint()
        assert "next" in at.screen and len(gone_through) == len(set(gone_through)) == 1
