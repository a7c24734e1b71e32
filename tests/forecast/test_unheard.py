"""Who is asked whether a tick is missing, and what the advice then rests on."""

from __future__ import annotations

import pytest

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Unheard


def run_of(**first: object) -> Run:
    return Run(
        task("a", step("1", "EV1", 4, **first), step("2", "EV1", 30)),
        task("b", step("1", "EV2", 120)),
        task("photos", step("1", "EV1", 10), priority="get-ahead"),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )


def asked(run: Run, minutes: float) -> tuple[Unheard, ...]:
    return flat(run.now, minutes * 60).unheard


def test_beyond_twice_the_time_and_five_minutes_more() -> None:
    run = run_of()
    assert asked(run, 9) == ()
    assert asked(run, 9.1) == (Unheard("a.1", "EV1", 0.0, 240.0),)
    run.done("a.1", at=600)
    assert asked(run, 70) == ()
    assert asked(run, 70.1) == (Unheard("a.2", "EV1", 600.0, 1800.0),)


def test_not_who_is_held_silent_or_waits() -> None:
    for kind in ("held", "silent"):
        run = run_of()
        run(kind, 60, crew=["EV1"] if kind == "held" else "EV1")
        assert asked(run, 30) == ()
    run = run_of(hold_point="ask")
    assert asked(run, 30) == ()


def test_a_retimed_step_is_asked_about_by_its_own_time() -> None:
    run = run_of()
    run("retimed", 300, step="a.1", time="0:20", left=True)
    assert asked(run, 44) == ()
    assert asked(run, 46) == (Unheard("a.1", "EV1", 300.0, 1200.0),)


def test_a_count_is_a_word() -> None:
    run = run_of(count=2)
    run("counted", 480, step="a.1", count=1)
    assert asked(run, 14) == ()
    assert asked(run, 16) == (Unheard("a.1", "EV1", 480.0, 120.0),)


def test_a_joint_step_has_a_row_for_each() -> None:
    run = Run(task("a", step("1", "EV1 EV2", 4)), task("home", step("in", "EV1 EV2", 1), closeout=True))
    assert [(one.step, one.crew) for one in asked(run, 30)] == [("a.1", "EV1"), ("a.1", "EV2")]


def test_who_was_away_from_every_link_is_asked_about_two_minutes_after_it_is_back() -> None:
    link = {"id": "link", "open": [["0:00", "0:08"], ["0:20", "0:40"]], "kind": "link"}
    first = task("a", step("1", "EV1", 4), step("2", "EV1", 90))
    run = Run(first, task("home", step("in", "EV1 EV2", 10), closeout=True), windows=[link])
    assert [bool(asked(run, at)) for at in (10, 19, 21.9, 22, 50)] == [False, False, False, True, True]


def test_a_step_that_goes_on_does_not_move_what_it_is_held_against() -> None:
    run = Run(
        task("a", step("1", "EV1", 20), step("2", "EV1", 20), step("3", "EV1", 20)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    run.done("a.1", at=1320)
    begun = estimate(run.now, 1330, scenarios=200).pace["EV1"]
    (one,) = estimate(run.now, 1320 + 3000, scenarios=200).unheard
    assert one.expected == pytest.approx(1200 * begun, rel=1e-6)


def test_what_the_advice_rests_on() -> None:
    run = run_of()
    assert {one.ground for one in flat(run.now, 60).optional} == {"early"}
    run.done("a.1", at=240)
    run.done("a.2", at=2040)
    assert {one.ground for one in flat(run.now, 2100).optional} == {"figures"}
    assert {one.ground for one in flat(run.now, 6000).optional} == {"unheard"}


def test_of_counts_none_came_sooner_and_how_long_it_is_over_is_told_instead_of_an_end() -> None:
    home = task("home", step("in", "EV1 EV2", 10), closeout=True)
    run = Run(task("a", step("1", "EV1", 13, count=6)), home)
    assert asked(run, 19.4) == () and asked(run, 24) == (Unheard("a.1", "EV1", 0.0, 780.0),)
    made = flat(run.now, 1440)
    (alert,) = (one for one in made.alerts if one.kind == "tick")
    assert alert.text.startswith("0 of 6 after 24:00 of 13:00 min: ask EV1 how many. Do 1: done? EV1, ")
    (end,) = (one for one in made.due if one.subject == "a.1")
    assert (end.at, end.text) == (780, "EV1 11 min over at Do 1")
    run("counted", 1450, step="a.1", count=1)
    assert not [one for one in flat(run.now, 1460).alerts if one.kind == "tick"]


def test_a_count_that_does_not_come_is_asked_for_by_the_time_of_one_item() -> None:
    home = task("home", step("in", "EV1 EV2", 10), closeout=True)
    run = Run(task("a", step("1", "EV1", 18, count=6)), home)
    run("counted", 240, step="a.1", count=1)
    assert asked(run, 12) == () and asked(run, 12.1) == (Unheard("a.1", "EV1", 240.0, 180.0),)
    made = flat(run.now, 1440)
    (alert,) = (one for one in made.alerts if one.kind == "tick")
    assert alert.text.startswith("no count since 0:04: 1 of 6, ask EV1 how many. Do 1: done? ")
    (end,) = (one for one in made.due if one.subject == "a.1")
    assert (end.at, end.text) == (420, "EV1 20 min uncounted at Do 1")
    run("counted", 1450, step="a.1", count=6)
    assert asked(run, 25) == ()
