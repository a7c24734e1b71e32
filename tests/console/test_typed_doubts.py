"""What a typed line asks twice: levels that cannot have been read now, and decisions on what is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.console.test_hands import show, under_way
from tracker.console.key_events import over_doubts


async def test_a_level_that_has_not_fallen_is_asked_about_with_when_it_would_fit(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(600)
        at.estimate()
        await at.press("b")
        await at.type("1 o .7")
        await at.press("enter")
        at.hand.move(1200)
        show(at)
        await at.press("b")
        await at.type("1 o .695")
        assert "0.695: expected 0.6 (0.59 to 0.61), 0.095 above; read 19 min ago? -19 behind it" in at.said
        await at.type(" -19")
        assert "expected" not in at.said


async def test_what_is_decided_on_work_that_is_done_changes_nothing(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await under_way(at)
        progress = at.desk.runtime.session.progress
        done = [name for name, state in progress.steps.items() if state.step.task == "egress"]
        events = [{"kind": "dropped", "task": "egress"}]
        assert over_doubts(events, progress) == []
        for step in done:
            progress = progress.suppose({"kind": "done", "step": step, "at": 1700})
        assert over_doubts(events, progress) == ["egress is done: nothing changes"]
        assert over_doubts([{"kind": "retimed", "step": done[0]}], progress)[0].endswith(
            "is done: nothing changes"
        )
