"""A round at the desk: few keys, person by person, and what is not ok or unlikely."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.console.test_hands import again
from tracker.forecast.figures import Range
from tracker.journal.journal import Journal
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

ROUNDS = "rounds: [{id: status, every: 0:30, ask: [oxygen, battery, gloves, visor]}]\n"
WELL = {"oxygen": "ok", "battery": "ok", "gloves": "ok", "visor": "ok"}


@pytest.fixture
def asked(plan: Plan, tmp_path: Path) -> None:
    """Make the journal that the desk opens one of a plan with a round."""
    source = plan.source.replace("windows:", ROUNDS + "windows:", 1)
    with_rounds = parse_plan(source, file="heron.yaml", name="heron")
    Journal.create(tmp_path / "one.sqlite", with_rounds).close()


async def due(at: Any) -> None:
    await at.press("z")
    at.hand.move(1805)
    at.desk.repaint()


def told(at: Any) -> list[tuple[str, dict[str, Any]]]:
    return [(e.body["crew"], e.body["answers"]) for e in at.events if e.kind == "checked"]


@pytest.mark.usefixtures("asked")
async def test_a_round_of_two_all_well_takes_nine_keys(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await due(at)
        keys = ["K", *"oooo", *"oooo"]
        await at.press(*keys[:1])
        assert "status, EV1: oxygen?" in at.said and "then battery, gloves, visor; next EV2" in at.said
        await at.press(*keys[1:5])
        assert "status, EV2: oxygen?" in at.said
        await at.press(*keys[5:])
        assert len(keys) <= 10
        assert told(at) == [("EV1", WELL), ("EV2", WELL)]
        await at.press("enter")
        assert not at.desk.entry.line.display and "checked EV2 status" in at.said
        await at.press("e")
        assert at.desk.entry.line.display, "only the Enter that comes at once belongs to the answer"
        await at.press("escape")
        await at.press("u")
        assert at.kinds[-1] == "withdrawn"
        await at.press("K")
        assert "status, EV2: oxygen?" in at.said and "next" not in at.said


@pytest.mark.usefixtures("asked")
async def test_not_ok_raises_a_deviation_and_a_figure_is_the_reading(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await due(at)
        await at.press("K")
        await at.type(".7 500 n left one torn, 3 mm")
        assert "EV1: gloves?   Enter ends it" in at.said
        await at.press("enter", "o")
        answers = {"oxygen": 0.7, "battery": 500, "gloves": "not ok: left one torn, 3 mm", "visor": "ok"}
        assert told(at) == [("EV1", answers)]
        assert at.kinds == ["zero", "checked", "raised"]
        raised = at.events[-1].body
        assert (raised["what"], raised["about"]) == ("deviation", "EV1")
        assert raised["text"] == "EV1 gloves not ok: left one torn, 3 mm"
        assert [r.value for r in at.desk.progress.readings] == [0.7, 500]
        # What was typed close together, or written out, is understood as well.
        await at.type("ok ,okoo")
        await at.settle()
        assert told(at)[1:] == [("EV2", WELL)]
        await at.press("u", "u")
        assert at.kinds[4:] == ["withdrawn"] * 3


@pytest.mark.usefixtures("asked")
async def test_a_figure_where_none_is_asked_is_told_and_esc_writes_nothing(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await due(at)
        await at.press("K")
        await at.type("oonot")
        await at.press("enter")
        assert "why is it not ok?" in at.said and told(at) == [] and at.desk.entry.line.value == "not"
        await again(at)
        await at.press("o")
        assert told(at) == [("EV1", {**WELL, "gloves": "not ok"})]
        await at.type("oo5 ")
        assert "gloves has no figure: status, EV2: gloves?" in at.said
        await at.type("x")
        await at.press("enter")
        assert "x is no answer" in at.said
        await at.press("escape")
        assert "of EV2 nothing is written" in at.said and at.kinds == ["zero", "checked", "raised"]


@pytest.mark.usefixtures("asked")
async def test_an_unlikely_figure_wants_enter_before_all_are_written(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await due(at)
        at.estimate()
        session = at.desk.runtime.session
        made = session.snapshot.estimate
        stores = [replace(one, expected=Range(0.59, 0.6, 0.61)) for one in made.consumables]
        at.estimate(consumables=tuple(stores))
        await at.press("K")
        await at.type(".3 ooo")
        assert "EV1 oxygen 0.3: expected 0.6" in at.said and "Enter writes it" in at.said
        assert told(at) == []
        await at.press("enter")
        assert told(at)[0][1]["oxygen"] == 0.3
        assert "status, EV2: oxygen?" in at.said


async def test_a_plan_without_rounds_has_none_to_ask(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "K")
        assert "there is no round to ask: the plan has none" in at.said
