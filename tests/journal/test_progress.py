"""What is asked of a progress: how a step stands, what it waits for, what is done, who is inside."""

from __future__ import annotations

from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.journal.progress import done_share, inside_at, last_awaited, step_status, waits_for


def walk() -> Run:
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, needs=["two.x"])),
        task("two", step("x", "EV2", 15), step("y", "EV2", 15)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def status(run: Run, step: str) -> str:
    return step_status(run.now, step, run.now.at)


def test_every_status_is_told() -> None:
    run = walk()
    assert status(run, "one.a") == "current"
    assert status(run, "one.b") == "open"
    run.done("one.a", at=540)
    assert status(run, "one.a") == "done"
    assert status(run, "one.b") == "waiting"
    run("held", 600, crew=["EV2"])
    assert status(run, "two.x") == "held"
    run("resumed", 700)
    run("began", 800, step="two.y")
    assert status(run, "two.x") == "open"
    run("dropped", 900, task="two")
    assert status(run, "two.x") == "dropped"
    run("closed", 1000)
    assert status(run, "one.b") == "left"


def test_the_hold_of_one_holds_a_joint_step_for_whoever_is_there() -> None:
    run = walk()
    run.done("one.a", at=540)
    run("skipped", 550, step="one.b")
    run("held", 600, crew=["EV2"])
    assert (status(run, "in.home"), waits_for(run.now, "in.home", {})) == ("held", "hold")
    assert step_status(run.now, "in.home", 600, recorded=True) == run.row("in.home").status == "waiting"


def test_what_a_step_waits_for_is_told_in_one_word_and_a_name() -> None:
    run = walk()
    run.done("one.a", at=540)
    assert waits_for(run.now, "one.b", {}) == "need two.x"
    run("skipped", 560, step="one.b")
    assert waits_for(run.now, "in.home", {}) == "crew EV2"


def test_of_several_needs_and_people_the_one_that_ends_last_is_named() -> None:
    run = Run(
        task("a", step("1", "EV1", 5), step("2", "EV1", 20), step("3", "EV1", 5)),
        task("b", step("1", "EV2", 5, needs=["a.1", "a.2"]), step("2", "EV1 EV2", 5)),
    )
    ends = {"a.1": 300.0, "a.2": 1500.0, "a.3": 1800.0}
    assert waits_for(run.now, "b.1", ends) == "need a.2"
    assert waits_for(run.now, "b.1", {**ends, "a.1": 1600.0}) == "need a.1"
    run("skipped", 0, step="b.1")
    assert last_awaited(run.now, "b.2", ends) == ("crew EV1", 1800)


def test_a_joint_step_is_a_larger_share_of_the_work_than_its_time() -> None:
    run = Run(task("a", step("1", "EV1", 10), step("2", "EV1 EV2", 10)))
    run.done("a.1", at=600)
    assert done_share(run.now) == 1 / 3
    run("skipped", 700, step="a.2")
    assert done_share(run.now) == 1


def test_somebody_is_inside_by_their_word_or_once_nothing_of_theirs_is_open() -> None:
    run = walk()
    for name, at in (("one.a", 540), ("two.x", 900), ("one.b", 2000), ("two.y", 2100)):
        run.done(name, at=at)
        assert inside_at(run.now, "EV1") is None
    run("entered", 2200, crew="EV2")
    assert (inside_at(run.now, "EV1"), inside_at(run.now, "EV2")) == (None, 2200)
    run.done("in.home", at=2700)
    assert (inside_at(run.now, "EV1"), inside_at(run.now, "EV2")) == (2700, 2200)


def test_whoever_left_closeout_undone_is_inside_when_it_is_closed() -> None:
    run = walk()
    run.done("one.a", at=540)
    run("closed", 3000)
    assert inside_at(run.now, "EV1") == 3000
    assert estimate(run.now, 3000, scenarios=10).inside.p50 == 3000
