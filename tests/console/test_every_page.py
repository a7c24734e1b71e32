"""Every page of both screens at three sizes, reached by keys: whole screens, as text on file."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from tests.leads import Hand
from tracker import Journal, Plan
from tracker.console.typed_events import TypedEvents

SIZES = [(80, 24), (100, 30), (160, 50)]
Key = str | tuple[str, str]
"""A key to press, or keys and the text typed after them."""

DESK: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("steps", ("S",)),
    ("runway", ("w",)),
    ("optional", ("p",)),
    ("consumables", ("x",)),
    ("the way home", ("H",)),
    ("events", ("j",)),
    ("events, one chosen", ("up", "up")),
    ("alerts", ("exclamation_mark",)),
    ("what comes due", ("N",)),
    ("the brief", ("B",)),
    ("the brief, further down", ("pagedown",)),
    ("help", ("question_mark",)),
    ("help, further down", ("pagedown",)),
    ("help, at its end", ("pagedown",) * 6),
    ("the next view", ("escape", "v")),
    ("the view after that", ("v",)),
    ("a step in full", ("S", "down", "down", "down")),
    ("the step after", ("down",)),
    ("a crew member in full", ("escape", "tab")),
    ("the next crew member in full", ("tab",)),
    ("a late tick begun", ("escape", "minus", "3")),
    ("a count begun", ("escape", "plus")),
    ("a skip begun", ("escape", "s")),
    ("home, asked once", ("escape", "c")),
    ("a late tick, whose", ("escape", "minus", "minus", "2")),
    ("the end, asked once", ("escape", "X")),
    ("leaving, asked once", ("escape", "q")),
    ("nothing for a clipboard", ("escape", "Y")),
)
"""Pages and lines of the desk that write nothing, one after another."""

TYPED: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("the entry line", ("escape", ("e", "1 >swap -3"))),
    ("an entry that is refused", ("escape", ("e", "frobnicate the pump"))),
    ("a step looked for", ("escape", ("slash", "swap"))),
    ("a note", ("escape", ("n", "glare on the left visor"))),
    ("a task given up", ("escape", ("d", "lamp"))),
    ("a task chosen", ("escape", ("k", "survey"))),
    ("a task moved", ("escape", ("m", "lamp before survey"))),
    ("unplanned work", ("escape", ("A", "1 10 Inspect the hinge"))),
    ("another time", ("escape", ("t", "1 25"))),
    ("a reading", ("escape", ("b", "o .61 .58"))),
    ("a hand-over", ("escape", ("o", "1 2"))),
    ("voice lost", ("escape", ("y", "2"))),
    ("both inside", ("escape", ("i", "1 2"))),
    ("a question", ("escape", ("Q", "ground: keep the survey?"))),
    ("put off", ("escape", ("l", "a"))),
)
"""Lines begun and left again, looked at where there is least room."""

WRITTEN: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("a hold begun", (("h", "glove check"), "enter")),
    ("the hold ended", ("r", "enter")),
    ("taken back", ("u",)),
    ("on record again", ("U",)),
    ("voice lost for good", (("y", "EV2"), "enter")),
    ("an alert seen", ("a",)),
    ("a step skipped", ("s", "1")),
    ("a late tick", ("minus", "2", "2")),
    ("a task dropped", (("d", "survey"), "enter")),
    ("everyone called home", ("c", "c")),
)
"""What writes, each followed by figures of that instant."""

LEAD: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("when everyone is inside", ("escape",)),
    ("limits", ("w",)),
    ("what to decide", ("p",)),
    ("tasks", ("S",)),
    ("levels", ("x",)),
    ("better orders", ("v",)),
    ("the page before", ("shift+tab",)),
    ("a deed of the desk", ("c",)),
    ("everything in full", ("exclamation_mark",)),
    ("in full, further down", ("pagedown",)),
    ("in full, further down still", ("pagedown",)),
    ("in full, at its end", ("pagedown",) * 5),
    ("help", ("escape", "question_mark")),
    ("help, further down", ("pagedown",)),
    ("help, at its end", ("pagedown",) * 3),
    ("a minute back", ("escape", "left")),
    ("a quarter back", ("pageup",)),
    ("the event before", ("up",)),
    ("the beginning", ("home",)),
    ("the present", ("end",)),
    ("what moved it, from here on", ("left", "full_stop")),
    ("what if, typed", ("end", ("f", "drop lamp"))),
    ("what if, refused", ("escape", ("f ctrl+u", "drop pomp"))),
    ("what if, being worked out", ("escape", ("f ctrl+u", "drop lamp; hold EV1 0:41 sun"), "enter")),
    ("nothing supposed", ("W",)),
    ("another theme", ("T",)),
)
"""Pages and lines of the lead's view."""


