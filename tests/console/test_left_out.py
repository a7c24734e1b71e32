"""Optional work that the advice leaves out but nobody has dropped: said wherever it would be missed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from tests.runs import Run, step, task
from tracker.console.typed_events import of_estimates
from tracker.console.view.alerts import alert_rows, detail
from tracker.console.view.crew import crew_lines
from tracker.console.view.head import basis_line, changed_rule, head, limit_line
from tracker.console.view.right_pane import if_called_words, optional_lines
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.steps import steps_list, way_home
from tracker.console.view.styled_text import text_of
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Alert, Before, Changed, ChangedLimit, Choice, Ground, Range, Verdict


@pytest.fixture
def greasing_next(under_way: Scene) -> Scene:
    """EV1 goes on to a step of a task that is advised to be dropped."""
    progress = under_way.progress
    ahead = [s for s in progress.order["EV1"] if s not in ("pump.bolts", "grease.latch")]
    order = {**progress.order, "EV1": ("pump.bolts", "grease.latch", *ahead)}
    return replace(under_way, snapshot=Snapshot(replace(progress, order=order), under_way.estimate))


@pytest.mark.parametrize(("width", "height"), [(80, 6), (100, 6), (100, 3), (120, 6), (200, 3)])
def test_what_the_advice_leaves_out_is_nobodys_next(greasing_next: Scene, width: int, height: int) -> None:
    row = text_of(crew_lines(greasing_next, width, height))
    assert "Grea" not in row and "next Swap the" in row


@pytest.mark.parametrize(("width", "height"), [(80, 3), (100, 6), (120, 6), (200, 3)])
def test_who_has_only_that_ahead_is_idle_and_the_keys_that_decide_are_said(
    greasing_next: Scene, width: int, height: int
) -> None:
    progress = greasing_next.progress
    ahead = [s for s in progress.order["EV1"] if s not in ("pump.bolts", "grease.latch")]
    order = {**progress.order, "EV1": ("grease.latch", *ahead)}
    current = {**progress.current, "EV1": "grease.latch"}
    now = replace(progress, order=order, current=current)
    rows = text_of(
        crew_lines(replace(greasing_next, snapshot=Snapshot(now, greasing_next.estimate)), width, height)
    )
    assert "1 EV1" in rows and "idle decide c grease: k c keeps, d c drops" in rows
    assert "Grease the hinge" not in rows


@pytest.mark.parametrize(("left_s", "words"), [(None, "16:17 of 16:00 min"), (600.0, "16:17 of 20:00 min")])
def test_a_retimed_step_shows_its_new_time(under_way: Scene, left_s: float | None, words: str) -> None:
    progress = under_way.progress
    bolts = replace(progress.steps["pump.bolts"], left_s=left_s, left_worked_s=600.0)
    steps = {**progress.steps, "pump.bolts": bolts}
    scene = replace(under_way, snapshot=Snapshot(replace(progress, steps=steps), under_way.estimate))
    assert words in text_of(crew_lines(scene, 100, 6))


def test_the_chosen_line_says_why_and_with_which_keys_it_is_decided(greasing_next: Scene) -> None:
    words = "the figures leave grease out (advice: drop), nobody has decided: d drops it, k keeps it"
    for chosen in ("EV1", "grease.latch"):
        assert words in detail(replace(greasing_next, chosen=chosen))
    assert words not in detail(replace(greasing_next, chosen="EV2"))


@pytest.mark.parametrize("width", [62, 80, 120])
def test_the_list_counts_what_it_leaves_out(greasing_next: Scene, width: int) -> None:
    head = text_of(steps_list(greasing_next, width, 9)).splitlines()[0]
    assert head.startswith(" 4 done, 9 ahead, 2 not counted")
    assert (": grease" in head) == (width > 62)


async def test_a_step_that_is_left_out_is_found_in_words(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        at.estimate()
        await at.strike("slash")
        await at.type("hinge")
        assert (
            at.said
            == "not in the list, as the figures leave it out: Grease the hinge and the latch; p says why"
        )


async def test_what_was_found_is_told_in_full(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.strike("slash")
        await at.type("bolts")
        assert "1 step: Tab goes to the next, Enter chooses it" in at.screen
        await at.press("enter")
        assert "Tab goes to the next" not in at.screen
        assert "pump.bolts  EV1  Release the captive bolts" in at.screen


def test_the_head_says_to_spare_of_the_limit_that_comes_first_and_names_the_least_sure_to_hold(
    under_way: Scene,
) -> None:
    estimate = under_way.estimate
    assert estimate is not None and estimate.binding is not None
    assert "31 min to spare: EV2 oxygen reaches its reserve at 3:45" in text_of([limit_line(under_way, 160)])
    wide = replace(estimate.binding, reached=Range(30000.0, 33600.0, 34000.0), to_spare=21960, chance=0.04)
    changed = replace(estimate, binding=wide, limits=(estimate.limits[0], wide))
    scene = replace(under_way, snapshot=Snapshot(under_way.progress, changed))
    assert "46 min to spare: elapsed limit at 4:00" in text_of([limit_line(scene, 200)])
    for width in (80, 200):
        assert " least sure to hold: EV2 oxygen, 96 % ──" in text_of(changed_rule(scene, width, 1))
    both = replace(changed, limits=(wide,))
    doubt = Alert("confidence", "chance 80 %", False, "confidence", subject=wide.id)
    for once in (both, replace(changed, alerts=(doubt,))):
        row = text_of(changed_rule(replace(scene, snapshot=Snapshot(scene.progress, once)), 200, 1))
        assert "least sure" not in row, "the limit that comes first, or an alert, names it already"
    read = Changed(
        since=0.0,
        at=scene.now,
        inside=Before(changed.inside.p50, changed.inside.p50),
        safe=Before(0.94, 0.8),
        causes=(),
        limits=(ChangedLimit("EV2.oxygen", 0.04, 0.2),),
        read=("EV2.oxygen",),
    )
    told = replace(scene, snapshot=Snapshot(scene.progress, replace(changed, changed=read)))
    for width in (80, 200):
        row = text_of(changed_rule(told, width, 1))
        assert "chance 94 % -> 80 %" in row and "EV2 oxygen as it was read" in row
    for width in range(60, 200):
        assert "46 min to spare: elapsed" in text_of([limit_line(scene, width)])
    assert "turn by 3:03" in text_of([limit_line(scene, 62)])


def test_one_alert_has_the_room_to_the_key_that_acknowledges_it(under_way: Scene) -> None:
    words = "controller.unplug: a go is wanted now: Ground reports both inhibits in place"
    for others, rows in ((0, 1), (1, 2)):
        alerts = (Alert("one", words, False), *[Alert("two", "short", False)] * others)
        assert under_way.estimate is not None
        changed = Snapshot(under_way.progress, replace(under_way.estimate, alerts=alerts))
        assert alert_rows(replace(under_way, snapshot=changed), 100)[0] == rows


@pytest.mark.parametrize("height", [4, 30])
def test_once_everything_is_done_the_list_says_what_closes_the_excursion(
    under_way: Scene, height: int
) -> None:
    ended = {
        id: replace(state, ended="done", began=0.0, done=60.0)
        for id, state in under_way.progress.steps.items()
    }
    scene = replace(under_way, snapshot=Snapshot(replace(under_way.progress, steps=ended), None))
    assert "no steps left. X closes the excursion" in text_of(steps_list(scene, 80, height))
    closed = replace(scene, snapshot=Snapshot(replace(scene.progress, closed=100.0), None))
    assert "closes the excursion" not in text_of(steps_list(closed, 80, height))


@pytest.mark.parametrize("width", [80, 100, 120])
def test_the_mark_of_a_rehearsal_takes_no_words_from_a_low_chance(under_way: Scene, width: int) -> None:
    assert under_way.estimate is not None
    low = replace(under_way.estimate, safe=0.8)
    progress = replace(under_way.progress, rehearsal=True)
    rows = text_of(head(replace(under_way, snapshot=Snapshot(progress, low)), width, 3))
    assert "80 %, need 90 %" in rows and "~" not in rows
    assert text_of(changed_rule(replace(under_way, snapshot=Snapshot(progress, low)), width, 1)).endswith(
        " REHEARSAL ──"
    )


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_that_the_clock_stands_is_never_cut(under_way: Scene, width: int) -> None:
    row = text_of(head(replace(under_way, live=False), width, 3)).splitlines()[0]
    assert "the clock stands" in row and "~" not in row


def test_what_moves_turn_back_by_less_than_is_shown_is_not_said(under_way: Scene) -> None:
    assert under_way.estimate is not None
    turn = under_way.estimate.turn_back
    for moved_to, said in ((10400.0, True), (turn.latest, False), (None, True)):
        changed = replace(under_way.estimate, turn_back=replace(turn, moved_to=moved_to))
        said_of = if_called_words(under_way.progress, changed)
        assert ("once " in said_of and " has begun, turn home " in said_of) == said


@pytest.mark.parametrize("width", [72, 76, 80, 100])
def test_no_figure_of_the_second_row_and_of_the_way_home_is_cut(under_way: Scene, width: int) -> None:
    estimate = under_way.estimate
    assert estimate is not None
    kept = frozenset(one.task for one in estimate.optional)
    sure = replace(estimate, safe=0.9999, advice=replace(estimate.advice, kept=kept))
    scene = replace(under_way, snapshot=Snapshot(under_way.progress, sure))
    assert len(scene.snapshot.passed_over) == 0
    basis = text_of([basis_line(scene, width)])
    assert "need 90 %" in basis and "~" not in basis
    large = [text_of([line]) for line in way_home(scene, width, 12)[:3]]
    assert "if called now: inside 1:12" in large[2] and not any("~" in row for row in large)


@pytest.mark.parametrize(
    ("advice", "ground", "with_it", "said"),
    [
        ("drop", "figures", 0.864, "drop     86 %, need 90 %"),
        ("drop", "figures", None, "drop     cannot fit"),
        ("decide", "figures", 0.84, "decide   84 %, need 90 %"),
        ("decide", "figures", None, "decide   -"),
        ("drop", "early", 0.82, "not yet  so far 82 %"),
    ],
)
def test_a_task_without_a_start_says_how_sure_it_is_and_how_sure_it_should_be(
    under_way: Scene, advice: Verdict, ground: Ground, with_it: float | None, said: str
) -> None:
    """*Cannot fit: 86 %* was no answer to anybody."""
    made = under_way.estimate
    assert made is not None
    figures = [
        replace(figure, advice=advice, ground=ground, last_call=None) if figure.task == "grease" else figure
        for figure in made.optional
    ]
    keep = Choice("keep:grease", (), (), made.inside, with_it or 0.0, None, None, None, None, None, False, 0)
    made = replace(made, optional=tuple(figures), choices=() if with_it is None else (keep,))
    rows = text_of(optional_lines(replace(under_way, snapshot=Snapshot(under_way.progress, made)), 60))
    assert any("grease" in row and said in row for row in rows.splitlines()), rows


def test_a_preview_names_other_work_that_it_puts_in() -> None:
    run = Run(
        task("a", step("1", "EV1", 60)),
        task("c", step("1", "EV1", 30), priority="get-ahead"),
        task("home", step("in", "EV1", 40), closeout=True),
        crew="EV1",
        limits={"elapsed": "2:05"},
    )
    then = run.now.suppose({"kind": "done", "step": "a.1", "at": 3600})
    stands, supposed = (estimate(one, 3600, scenarios=50) for one in (run.now, then))
    assert of_estimates(stands, supposed).words.endswith(", c now counted")
    assert "counted" not in of_estimates(stands, supposed, {"c"}).words
