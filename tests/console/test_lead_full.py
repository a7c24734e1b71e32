"""Nothing is hidden without a mark: what has no room is counted, and stands in full on one page."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.leads import NOW_S, Hand, Still, by_hand, excursion
from tracker.console.layout import VIEWS
from tracker.console.view.help import in_full
from tracker.console.view.lead_1_day import why
from tracker.console.view.lead_4_runs_down import levels, readings
from tracker.console.view.scene import LeadScene, Moved, Orders, Snapshot, Suggestion, Supposed
from tracker.console.view.styled_text import Line, Span, folded, heading, region, text_of, under, width_of
from tracker.forecast.change_words import shown_causes
from tracker.forecast.figures import Alert, ConsumableFigure, LimitFigure, OptionalFigure, Range, Rate
from tracker.plan.model import Plan

LONG = (
    "a reading that contradicts the model says so in more words than any row of eighty columns has room for"
)


@pytest.fixture
def scene(plan: Plan) -> LeadScene:
    hand = Hand()
    return Still(excursion(plan), hand).session.scene(hand.utc())


def estimated(scene: LeadScene, **changes: Any) -> LeadScene:
    return replace(scene, snapshot=Snapshot(scene.progress, by_hand(scene.progress, NOW_S, **changes)))


def words(lines: list[Line]) -> str:
    """Return the text with its line breaks undone."""
    return " ".join(text_of(lines).split())


def test_what_has_no_room_is_counted_with_the_key_that_shows_it() -> None:
    rows = [(Span(f"row {k}"),) for k in range(9)]
    shown = text_of(region(heading("things", 30), rows, 30, 6, "a", "thing")).splitlines()
    assert shown[1:] == ["row 0", "row 1", "row 2", "row 3", " ~ 5 more things: a"]
    assert "~" not in text_of(region(heading("things", 30), rows, 30, 10, "a"))


@pytest.mark.parametrize("name", ["limits", "tasks", "fresh", "readings"])
def test_every_region_counts_what_it_leaves_out(scene: LeadScene, name: str) -> None:
    full = [line for line in text_of(VIEWS[name](scene, 80, 60)).splitlines() if line.strip()]
    short = text_of(VIEWS[name](scene, 80, len(full) - 1))
    assert " more " in short, short


def test_the_store_that_binds_stands_first_and_how_fast_stores_fall_below_all(scene: LeadScene) -> None:
    assert scene.estimate is not None
    stores = tuple(replace(one, rate=Rate(0.0584, 0.0531)) for one in scene.estimate.consumables)
    told = estimated(scene, consumables=stores)
    rows = text_of(readings(told, 80, 12)).splitlines()
    named = [" ".join(row.split()[:3]) for row in rows[2:]]
    assert named == [
        "EV2 oxygen kg", "EV2 battery Wh", "reads low", "EV1 oxygen kg", "EV1 battery Wh",
        "EV2 oxygen falls", "EV2 battery falls", "EV1 oxygen falls", "EV1 battery falls",
    ]  # fmt: skip
    curves = text_of(levels(told, 80, 17))
    assert curves.index("EV2 oxygen") < curves.index("EV1 oxygen")


def test_curves_of_the_tightest_accounts_are_shown_where_not_all_fit(scene: LeadScene) -> None:
    ranges = Range(1.0, 2.0, 3.0), Range(9000.0, 9500.0, 9900.0)
    many = tuple(
        ConsumableFigure(f"EV{k}", "oxygen", "kg", 5.0, ranges[0], 0.5, ranges[1], k / 100, None, None)
        for k in range(40)
    )
    text = text_of(levels(estimated(scene, consumables=many), 80, 17))
    assert "EV39 oxygen" in text and "EV0 oxygen" not in text
    assert "~ 28 more accounts, with more to spare: !" in text
    page = words(in_full(estimated(scene, consumables=many), 80))
    assert all(page.count(f"EV{k} oxygen") >= 2 for k in range(40)), "a row and a curve for each"


@pytest.mark.parametrize("width", [40, 80, 100, 200])
def test_the_page_of_everything_has_every_word(scene: LeadScene, width: int) -> None:
    progress = scene.progress
    far = tuple(
        LimitFigure(f"a-limit-with-a-long-name-{k}", 9000.0 + k, 0.01, Range(1.0, 2.0, 3.0))
        for k in range(30)
    )
    option = OptionalFigure("survey", "drop", 9000.0, 0.5, 900.0, False, LONG)
    crowded = replace(
        estimated(
            scene,
            limits=far,
            optional=(option,),
            alerts=(Alert("one", LONG, False), Alert("two", f"{LONG} twice", True)),
        ),
        trouble=f"one.sqlite: {LONG}, too",
        moved=Moved(0.0, NOW_S, ((LONG, 600.0),)),
        supposed=Supposed("drop lamp", trouble=LONG),
        orders=Orders(NOW_S, (Suggestion({}, f"hand a step over: {LONG}: earlier", 600.0, 0.9),)),
    )
    lines = in_full(crowded, width)
    assert all(width_of(line) == width for line in lines)
    page = words(lines)
    wanted = [LONG, f"{LONG} twice", f"one.sqlite: {LONG}, too", f"survey: {LONG}"]
    wanted += [f"hand a step over: {LONG}", f"cannot be: {LONG}", progress.plan.excursion, progress.plan.zero]
    wanted += [f"a-limit-with-a-long-name-{k}" for k in range(30)] if width >= 80 else []
    wanted += [state.task.title for state in progress.tasks.values()]
    wanted += ["note glare on the panel", "the clock starts"]
    for one in wanted:
        assert " ".join(one.split()) in page, one
    assert page.count(LONG) == 7
    assert len(progress.events) == 8 and all(f" {event.number} " in f" {page} " for event in progress.events)


def test_a_long_word_is_broken_not_cut() -> None:
    lines = folded((Span("EV1        "), Span("x" * 90), Span(" end")), 40, 11)
    assert "".join(text_of(lines).split()) == "EV1" + "x" * 90 + "end"
    assert "".join(text_of(under("y" * 90, 30)).split()) == "y" * 90


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-7200, 7200), min_size=1, max_size=12), st.integers(-120, 120))
def test_causes_add_up_as_they_are_shown(seconds: list[float], whole: int) -> None:
    causes = [(f"cause {k}", one) for k, one in enumerate(seconds)]
    told = shown_causes(causes, whole * 60)
    assert sum(one for _, one in told) == whole * 60
    exact = dict(causes)
    first = max(causes, key=lambda cause: abs(cause[1]))[0]
    assert all(abs(one - exact[name]) <= 30.02 for name, one in told if name != first)


def test_the_causes_add_up_to_the_change_of_what_is_shown(scene: LeadScene) -> None:
    causes = (("handle", 714.0 - 2.8), ("window", -690.0 + 2.9), ("translate", -573.1 + 2.9), ("fasten", 0.4))
    lines = text_of(why(replace(scene, moved=Moved(300.0, NOW_S, causes)), 100, 9)).splitlines()
    before, after = re.findall(r"INSIDE (\d+:\d\d) -> (\d+:\d\d)", lines[0])[0]
    said = [int(one) for one in re.findall(r" ([+-]\d+)(?= |$)", lines[1])]
    assert sum(said) == minutes_of(after) - minutes_of(before)
    assert "fasten" not in lines[1]
    # What was finished for an earlier instant is shown with it, and explains what was projected then.
    stale = replace(scene, moved=Moved(300.0, NOW_S - 60.0, (("fasten", 1500.0),), 10800.0, 0.5))
    head, said_of, *_ = text_of(why(stale, 100, 9)).splitlines()
    assert "why, since 0:05, as of 0:40: INSIDE 2:35 -> 3:00, chance" in head and "-> 50 %" in head
    assert said_of.strip() == "fasten +25"


def minutes_of(pet: str) -> int:
    hours, minutes = pet.split(":")
    return int(hours) * 60 + int(minutes)


async def test_the_page_is_opened_moved_and_left(at_lead: Callable[..., Any]) -> None:
    async with at_lead((80, 24)) as at:
        await at.press("exclamation_mark")
        assert "─ alerts" in at.screen and "below   up, down" in at.screen and "Esc back" in at.screen
        top = at.screen
        await at.press("pagedown")
        assert at.lead.top == at.lead.page_rows and at.session.chosen is None
        await at.press(*["pagedown"] * 40)
        assert "1 zero" in at.screen or "the clock starts" in at.screen, at.screen
        last = at.lead.top
        await at.press("down", "down")
        assert at.lead.top == last, "it ends where its last row is in sight"
        await at.press(*["pageup"] * 30)
        assert at.screen == top
        await at.press("escape")
        assert "INSIDE through the day" in at.screen


async def test_help_moves_by_pages_and_says_how_to_read_it(at_lead: Callable[..., Any]) -> None:
    async with at_lead((80, 24)) as at:
        await at.press("question_mark", *["pagedown"] * 12)
        assert "Words of state" in at.screen and at.session.chosen is None
        seen = ""
        for _ in range(5):
            await at.press("pageup")
            seen += at.screen
        assert "What the figures mean" in seen and "SHORT where it lies before" in " ".join(seen.split())


async def test_a_message_gives_way_to_the_alert_behind_it(
    at_lead: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.console.lead.SAID_S", 0.05)
    async with at_lead() as at:
        await at.press("T")
        await at.until(lambda: not at.session.said)
        assert "survey: last call 2:30" in at.screen.splitlines()[-3]
