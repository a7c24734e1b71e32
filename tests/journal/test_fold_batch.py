"""Ticks within seconds of one another are one batch: their time is shared out by planned time."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task


def simple() -> Run:
    """EV1: a, b, c; EV2: x, y; both: home."""
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20), step("c", "EV1", 30)),
        task("two", step("x", "EV2", 15), step("y", "EV2", 15)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


@pytest.mark.parametrize("gap", [0, 5, 14])
def test_ticks_within_seconds_share_their_time_by_planned_time(gap: int) -> None:
    run = simple()
    run.done("one.a", at=900 - gap)
    run.done("one.b", at=900)
    a, b = run.step("one.a"), run.step("one.b")
    assert (a.begin_kind, b.begin_kind) == ("batch", "batch")
    assert (a.worked_s, b.worked_s) == (300, 600)
    assert (a.began, b.began) == (0, 300)
    assert run.spent("EV1")[:2] == [(0, 300, "work", "one.a"), (300, 900, "work", "one.b")]
    seen = run.now.observations
    assert [(one.step, one.planned_s, one.worked_s) for one in seen] == [
        ("one.a", 600, 900 - gap),
        ("one.b", 1200, gap),
    ]


def test_ticks_fifteen_seconds_apart_stand_for_themselves() -> None:
    run = simple()
    run.done("one.a", at=885)
    run.done("one.b", at=900)
    assert (run.step("one.a").worked_s, run.step("one.b").worked_s) == (885, 15)
    assert run.step("one.b").begin_kind == "implied"
    assert len(run.now.observations) == 2


def test_a_batch_goes_on_as_long_as_ticks_follow_closely() -> None:
    run = simple()
    for at, name in ((880, "one.a"), (890, "one.b"), (900, "one.c")):
        run.done(name, at=at)
    assert [run.step(f"one.{s}").worked_s for s in "abc"] == [150, 300, 450]
    assert [one.worked_s for one in run.now.observations] == [880, 10, 10]


def test_a_note_between_two_ticks_does_not_part_them() -> None:
    run = simple()
    run.done("one.a", at=890)
    run("noted", 895, text="both at once")
    run.done("one.b", at=900)
    assert run.step("one.a").begin_kind == "batch"


def test_a_stated_begin_keeps_a_step_out_of_a_batch() -> None:
    run = simple()
    run.done("one.a", at=600)
    run("began", 605, step="one.b")
    run.done("one.b", at=610)
    assert (run.step("one.a").worked_s, run.step("one.b").worked_s) == (600, 5)
    assert run.step("one.b").begin_kind == "stated"


def test_ticks_of_different_crew_members_are_no_batch() -> None:
    run = simple()
    run.done("one.a", at=600)
    run.done("two.x", at=601)
    assert (run.step("one.a").worked_s, run.step("two.x").worked_s) == (600, 601)
    assert len(run.now.observations) == 2


def test_a_joint_step_in_a_batch_begins_when_the_shares_before_it_are_over() -> None:
    run = Run(
        task("one", step("a", "EV1", 20), step("j", "EV1 EV2", 10)),
        task("two", step("x", "EV2", 10)),
        plan=None,
    )
    # EV2's order: the joint step comes first in the file, so EV2 waits for it from the start.
    run.done("one.a", "one.j", at=900)
    assert (run.step("one.a").worked_s, run.step("one.j").worked_s) == (600, 300)
    assert run.spent("EV2")[:2] == [(0, 600, "wait", "crew EV1"), (600, 900, "work", "one.j")]
    assert run.step("two.x").began == 900
    assert [one.crew for one in run.now.observations] == [("EV1",), ("EV1", "EV2")]


def test_a_batch_that_goes_on_behind_a_joint_step_stays_without_gaps() -> None:
    run = Run(
        task("one", step("j", "EV1 EV2", 10), step("b", "EV1", 10)),
        task("two", step("x", "EV2", 10)),
    )
    run.done("one.j", at=600)
    run.done("one.b", at=610)
    assert run.step("one.j").worked_s == 305
    assert run.step("one.b").worked_s == 305
    assert run.spent("EV1") == [
        (0, 305, "work", "one.j"),
        (305, 610, "work", "one.b"),
        (610, None, "idle", None),
    ]
    assert run.spent("EV2") == [(0, 600, "work", "one.j"), (600, None, "work", "two.x")]
