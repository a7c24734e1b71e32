"""The crew follows the plan's rules, whatever the journal knows yet; times in minutes, computed on paper."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from tests.runs import plan_of, step, task
from tests.streams import random_plan
from tracker.plan.model import Plan
from tracker.plan.timeline import as_planned

Rehearse = Callable[..., Any]


def home(*crew: str) -> dict[str, Any]:
    return task("home", step("in", crew or "EV1 EV2", 10), closeout=True)


@pytest.mark.parametrize("seed", range(40))
def test_without_spread_the_course_is_the_one_on_paper(rehearse: Rehearse, seed: int) -> None:
    random = Random(seed)
    plan = random_plan(random)
    while any(one.hold_point for one in plan.step.values()):
        # A go takes its time; on paper it takes none.
        plan = random_plan(random)
    course = as_planned(plan)
    played = rehearse(plan).all()
    on_paper = {s: round(at / 60, 3) for s, at in course.finish.items() if at < float("inf")}
    assert played.minutes == on_paper


def test_order_needs_and_joint_steps(rehearse: Rehearse) -> None:
    plan = plan_of(
        task("a", step("one", "EV1", 10), step("both", "EV1 EV2", 5)),
        task("b", step("two", "EV2", 4, needs=["a.one"]), step("three", "EV2", 3)),
        home(),
    )
    # In file order EV2 comes to the joint step first, so b waits for it.
    assert rehearse(plan).all().minutes == {
        "a.one": 10,
        "a.both": 15,
        "b.two": 19,
        "b.three": 22,
        "home.in": 32,
    }


def test_a_window_is_waited_for(rehearse: Rehearse) -> None:
    plan = plan_of(
        task("a", step("one", "EV1", 10), step("look", "EV1", 5, window="light")),
        home(),
        windows=[{"id": "light", "open": [["0:00", "0:10"], ["0:30", "1:00"]]}],
    )
    assert rehearse(plan).all().minutes["a.look"] == 35


def test_what_is_shut_out_is_skipped(rehearse: Rehearse) -> None:
    windows = [{"id": "light", "open": [["0:00", "0:12"]]}]
    late = task("a", step("one", "EV1", 10), step("look", "EV1", 5, window="light"), step("two", "EV1", 2))
    played = rehearse(plan_of(late, home(), windows=windows))
    played.order(5, {"kind": "held", "crew": ["EV1"]})
    played.order(10, {"kind": "resumed", "crew": ["EV1"]}).all()
    assert [e["step"] for e in played.of("skipped")] == ["a.look"]
    assert "a.look" not in played.minutes
    assert played.now.closed is not None


def test_a_hold_stops_all_of_a_joint_step(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("both", "EV1 EV2", 20)), home())
    played = rehearse(plan).order(5, {"kind": "held", "crew": ["EV2"], "text": "glove check"})
    played.order(12, {"kind": "resumed", "crew": ["EV2"]})
    assert played.all().minutes == {"a.both": 27, "home.in": 37}


def test_a_go_is_asked_for_and_waited_for(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 10), step("power", "EV1", 5, hold_point="ask")), home("EV1"))
    played = rehearse(plan).all()
    (went,) = [e for e in played.now.events if e.kind == "went"]
    assert 600 < went.at <= 600 + 150
    assert played.crew.finished["a.power"] == pytest.approx(went.at + 300, abs=1.0)


def test_what_is_dropped_in_the_middle_is_broken_off(rehearse: Rehearse) -> None:
    extra = task("extra", step("long", "EV1", 30), step("more", "EV1", 30), priority="get-ahead")
    plan = plan_of(task("a", step("one", "EV1", 10)), extra, home("EV1"), crew="EV1")
    played = rehearse(plan).order(20, {"kind": "dropped", "task": "extra"}).all()
    assert played.minutes == {"a.one": 10, "home.in": 30}


def test_what_a_dropped_task_left_open_is_closed(rehearse: Rehearse) -> None:
    extra = task(
        "extra",
        step("open", "EV1", 10, opens=["lid"]),
        step("look", "EV1", 30),
        step("shut", "EV1", 5, closes=["lid"]),
        priority="get-ahead",
    )
    plan = plan_of(extra, home("EV1"), crew="EV1")
    played = rehearse(plan).order(20, {"kind": "dropped", "task": "extra"}).all()
    assert played.minutes == {"extra.open": 10, "extra.shut": 25, "home.in": 35}


def test_the_recall_brings_everybody_home(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 60), step("two", "EV2", 60)), home())
    played = rehearse(plan).order(20, {"kind": "called", "call": "home"}).all()
    assert played.minutes == {"home.in": 30}
    assert played.now.closed is not None


def test_what_is_handed_over_goes_on_where_it_stood(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("long", "EV1", 60), step("other", "EV2", 30)), home())
    played = rehearse(plan).order(20, {"kind": "handed", "step": "a.long", "crew": ["EV2"]}).all()
    # EV2 is free from 0:30 on and has the 40 minutes that were left.
    assert played.minutes == {"a.other": 30, "a.long": 70, "home.in": 80}


def test_another_step_told_to_begin_sets_the_first_aside(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 30), step("two", "EV1", 10)), home("EV1"), crew="EV1")
    played = rehearse(plan).order(10, {"kind": "began", "step": "a.two"}).all()
    assert played.minutes == {"a.two": 20, "a.one": 40, "home.in": 50}


def test_unplanned_work_comes_next(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 10), step("two", "EV1", 10)), home("EV1"), crew="EV1")
    new = {"id": "new", "title": "New", "steps": [step("x", "EV1", 7)]}
    played = rehearse(plan).order(5, {"kind": "added", "task": new}).all()
    assert played.minutes == {"a.one": 10, "new.x": 17, "a.two": 27, "home.in": 37}


def test_a_tick_too_early_or_taken_back_changes_nothing_that_is_true(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 10), step("two", "EV1", 10)), home("EV1"), crew="EV1")
    played = rehearse(plan).order(5, {"kind": "done", "step": "a.one"})
    number = played.now.number
    played.order(6, {"kind": "withdrawn", "event": number})
    assert played.all().minutes == {"a.one": 10, "a.two": 20, "home.in": 30}


def test_a_step_ticked_instead_of_the_crew_is_not_done_again(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 10), step("two", "EV1", 10)), home("EV1"), crew="EV1")
    played = rehearse(plan).order(5, {"kind": "done", "step": "a.two"}).all()
    assert played.minutes == {"a.one": 10, "home.in": 20}


def test_the_demo_is_played_with_the_way_home(rehearse: Rehearse, larkspur: Plan) -> None:
    played = rehearse(larkspur).all()
    assert set(played.minutes) == set(larkspur.step)
    # EV1 comes from the latch ring (0:07), EV2 from the radiator (0:11): the longer way counts.
    begun = max(played.minutes["closeout.count-1"], played.minutes["closeout.count-2"])
    assert played.minutes["closeout.home"] == pytest.approx(begun + 11, abs=0.01)
