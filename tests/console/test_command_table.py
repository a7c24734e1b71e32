"""The command table: a new command is one row, from which key, footer, help and palette follow."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.keyboard import offered, strike, until
from tracker.console import commands
from tracker.console.app import TrackerApp
from tracker.console.commands import BY_ID, TABLE, Command, commands_of
from tracker.console.desk import Desk
from tracker.console.live_screen import bindings
from tracker.console.pane import Pane
from tracker.console.session import DeskRuntime
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
        assert "  W         wave to those outside" in text_of(desk.help_lines(desk.last_scene, 120))
        assert " W wave " in "\n".join(text_of(pane.lines) for pane in desk.query(Pane))
        await strike(desk.app, "ctrl+p", *"wave")
        await until(desk.app, lambda: "wave" in offered(desk.app))
        await strike(desk.app, "enter")
        await until(desk.app, lambda: done == [desk, desk])
    runtime.stop()