def heading(words: str) -> str:
    return f"----- {words}"


async def walk(
    at: Any, pages: tuple[tuple[str, tuple[Key, ...]], ...], seen: Callable[[], Awaitable[str]]
) -> list[str]:
    """Press the keys of each page and return what was seen under its heading."""
    shown = []
    for words, keys in pages:
        for key in keys:
            if isinstance(key, tuple):
                await at.press(*key[0].split())
                await at.type(key[1])
            else:
                await at.press(key)
        shown += [heading(words), await seen()]
    return shown


async def stable(at: Any, text: Callable[[], str], *unlike: str) -> str:
    """Return a screen once it stands still and says none of some words."""
    before, still = "", 0
    for _ in range(600):
        await at.painted()
        now = text()
        still = still + 1 if now == before and not any(words in now for words in unlike) else 0
        if still == 3:
            return now
        before = now
        await asyncio.sleep(0.02)
    raise AssertionError(f"it does not come to rest:\n{before}")


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_every_page_of_the_desk(
    at_desk: Callable[..., Any], on_file: Any, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int]
) -> None:
    # What follows from a line comes when it is worked out, which no text on file can wait for.
    monkeypatch.setattr(TypedEvents, "_weigh", lambda self, *what: None)
    async with at_desk(size) as at:

        async def seen() -> str:
            return str(at.whole)

        async def figured() -> str:
            at.estimate(called="home" if at.desk.progress.recall else None)
            await at.settle()
            return str(at.whole)

        shown = [heading("before the clock"), at.whole]
        await at.press("z")
        for digit, seconds in (("3", 400), ("1", 300), ("2", 390), ("1", 410)):
            at.hand.move(seconds)
            await at.press(digit)
        shown += [heading("without an estimate"), at.whole]
        at.hand.move(600)
        await at.press("plus", "1", "plus", "1")
        at.hand.move(120)
        shown += [heading("under way"), await figured()]
        shown += await walk(at, DESK if size[0] > 80 else DESK + TYPED, seen)
        await at.press("escape", "escape", "S")
        shown += await walk(at, WRITTEN, figured)
        on_file(f"desk-every-{size[0]}x{size[1]}", "\n".join(shown))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_what_if_and_the_palette_at_the_desk(
    at_desk: Callable[..., Any], on_file: Any, plan: Plan, tmp_path: Path, size: tuple[int, int]
) -> None:
    def opener() -> Journal:
        """Return a journal whose scenarios are the same in every run."""
        path = tmp_path / "one.sqlite"
        return Journal.open(path) if path.exists() else Journal.create(path, plan, uuid="0" * 32)

    async with at_desk(size, opener=opener) as at:
        await at.press("z")
        at.hand.move(1500)
        await at.press("3", "1")
        # What stands for a moment would be weighed first, and better orders rest by the desk's own clock.
        await at.until(lambda: at.desk.runtime.session.number == 3)

        async def seen() -> str:
            # Figures that were begun stand until those of what is on record by now are there.
            what_if, session = at.desk.what_if, at.desk.runtime.session
            await at.until(
                lambda: (w := what_if.page.weighed) is None or w.progress.number == session.progress.number
            )
            # What lies below a page that has just opened is painted after it.
            await at.until(lambda: "PET" in str(at.whole))
            return await stable(at, lambda: str(at.whole), "worked out", "looked for")

        pages: tuple[tuple[str, tuple[Key, ...]], ...] = (
            ("what if, nothing supposed", ("f",)),
            ("a line typed", ()),
            ("a line supposed", ("enter",)),
            ("a second line", (("e", "limit elapsed 3:30"), "enter")),
            ("the page moved", ("down", "pagedown")),
            ("recorded", ("F",)),
            ("the palette", ("escape", "ctrl+p")),
            ("the palette, searched", (("", "home"),)),
        )
        shown = await walk(at, pages[:1], seen)
        await at.type("drop grease")
        shown += await walk(at, pages[1:], seen)
        on_file(f"what-if-every-{size[0]}x{size[1]}", "\n".join(shown))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_every_page_of_the_lead(
    at_lead: Callable[..., Any], on_file: Any, size: tuple[int, int]
) -> None:
    shown = []
    async with at_lead(size, events=(), hand=Hand(0.0), alerts=()) as at:
        shown += [heading("before the clock"), at.screen]
    async with at_lead(size) as at:

        async def seen() -> str:
            return str(at.screen)

        for number in range(len(at.lead.pages)):
            shown += [heading(f"page {number + 1}"), at.screen]
            await at.press("v")
        shown += await walk(at, LEAD, seen)
        on_file(f"lead-every-{size[0]}x{size[1]}", "\n".join(shown))
