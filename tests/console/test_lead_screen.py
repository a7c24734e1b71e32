"""The lead's view as a screen: what stands where, and what every key does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.leads import EVENTS, NOW_S, Hand, by_hand
from tracker.console.commands import commands_of, footer
from tracker.console.lead_analysis import Learned, Wish
from tracker.console.view.help import footer_line
from tracker.console.view.styled_text import text_of
from tracker.console.workers import Estimated, Wanted
from tracker.forecast.figures import Alert
from tracker.foundation.text import ADVISORY
from tracker.plan.model import Plan

LEAD_COMMANDS = commands_of("lead")
SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]
HOSTILE = "[red]x[/] [/b] \x9b31mred\x9d0;t\x9c \u202egnp.exe \u6f22\u5b57 e\u0301 <b>&amp; =1+1 [unclosed"


@pytest.mark.parametrize("size", SIZES)
async def test_every_page(at_lead: Callable[..., Any], on_file: Any, size: tuple[int, int]) -> None:
    async with at_lead(size) as at:
        for page in range(len(at.lead.pages)):
            on_file(f"lead-{size[0]}-{page + 1}", at.screen)
            assert ADVISORY in " ".join(at.screen.split())
            await at.press("v")
        assert at.lead.page == 0


async def test_the_first_page_answers_in_order_also_on_the_smallest_screen(
    at_lead: Callable[..., Any],
) -> None:
    long = "chance 69 %, need 90 %: EV2 battery at 6:22, 7 min to spare; drop lamp: inside 5:28, >99 %; " * 2
    alerts = (Alert("confidence", long + "the end", False, "confidence", "act"),)
    async with at_lead((80, 24), alerts=alerts) as at:
        told = " ".join(at.screen.split())
        order = ["comes first EV2 oxygen, chance 94 %", "turn home by 3:03", "survey decide start by 2:30"]
        order += ["as advised: a b", "call home", "through the day"]
        places = [told.find(words, told.find("comes first")) for words in order]
        assert -1 not in places and places == sorted(places)
        assert "least sure to hold" not in told and long + "the end" in told


@pytest.mark.parametrize("size", SIZES)
async def test_before_the_clock(at_lead: Callable[..., Any], on_file: Any, size: tuple[int, int]) -> None:
    async with at_lead(size, events=(), hand=Hand(0.0), alerts=()) as at:
        on_file(f"lead-before-{size[0]}", at.screen)


async def test_help_comes_from_the_table(at_lead: Callable[..., Any], on_file: Any) -> None:
    async with at_lead((120, 50)) as at:
        await at.press("question_mark")
        on_file("lead-help-120", at.screen)
        assert all(command.help in at.screen for command in LEAD_COMMANDS)
        await at.press("escape")
        assert "INSIDE through the day" in at.screen


def test_the_footer_fits_80_columns_and_no_key_is_taken_twice() -> None:
    line = text_of([footer_line([("v", "page 3 of 8"), *footer(LEAD_COMMANDS, None)[1:]], 80)])
    assert "? help" in line and "q quit" in line and "what if" in line and "End present" in line
    keys = [key for command in LEAD_COMMANDS for key in command.keys]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize("size", [(80, 24), (200, 55)])
async def test_every_command_can_be_pressed(at_lead: Callable[..., Any], size: tuple[int, int]) -> None:
    async with at_lead(size) as at:
        for command in (c for c in LEAD_COMMANDS if c.id != "quit"):
            await at.press(*command.keys, "escape")
            assert "INSIDE" in at.screen, command.id


async def test_a_key_leads_to_each_region(at_lead: Callable[..., Any]) -> None:
    keys = {c.id: c.keys[0] for c in LEAD_COMMANDS}
    async with at_lead((80, 24)) as at:
        shows = {"decide": "choices", "levels": "readings"}
        for name in ("limits", "decide", "tasks", "levels"):
            await at.press(keys[name])
            region = shows.get(name, name)
            assert any(region in band.names for band in at.lead.pages[at.lead.page]), name


@pytest.mark.parametrize("size", [(30, 10), (80, 24), (100, 30), (200, 55)])
async def test_the_view_says_that_it_only_reads_and_a_digit_does_nothing(
    at_lead: Callable[..., Any], size: tuple[int, int]
) -> None:
    """Who comes from here to the desk finds digits that tick: here they must not mean anything else."""
    async with at_lead(size) as at:
        for page in range(len(at.lead.pages)):
            assert at.lead.page == page and " READING ONLY ──" in at.screen
            for digit in "12359":
                await at.press(digit)
            assert (
                at.lead.page == page and "this view only reads: 9 works at the desk: tick" in at.session.said
            )
            await at.press("v")
        assert ("1 ... 9", "nothing here, nor does any key write; at the desk a digit ticks") in {
            row[1:] for row in at.lead.help.rows
        }


async def test_arrows_go_back_and_forth(at_lead: Callable[..., Any], plan: Plan) -> None:
    async with at_lead() as at:
        wanted: list[Wanted] = []
        at.session.ask = wanted.append
        await at.press("left")
        assert at.session.chosen == 2460.0
        assert "AS OF 0:41:00 " in at.screen and "0 min back" in at.screen
        await at.press("left", "pageup")
        assert at.session.chosen == 1500.0
        assert at.session.snapshot.progress.steps["pump.cover"].ended == "done"
        assert at.session.snapshot.progress.steps["pump.bolts"].counted == 0
        assert wanted[-1].now == 1500.0 and wanted[-1].progress is at.session.snapshot.progress
        await at.press("up")
        assert at.session.chosen == 1090.0
        await at.press("down", "right")
        assert at.session.chosen == 1560.0
        await at.press("home", "up")
        assert at.session.chosen == 0.0
        await at.press("end")
        assert at.session.chosen is None and " PET 0:41:17 " in at.screen
        await at.press("right")
        assert at.session.chosen is None


async def test_looking_back_shows_nothing_of_another_instant(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        wanted: list[Wanted] = []
        at.session.ask = wanted.append
        await at.press("pageup")
        asked, progress = wanted[-1], at.session.snapshot.progress
        assert at.session.snapshot.estimate is None and "not estimated yet" in at.screen
        quick = Estimated(by_hand(progress, asked.now), asked, full=False)
        at.lead.runtime.take(quick)
        assert at.session.snapshot.estimate is None, "its advice was for another instant"
        at.lead.runtime.take(Estimated(by_hand(progress, asked.now), asked, full=True))
        assert at.session.snapshot.estimate is not None
        at.lead.runtime.take(Estimated(by_hand(progress, NOW_S), Wanted(progress, NOW_S, True), full=True))
        assert at.session.snapshot.estimate.at == asked.now


async def test_what_if_is_typed_previewed_and_compared(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        wishes: list[Wish] = []
        at.session.study = wishes.append
        await at.press("f")
        await at.type("drop lamp; hold EV1 0:41 sun in the face")
        assert "WHAT IF" in at.screen and "Enter supposes: dropped" in at.session.said
        number = at.session.followed.number
        await at.press("enter")
        wish = wishes[-1]
        assert wish.supposed is not None and wish.supposed.tasks["lamp"].status == "dropped"
        assert list(wish.supposed.holds) == ["EV1"]
        assert "being worked out" in at.screen and "what if" in at.screen
        other = by_hand(wish.supposed, NOW_S, safe=0.99)
        at.lead.runtime.take(Learned(wish, supposed=other))
        at.lead.repaint()
        await at.painted()
        assert "+6 points" in at.screen
        assert at.session.followed.number == number
        assert at.session.followed.tasks["lamp"].status == "open"
        await at.press("W")
        assert "f supposes" in at.screen


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("drop pomp", "pomp"),
        ("drop lamp; done pump.cover", "pump.cover"),
        ("hold EV1 3:00 later", "is not yet"),
        ("frobnicate", "frobnicate"),
    ],
)
async def test_what_cannot_be_supposed_says_why(at_lead: Callable[..., Any], text: str, words: str) -> None:
    async with at_lead() as at:
        await at.press("f")
        await at.type(text)
        assert words in at.session.said and at.session.said_ink == "late"
        await at.press("enter")
        assert at.lead.query_one("#lead-entry").display, "the line stays open"
        assert at.session.scene(at.lead.utc()).supposed.trouble


async def test_completion_goes_on_after_a_semicolon(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        await at.press("f")
        await at.type("drop lamp; drop gr")
        await at.press("tab")
        assert at.lead.query_one("#lead-entry").value.startswith("drop lamp; drop grease")
        await at.press("escape")
        assert not at.lead.query_one("#lead-entry").display


async def test_the_mark_says_since_when(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        wishes: list[Wish] = []
        at.session.study = wishes.append
        await at.press("home", "pagedown")
        progress = at.session.snapshot.progress
        at.lead.runtime.take(Estimated(by_hand(progress, 900.0), Wanted(progress, 900.0, True), full=True))
        await at.press("full_stop", "end")
        progress = at.session.snapshot.progress
        at.lead.runtime.take(Estimated(by_hand(progress, NOW_S), Wanted(progress, NOW_S, True), full=True))
        assert wishes[-1].since == 900.0
        await at.press("full_stop")
        assert wishes[-1].since == NOW_S - 1800.0


async def test_the_screen_may_change_its_size(at_lead: Callable[..., Any]) -> None:
    async with at_lead((80, 24)) as at:
        await at.press("v", "v", "v")
        for size in ((200, 55), (120, 36), (40, 10), (20, 5), (1, 1), (100, 30)):
            await at.pilot.resize_terminal(*size)
            await at.painted()
        assert "INSIDE with survey, lamp as advised" in at.screen and "─ limits" in at.screen
        await at.press("v", "v")
        assert "INSIDE through the day" in at.screen


async def test_the_footer_can_be_clicked(at_lead: Callable[..., Any]) -> None:
    async with at_lead((80, 24)) as at:
        column = at.screen.splitlines()[-1].index("v page")
        await at.pilot.click("#lead-footer", offset=(column + 3, 0))
        await at.painted()
        assert at.lead.page == 1


async def test_trouble_with_the_journal_is_said(at_lead: Callable[..., Any]) -> None:
    from tracker.console.lead_analysis import Grown

    async with at_lead() as at:
        at.lead.runtime.take(Grown(at.session.followed, (), "one.sqlite: is not there any more"))
        at.lead.repaint()
        await at.painted()
        assert "not read since event 8" in at.screen and "is not there any more" in at.screen


@pytest.mark.parametrize("size", SIZES)
async def test_hostile_text_is_shown_as_text(at_lead: Callable[..., Any], size: tuple[int, int]) -> None:
    task = {"title": HOSTILE, "steps": [{"do": HOSTILE, "crew": ["EV1"], "time": "0:10"}]}
    events = (
        *EVENTS,
        {"kind": "noted", "text": HOSTILE, "at": 2400},
        {"kind": "added", "task": task, "at": 2410},
        {"kind": "held", "crew": ["EV2"], "text": HOSTILE, "at": 2420},
    )
    async with at_lead(size, events=events) as at:
        for _ in at.lead.pages:
            shown = at.screen
            assert not any((ord(char) < 32 and char != "\n") or 127 <= ord(char) < 160 for char in shown)
            assert "\u202e" not in shown
            await at.press("v")
        await at.press("S")
        shown = at.screen
        assert "[red]x[/] [/b] ?31m" in shown or size == (120, 36)


async def test_leaving_ends_it(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        await at.press("q")
        assert at.app.return_code == 0
