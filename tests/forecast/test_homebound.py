"""On the way home: nobody outside has other work than closeout; and what a call now comes to."""

from __future__ import annotations

from typing import Any

import pytest

from tests.flat import flat
from tests.runs import LATER, Run, plan_of, step, task
from tracker.debrief.excursion import debriefed
from tracker.forecast.due import left_by_recall
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import TurnBack
from tracker.forecast.news import news_since
from tracker.forecast.report import watch_lines
from tracker.forecast.wording import left_words
from tracker.journal.typed import parse_entry


def run_of(*more: dict[str, Any], limit: str = "1:30") -> Run:
    plan = plan_of(
        task("a", step("1", "EV1", 30)),
        task("b", step("1", "EV2", 60)),
        *more,
        task("home", step("count-1", "EV1", 5), step("count-2", "EV2", 5), step("in", "EV1 EV2", 10),
             closeout=True),
        limits={"elapsed": limit},
    )  # fmt: skip
    return Run(plan=plan)


def turn(run: Run, minutes: float) -> TurnBack:
    return flat(run.now, minutes * 60).turn_back


def test_not_while_somebody_still_works_though_a_step_of_closeout_is_done() -> None:
    run = run_of()
    run.done("a.1", at=1800)
    run.done("home.count-1", at=2100)
    found = turn(run, 36)
    assert not found.homebound and found.latest == 75 * 60
    run.done("b.1", at=3600)
    found = turn(run, 60)
    assert (found.homebound, found.latest) == (True, None)


def test_work_that_is_left_out_does_not_count() -> None:
    for limit, homebound in (("1:30", True), ("6:00", False)):
        run = run_of(task("long", step("1", "EV1", 120, hold_point="ask"), priority="get-ahead"), limit=limit)
        run.done("a.1", at=1800)
        run.done("b.1", at=3600)
        made = flat(run.now, 3600)
        assert (not made.advice.kept, made.turn_back.homebound) == (homebound, homebound)


def test_called_home_is_on_the_way_home() -> None:
    run = run_of()
    run("called", 600, call="home", crew=["EV1"])
    assert not turn(run, 10).homebound
    run("called", 660, call="home", crew=["EV2"])
    assert turn(run, 11).homebound


def test_the_chance_if_called_now_is_what_the_call_gives() -> None:
    for limit in ("0:40", "0:44", "0:48"):
        run = run_of(limit=limit)
        now = 25 * 60.0
        found = estimate(run.now, now, scenarios=500).turn_back
        called = estimate(run.now.suppose({"kind": "called", "call": "home", "at": now}), now, scenarios=500)
        assert found.safe_if_now == called.safe and found.inside_if_now == called.inside
    assert called.safe > 0.2


def clocked() -> Run:
    """EV1 has shut the power off at 0:30: on again within an hour, in a must task under way."""
    on = step("on", "EV1", 20, within={"of": "power.off", "time": "1:00"})
    plan = plan_of(
        task("power", step("off", "EV1", 30), step("work", "EV1", 60), on),
        task("home", step("count", "EV2", 30), step("in", "EV1 EV2", 10), closeout=True),
        windows=[{"id": "sun", "open": [["2:00", "2:20"]]}],
    )
    run = Run(plan=plan)
    run.done("power.off", at=1800)
    return run


def test_a_recall_says_which_clock_runs_on_and_what_is_half_done() -> None:
    run = clocked()
    assert left_by_recall(run.now, 1860) == ["Do on, whose clock runs out at 1:30", "power half done"]
    run("called", 1900, call="home")
    assert left_by_recall(run.now, 1960) == [], "said before, and left already"


def test_a_clock_that_nobody_stops_is_told_until_the_excursion_is_closed() -> None:
    run = clocked()
    run("called", 1900, call="home")
    made = flat(run.now, 2000)
    (clock,) = (one for one in made.due if one.kind == "clock")
    assert (clock.at, clock.text) == (5400, "Do on; nobody does it")
    assert "  CLOCK power.on until 1:30: nobody stops it" in watch_lines(run.now, made)
    assert not [one for one in made.due if one.kind == "window"], "none before they are inside"
    for crew in ("EV1", "EV2"):
        run("entered", 5600, crew=crew)
    made = flat(run.now, 5700)
    assert [one.kind for one in made.due] == ["clock"], "nothing else is due once everybody is inside"


