"""Nothing is hidden: what has no room ends in a mark and can be read in full on the same screen."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from tests.screens import screen
from tracker.console.layout import layout_for
from tracker.console.pane import Pane
from tracker.console.view.alerts import INDENT, alert_lines, alerts_list, detail, message_lines
from tracker.console.view.crew import crew_lines, member_at
from tracker.console.view.head import spare_forms
from tracker.console.view.runway import runway
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import page, text_of, wrapped
from tracker.console.view.words import pet_s
from tracker.forecast.figures import Alert
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan

SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]
LONG = (
    "controller.power: must finish by 2:40, in 0:14; late in 23 % of the courses; it waits for the go of "
    "the ground, which was asked for at 2:11 and has not come yet"
)


def words(text: str) -> str:
    """Return text without the layout: one blank between words."""
    return " ".join(text.split())


def with_alerts(scene: Scene, *texts: str) -> Scene:
    assert scene.estimate is not None
    alerts = tuple(Alert(f"a:{n}", text, False) for n, text in enumerate(texts))
    return replace(scene, snapshot=Snapshot(scene.progress, replace(scene.estimate, alerts=alerts)))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_first_alert_is_shown_in_full_at_every_size(under_way: Scene, width: int, height: int) -> None:
    scene = with_alerts(under_way, LONG, "survey: last call 2:30")
    layout = layout_for(scene, width, height)
    shown = text_of(alert_lines(scene, width, layout.alerts))
    first = shown.splitlines()[0]
    assert first.startswith(" !  LOOK  ") and "a seen" in first
    told = words(shown.replace("a seen", "").replace("1 more: !", "").replace(" !  LOOK ", ""))
    assert LONG in told
    assert ("survey: last call 2:30" in told) != ("1 more: !" in first)
    every = words(text_of(alerts_list(scene, width, 12)))
    assert LONG in every and "survey: last call 2:30" in every


def test_what_has_no_room_is_marked_and_alerts_that_share_a_row_are_counted_one_by_one(
    under_way: Scene,
) -> None:
    shown = text_of(alert_lines(with_alerts(under_way, LONG, "seen"), 80, 1)).splitlines()
    assert "~" in shown[0] and "1 more: !" in shown[0]
    calls = [Alert(f"c:{n}", f"call {n}", False, "last-call", by=7200.0) for n in range(4)]
    scene = with_alerts(under_way, "short")
    assert scene.estimate is not None
    told = replace(scene.estimate, alerts=(*scene.estimate.alerts, *calls))
    scene = replace(scene, snapshot=Snapshot(scene.progress, told))
    assert "4 more: !" in text_of(alert_lines(scene, 80, 1))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_message_takes_the_rows_that_it_needs(under_way: Scene, width: int, height: int) -> None:
    scene = replace(with_alerts(under_way, LONG), said=LONG)
    layout = layout_for(scene, width, height)
    assert words(text_of(message_lines(scene, width, layout.message))) == LONG


def test_alerts_the_message_and_the_keys_are_in_sight_however_few_rows_there_are(under_way: Scene) -> None:
    for scene in (under_way, replace(with_alerts(under_way, LONG), said=LONG)):
        for height, width, view in product(range(5, 40), (20, 80, 120), ("steps", "alerts", "help")):
            layout = layout_for(scene, width, height, view)
            rows_of_keys_and_middle = 2
            assert sum(layout.rows.values()) + rows_of_keys_and_middle <= height, (width, height, view)
            assert min(layout.alerts, layout.message) >= 1


def test_short_messages_and_alerts_move_nothing(under_way: Scene) -> None:
    for width, height in SIZES:
        quiet = layout_for(with_alerts(under_way), width, height)
        for scene in (with_alerts(under_way, "survey: last call 2:30"), replace(under_way, said="7 on disk")):
            assert layout_for(scene, width, height) == quiet


def test_all_acknowledged_alerts_can_still_be_read(under_way: Scene) -> None:
    assert under_way.estimate is not None
    alerts = (Alert("a", "seen long ago", True), Alert("b", "waits", False))
    scene = replace(
        under_way, snapshot=Snapshot(under_way.progress, replace(under_way.estimate, alerts=alerts))
    )
    shown = text_of(alerts_list(scene, 80, 5)).splitlines()
    assert "1 alert" in shown[0] and "waits" in shown[1] and shown[2].split()[0] == "seen"


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_what_is_chosen_is_told_in_full(under_way: Scene, width: int) -> None:
    scene = replace(under_way, chosen="pump.join")
    told = words(text_of(message_lines(scene, width, 8)))
    for part in (
        "pump.join EV2 Join the coolant lines",
        "takes 15 min",
        "done within 60 min after close and part",
    ):
        assert part in told
    who = detail(replace(under_way, chosen="EV1"))
    assert who.startswith("EV1 (Lead): now Release the captive bolts (pump.bolts); next Swap the pump")


def test_before_the_start_all_is_calm_and_it_is_said_what_starts_the_clock(before: Scene) -> None:
    for width, _ in SIZES:
        said = text_of(alert_lines(before, width, 1))
        assert said.startswith(" calm     z starts the clock: Both suits on battery power; ? shows every key")


def test_long_text_is_wrapped_at_words_and_keeps_its_units() -> None:
    assert wrapped("late in 3 % of all", 9) == ["late in", "3 % of", "all"]
    assert wrapped("  a bb ccc", 6, indent=2) == ["  a bb", "    cc", "    c"]
    assert wrapped("漢字漢字", 4) == ["漢字", "漢字"]
    assert wrapped("", 10) == [""]


def test_a_page_counts_what_is_above_and_below() -> None:
    from tracker.console.view.styled_text import crop, say

    lines = [crop((say(f"row {n}"),), 60) for n in range(10)]
    for top, first, mark in (
        (0, "row 0", "6 below"),
        (3, "row 3", "3 above, 3 below"),
        (99, "row 6", "6 above"),
    ):
        shown = text_of(page(lines, 60, 5, top)).splitlines()
        assert shown[0] == first and mark in shown[-1] and len(shown) == 5
    assert "below" not in text_of(page(lines, 60, 10, 0))


def test_letters_near_one_another_stand_side_by_side(under_way: Scene) -> None:
    assert under_way.estimate is not None
    calls = {"survey": 10180.0, "lamp": 10200.0, "grease": 6000.0}
    figures = tuple(replace(f, last_call=calls[f.task]) for f in under_way.estimate.optional)
    snapshot = Snapshot(under_way.progress, replace(under_way.estimate, optional=figures))
    for width in (80, 100, 120, 200):
        starts = text_of(runway(replace(under_way, snapshot=snapshot), width, 4)).splitlines()[1]
        assert starts.split() == ["start", "by", "c", "ab"]


def crowd(folder: Path, members: int) -> Path:
    """Return a plan whose crew has more members than there are digits."""
    crew = ", ".join(f"{{id: C{n}}}" for n in range(1, members + 1))
    tasks = "".join(
        f"\n      - {{id: s{n}, do: Tend the rope of post number {n}, crew: [C{n}], time: 0:10}}"
        for n in range(1, members + 1)
    )
    text = (
        f"format: 1\nexcursion: Crowd\nlimits: {{elapsed: 4:00}}\ncrew: [{crew}]\n"
        f"tasks:\n  - id: ropes\n    steps:{tasks}\n"
        "  - id: home\n    closeout: true\n    steps: [{do: Go in, crew: [C1], time: 0:05}]\n"
    )
    path = folder / "crowd.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 55)])
async def test_a_member_beyond_the_ninth_is_chosen_and_ticked(
    at_desk: Callable[..., Any], tmp_path: Path, size: tuple[int, int]
) -> None:
    plan = read_plan(crowd(tmp_path, 12))
    async with at_desk(size, opener=lambda: Journal.create(tmp_path / "one.sqlite", plan)) as at:
        await at.press("z", *["tab"] * 11)
        assert "C11" in at.said or "C11: now Tend the rope of post number 11" in words(at.screen)
        assert any(line.startswith(">") and "C11" in line for line in at.screen.splitlines())
        await at.press("space")
        assert at.events[-1].body["step"] == "ropes.s11"
        at.hand.move(600)
        await at.press("tab", "minus", "space", "3")
        assert (at.events[-1].body["step"], at.events[-1].at) == ("ropes.s12", 616 - 180)
        assert "1..9 tick" in at.screen and "Tab crew" in at.screen and "Space tick" in at.screen
        await at.press("e")
        assert at.desk.entry.line.value == "C12 "


async def test_space_without_a_choice_says_what_to_do(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "space")
        assert at.kinds == ["zero"]
        assert "Tab chooses a crew member, then Space ticks" in at.said


def test_a_crew_larger_than_the_screen_says_how_many_have_no_row(
    tmp_path: Path, before: Scene, exact: Callable[..., str]
) -> None:
    with Journal.create(tmp_path / "one.sqlite", read_plan(crowd(tmp_path, 30))) as journal:
        scene = replace(before, snapshot=Snapshot(journal.progress(), None))
    rows = layout_for(scene, 80, 24).crew
    assert rows == 10
    shown = exact(crew_lines(scene, 80, rows), 80, rows)
    assert "~ 21 more of the crew: Tab goes on" in shown and "C9" in shown
    later = exact(crew_lines(replace(scene, chosen="C30"), 80, rows), 80, rows)
    assert ">  C30" in later
    assert member_at(replace(scene, chosen="C30"), 80, rows, 8) == 30
    assert member_at(scene, 80, rows, 9) is None


async def test_a_click_on_the_digit_ticks_and_one_on_the_line_chooses(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z")
        await at.pilot.click("#crew", offset=(20, 2))
        await at.settle()
        assert at.desk.chosen == "EV2" and at.kinds == ["zero"]
        await at.pilot.click("#crew", offset=(1, 4))
        await at.settle()
        assert at.events[-1].body["step"] == "egress.check"
        column = at.screen.splitlines()[-1].index("1..3 tick")
        await at.pilot.click("#footer", offset=(column + 1, 0))
        await at.settle()
        assert at.desk.chosen == "IV"


async def test_an_event_is_chosen_by_a_click_and_told_in_full(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "n")
        await at.type(
            "a long note about the third connector which does not want to come off at all, says EV2"
        )
        await at.press("enter", "j")
        await at.pilot.click("#body", offset=(20, 1))
        await at.settle()
        told = words("\n".join(text_of(at.desk.query_one("#message", Pane).lines).splitlines()))
        assert "does not want to come off at all, says EV2; written 14:00" in told and "by desk" in told


async def test_what_is_asked_most_stands_beside_the_list_where_there_is_room(
    at_desk: Callable[..., Any],
) -> None:
    for size, words in (((100, 30), ()), ((200, 55), ("what runs down", "last events"))):
        async with at_desk(size) as at:
            await at.press(*(["z"] if size[0] == 100 else []))
            at.estimate()
            await at.settle()
            beside = text_of(at.desk.query_one("#side", Pane).lines)
            assert all(
                word in beside for word in ("advice", "start by", "INSIDE by", "if called now", *words)
            )


async def test_optional_and_consumables_have_a_page_of_their_own_at_every_size(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk((100, 30)) as at:
        await at.press("z")
        at.estimate()
        await at.press("p")
        assert "in time" in at.screen and "grease (Grease the latch): no set with it holds" in at.screen
        await at.press("x")
        assert "to spare" in at.screen and "at reserve" in at.screen
        await at.press("x")
        assert at.desk.view_name == "steps"


@pytest.mark.parametrize("size", [(30, 10), (40, 16), (50, 20)])
def test_on_the_smallest_screens_figures_are_whole_and_what_is_cut_is_marked(
    under_way: Scene, size: tuple[int, int]
) -> None:
    """PET was cut within its minutes, the chance left out for the basis, and alerts ended without a mark."""
    assert under_way.estimate is not None
    for texts in ([LONG[:n]] for n in range(4, len(LONG), 7)):
        scene = with_alerts(under_way, *texts)
        rows = screen(scene, *size).splitlines()
        assert f"PET {pet_s(scene.now)}" in rows[0]
        assert re.search(r"INSIDE(~| \S.*)  >?\d+ %(, need 90 %)? *$", rows[1]), rows[1]
        spare = text_of([spare_forms(under_way.estimate)[-1]])
        assert spare in rows[2] or rows[2].rstrip().endswith("~"), rows[2]
        begin = next(n for n, row in enumerate(rows) if "LOOK" in row)
        told = words(" ".join(row[INDENT:] for row in rows[begin : begin + alert_height(scene, *size)]))
        assert told == words(texts[0]) or told.endswith("~"), (size, told)
    for width in range(1, size[0]):
        assert all(len(row) <= width for row in screen(under_way, width, size[1]).splitlines())


def alert_height(scene: Scene, width: int, height: int) -> int:
    """Return the rows that alerts have."""
    return layout_for(scene, width, height).alerts


async def test_everyone_is_named_in_a_hold_of_all(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "h")
        await at.type("visor fogged")
        assert "held all (visor fogged)" in at.said
        await at.press("enter")
        assert at.said == "entry 2 saved: held all (visor fogged)   u takes it back"


async def test_the_cursor_stays_in_sight_while_a_long_line_is_typed(at_desk: Callable[..., Any]) -> None:
    async with at_desk((80, 24)) as at:
        await at.press("z", "n")
        await at.type("a remark of more than the eighty cells which the whole line has, to its last words")
        assert at.whole.splitlines()[-1].rstrip().endswith("to its last words")


async def test_the_cursor_stays_in_sight_when_the_window_narrows(at_desk: Callable[..., Any]) -> None:
    async with at_desk((120, 36)) as at:
        await at.press("z", "n")
        await at.type("a long remark that needs more than sixty cells of the line, up to its last words")
        for width, height in ((120, 36), (60, 16), (40, 12)):
            await at.pilot.resize_terminal(width, height)
            await at.settle()
            await at.painted()
            assert at.whole.splitlines()[-1].rstrip().endswith("last words")
        await at.pilot.resize_terminal(120, 36)
        await at.settle()
        await at.press("enter")
        assert at.events[-1].body["text"].endswith("up to its last words")
