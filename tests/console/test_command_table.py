"""The command table: a new command is one row, from which key, footer, help and palette follow."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.keyboard import offered, strike, until
from tracker.console import commands
from tracker.console.app import TrackerApp
from tracker.console.commands import ASKS, BY_ID, TABLE, Command, commands_of
from tracker.console.desk import Desk
from tracker.console.live_screen import bindings
from tracker.console.pane import Pane
from tracker.console.session import DeskRuntime
from tracker.console.view.help import found_rows, job_rows
from tracker.console.view.styled_text import text_of
from tracker.journal.journal import Journal
from tracker.plan.model import Plan


def test_ids_and_keys_are_one_screens_own() -> None:
    for where in ("desk", "lead"):
        rows = commands_of(where)
        keys = [key for row in rows for key in row.keys]
        assert len(keys) == len(set(keys)) and len({row.id for row in rows}) == len(rows)
    assert {row.where for row in TABLE} == {"desk", "lead", "both"}
    assert BY_ID["desk"]["theme"].do is BY_ID["lead"]["theme"].do


async def test_a_new_command_is_one_row(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[object] = []
    row = Command(
        "wave", ("W",), "wave", "wave to those outside", done.append, 1, shown="W", where="desk", group="Desk"
    )
    monkeypatch.setattr(commands, "TABLE", (*TABLE, row))

    class Waving(Desk):
        BINDINGS = bindings("desk")

    runtime = DeskRuntime(lambda: Journal.create(tmp_path / "one.sqlite", plan), "desk")
    desk = Waving(runtime)
    async with TrackerApp(desk).run_test(size=(120, 60)):
        await until(desk.app, lambda: desk.progress is not None)
        await strike(desk.app, "W")
        assert done == [desk]
        assert desk.last_scene is not None
        assert "  W         wave to those outside" in text_of(desk.help.page(desk.last_scene, 120))
        assert " W wave " in "\n".join(text_of(pane.lines) for pane in desk.query(Pane))
        await strike(desk.app, "ctrl+p", *"wave")
        await until(desk.app, lambda: "wave" in offered(desk.app))
        await strike(desk.app, "enter")
        await until(desk.app, lambda: done == [desk, desk])
    runtime.stop()


TWINS = {("runway", "limits"), ("steps", "tasks"), ("optional", "decide"), ("consumables", "levels")}
TWINS |= {("alerts", "whole"), ("lead", "back"), ("view", "page"), ("crew", "page")}
"""Commands of the desk and of the lead's view that show the same, each on its own screen."""


def test_a_letter_means_the_same_on_both_screens() -> None:
    desk = {key: row.id for row in commands_of("desk") for key in row.keys}
    lead = {key: row.id for row in commands_of("lead") for key in row.keys if len(key) == 1 or key in desk}
    moving = {"up", "down", "pageup", "pagedown"} | set("123456789")
    other = {key: (desk[key], id) for key, id in lead.items() if key in desk and key not in moving}
    assert not {key: ids for key, ids in other.items() if len(set(ids)) > 1 and ids not in TWINS}


async def test_at_80_by_24_the_keys_of_the_job_are_in_sight_at_once(
    at_desk: Callable[..., Any], at_lead: Callable[..., Any]
) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "question_mark")
        at.estimate()
        told = job_rows("desk", at.desk.table)
        assert len(told) >= 12 and not [sign for sign, words in told if f" {words}" not in at.screen]
        subjects = dict.fromkeys(subject for subject, _, _ in at.desk.help.rows)
        first = " ".join(at.screen.split())
        assert not [subject for subject in subjects if subject not in first]
        assert "/ and some words find a row among" in first
    async with at_lead((80, 24)) as at:
        await at.press("question_mark")
        told = job_rows("lead", at.lead.table)
        assert not [sign for sign, words in told if f" {words}" not in at.screen]


async def test_any_row_of_the_help_is_found_by_its_words_or_its_key(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        rows = at.desk.help.rows
        lost = [c.id for c in at.desk.table.values() if not c.ticks and not found_rows(rows, c.shown)]
        assert not lost
        assert at.desk.last_scene is not None
        page = " ".join(text_of(at.desk.help.page(at.desk.last_scene, 80)).split())
        assert not [c.id for c in at.desk.table.values() if not c.ticks and c.help not in page]
        explained = {sign: words for subject, sign, words in rows if subject == "What the figures mean"}
        assert {"8 in 10", "runway", "shift", "value", "not counted"} <= set(explained)
        await at.press("question_mark", "slash")
        await at.type("whose voice")
        assert "nothing in the help has these words" in at.screen
        await at.press(*["backspace"] * 11)
        await at.type("voice lost")
        assert "  y         voice lost with a crew member" in at.screen and "Ticking" not in at.screen
        assert at.said == "1 row; Esc shows all of it again"
        await at.press(*["backspace"] * 10, "minus")
        assert "late tick: the crew digit, then how many" in at.screen
        await at.press("escape")
        assert "the clock starts" in at.screen and at.desk.view_name == "help" and at.kinds == []


async def test_every_key_says_what_it_does_or_why_not(
    at_desk: Callable[..., Any], at_lead: Callable[..., Any]
) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("C")
        assert at.said == "C does nothing here; ? shows every key"
        for key, why in (("c", "not before the clock runs; z starts it"), ("r", "nobody is held")):
            await at.press(key)
            assert at.said.endswith(why) and not at.desk.entry.line.display
        for word, asks in ASKS.items():
            at.desk.entry.open("entry", f"{word} ")
            await at.settle()
            begin = "the plan has no sites; " if word == "at" else asks.partition("{")[0].partition("`")[0]
            assert at.said.startswith((begin, "Enter writes")) and "missing" not in at.said, word
            await at.press("enter")
            assert at.said.startswith((begin, "resumed")), word
            await at.press("escape")
        for wrong, right in (("xyz", "as in 1 -3"), ("move a", "`move a b`"), ("keep z", "a survey")):
            at.desk.entry.open("entry", wrong)
            await at.settle()
            assert right in at.said
            await at.press("tab")
            assert (at.said.startswith("nothing completes this: ") and right in at.said) or wrong == "move a"
            await at.press("escape")
        assert at.kinds == []
    async with at_lead((80, 24)) as at:
        await at.press("d")
        assert at.session.said.startswith("this view only reads: d works at the desk: give a task up")