def test_who_was_called_before_turn_home_was_due_has_missed_nothing() -> None:
    run = run_of(limit="1:10")
    latest = turn(run, 1).latest
    assert latest is not None
    run("called", latest - 60, call="home")
    assert turn(run, latest / 60 + 20).missed is None


def test_what_a_recall_leaves_half_done_has_no_end_and_its_clock_is_to_be_acted_upon() -> None:
    """A must task whose closer alone remains, one that nobody began, and a clock that nobody stops."""
    plan = plan_of(
        task("plug", step("off", "EV1", 30, opens=["hatch"]), step("fix", "EV1", 60),
             step("on", "EV1", 20, within={"of": "plug.off", "time": "1:00"}),
             step("shut", "EV1", 10, closes=["hatch"])),
        task("trays", step("1", "EV2", 60)),
        task("photos", step("1", "EV1", 10), priority="get-ahead"),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )  # fmt: skip
    run = Run(plan=plan)
    run.done("plug.off", at=1800)
    run("called", 2000, call="home")
    made = flat(run.now, 2400)
    found = {figure.task: figure for figure in made.tasks}
    assert "plug.shut" in run.order("EV1")
    assert (found["plug"].status, found["plug"].start.p50, found["plug"].finish.p50) == ("left", 0.0, None)
    assert (found["trays"].status, found["photos"].status) == ("left", "left")
    assert left_words(run.now, 2400) == "left half done: plug, trays; not done: photos"
    assert "  left half done: plug, trays; not done: photos" in watch_lines(run.now, made)
    clock = next(one for one in made.alerts if one.kind == "clock")
    assert (clock.severity, clock.since, clock.by) == ("act", 2000, 5400)
    assert clock in news_since(made, run.now, None).alerts, "who was to stop it is not at it any more"
    assert clock.text == "Do on is due at 1:30, in 50 min, and nobody does it. begin plug.on, done plug.on"
    assert next(one for one in flat(run.now, 5500).alerts if one.kind == "clock").severity == "look"


@pytest.mark.parametrize("given_up", [("called", {"call": "home"}), ("dropped", {"task": "power"})])
@pytest.mark.parametrize("begun", [True, False])
def test_what_is_offered_for_a_clock_that_nobody_stops_stops_it(
    given_up: tuple[str, Any], begun: bool
) -> None:
    """What is typed counts in time; nothing says then that nobody does it."""
    run = clocked()
    run(given_up[0], 1900, **given_up[1])
    told = next(one for one in flat(run.now, 2000).alerts if one.kind == "clock")
    assert told.do == ("begin power.on", "done power.on")
    for line, at in zip(told.do, (2400, 3000), strict=True):
        if begun or line.startswith("done"):
            (event,) = parse_entry(line, run.now, now=None, utc_now=LATER)
            run(event.pop("kind"), at, **event)
        made = flat(run.now, at + 60)
        if begun:
            assert "nobody" not in str([made.alerts, made.due, watch_lines(run.now, made)])
    assert not [one for one in made.due if one.kind == "clock"]
    assert "nobody" not in str([made.alerts, watch_lines(run.now, made)])
    for crew in ("EV1", "EV2"):
        run("entered", 4000, crew=crew)
    run("closed", 4100)
    verdict = next(one for one in debriefed(run.now, "one.sqlite", None).limits if one.id == "power.on")
    assert (verdict.kept, verdict.words) == (True, "kept: within 1:00 of power.off")


def test_who_is_inside_is_offered_the_tick_alone() -> None:
    run = clocked()
    run("called", 1900, call="home")
    run("entered", 2000, crew="EV1")
    assert [one.do for one in flat(run.now, 2100).alerts if one.kind == "clock"] == [("done power.on",)]
    run("done", 2100, step="power.on")
    assert not [one for one in flat(run.now, 2160).alerts if one.kind == "clock"]


def test_where_one_is_called_the_other_ends_no_task_alone() -> None:
    plan = plan_of(
        task("a", step("1", "EV1", 60), step("2", "EV2", 60)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    run = Run(plan=plan)
    run("called", 600, call="home", crew=["EV1"])
    assert "a.2" in run.order("EV2")
    figure = flat(run.now, 700).tasks[0]
    assert (figure.status, figure.finish.p50) == ("left", None)
