"""A line that stays open while hands are elsewhere: it says so, loses no tick, and none ticks by accident."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.console.test_hands import under_way

OPEN = "ENTRY line open below: digits are text and tick nothing; Esc leaves it"


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 36), (200, 55)])
async def test_an_open_line_is_told_below_the_crew_and_after_a_while_among_the_alerts(
    at_desk: Callable[..., Any], size: tuple[int, int]
) -> None:
    async with at_desk(size) as at:
        await under_way(at)
        assert OPEN not in at.whole
        await at.press("h")
        assert OPEN in at.whole and "line is still open" not in at.whole
        await at.type("2 glove")
        at.hand.move(10)
        at.desk.beat()
        await at.painted()
        told = " ".join(at.whole.split())
        assert "! LOOK the ENTRY line is still open: no digit ticks." in told
        await at.press("escape")
        assert "line open" not in at.whole and "line is still open" not in at.whole


async def test_a_tick_typed_into_a_line_that_was_not_taken_is_offered_at_its_instant(
    at_desk: Callable[..., Any],
) -> None:
    """What is far off is asked twice; two digits are then meant for the desk, each as of its own instant."""
    async with at_desk() as at:
        await under_way(at)
        await at.press("b")
        await at.type("1 o .3")
        await at.press("enter")
        assert "Enter again writes it" in at.said
        at.hand.move(60)
        await at.press("1")
        assert at.said.startswith("1 is text here and ticks nothing: Esc, then 1 ticks   Enter writes")
        at.hand.move(60)
        await at.press("2")
        assert at.said.startswith("1 2 is text here and ticks nothing: Esc, then 1 2 ticks")
        assert at.kinds == ["zero"]
        await at.press("escape")
        asked = "1 went into the line: 1 again ticks it as of then, EV1 EV2 done Open the hatch"
        assert asked in at.said and " at 0:31:" in at.said and at.kinds == ["zero"]
        await at.press("1")
        assert at.kinds == ["zero", "done"] and at.said.startswith(" 2 went into the line: 2 again")
        await at.press("2")
        first, second = [e for e in at.events if e.kind == "done"]
        assert (first.at, second.at) == (1863, 1924)


async def test_another_key_does_not_tick_what_went_into_a_line(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("h")
        at.hand.move(20)
        await at.press("1", "escape", "v", "1")
        assert at.kinds == ["zero", "done"]
        assert at.events[-1].at == 1825, "the tick is of now, not of what went into the line"


async def test_an_empty_line_leaves_no_words_behind(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "e")
        assert "Tab completes" in at.said
        await at.press("enter")
        assert at.said == ""


async def test_digits_of_who_types_are_text_and_nothing_is_asked(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await under_way(at)
        await at.press("n")
        await at.type("11 bolts")
        at.hand.move(20)
        await at.type("2 of 3")
        assert "is text here" not in at.said
        await at.press("escape")
        assert at.said.startswith("left, not written: note 11 bolts2 of 3") and at.kinds == ["zero"]
