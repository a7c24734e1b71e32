"""Holds, silence, entering and the recall."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task
from tracker.foundation.errors import EventError


def pair() -> Run:
    """A joint step between steps of each."""
    return Run(
        task("one", step("a", "EV1", 10), step("j", "EV1 EV2", 20), step("b", "EV1", 10)),
        task("two", step("x", "EV2", 10)),
    )


def test_a_hold_stops_the_work_and_is_no_work_time() -> None:
    run = pair()
    run("held", 200, crew=["EV1"], text="glove check")
    assert run.now.holds["EV1"].since == 200
    assert run.step("one.a").running_since is None
    assert run.step("one.a").worked_s == 200
    run("resumed", 500, crew=["EV1"])
    assert run.step("one.a").running_since == 500
    run.done("one.a", at=900)
    a = run.step("one.a")
    assert (a.began, a.worked_s, a.held_s) == (0, 600, 300)
    assert run.row("one.a").held == 300
    assert run.row("one.a").actual_duration == 600
    assert run.spent("EV1")[:3] == [
        (0, 200, "work", "one.a"),
        (200, 500, "hold", "glove check"),
        (500, 900, "work", "one.a"),
    ]


def test_holding_one_member_of_a_joint_step_holds_the_step() -> None:
    run = pair()
    run.done("one.a", at=600)
    run("held", 700, crew=["EV2"])
    j = run.step("one.j")
    assert (j.worked_s, j.running_since) == (100, None)
    assert run.spent("EV1")[-1] == (700, None, "hold", "hold of EV2")
    run("resumed", 1000)
    run.done("one.j", at=1400)
    j = run.step("one.j")
    assert (j.worked_s, j.held_s) == (500, 300)
    assert set(run.now.holds) == set()


def test_a_hold_of_all_lasts_until_each_is_resumed() -> None:
    run = pair()
    run.done("one.a", at=600)
    run("held", 700)
    run("resumed", 800, crew=["EV1"])
    assert run.step("one.j").running_since is None
    run("resumed", 900, crew=["EV2"])
    assert run.step("one.j").running_since == 900
    assert run.step("one.j").held_s == 200


def test_a_step_begins_when_a_hold_ends_that_came_before_it() -> None:
    run = pair()
    run("held", 0, crew=["EV1"])
    run("resumed", 300)
    a = run.step("one.a")
    assert (a.began, a.waited_for, a.worked_s) == (300, "hold", 0)
    run.done("one.a", at=800)
    assert run.step("one.a").worked_s == 500


def test_resuming_nobody_is_refused() -> None:
    run = pair()
    with pytest.raises(EventError, match="nobody is held"):
        run("resumed", 100)
    run("held", 200, crew=["EV1"])
    with pytest.raises(EventError, match="EV2 is not held"):
        run("resumed", 300, crew=["EV2"])


def test_a_hold_knows_until_when_and_goes_on_past_it() -> None:
    run = pair()
    run("held", 200, crew=["EV1"], until=500)
    assert run.now.holds["EV1"].until == 500
    run("noted", 900, text="still held")
    assert run.step("one.a").running_since is None
    number = run("held", 950, crew=["EV1"], until=1200)
    assert "in a hold since 0:03:20" in run.warned[number][0]
    assert run.now.holds["EV1"].since == 200
    assert run.now.holds["EV1"].until == 1200


def test_done_in_a_hold_is_recorded_with_a_warning_and_takes_no_hold_time() -> None:
    run = pair()
    run("held", 400, crew=["EV1"])
    number = run("done", 600, step="one.a")
    assert "in a hold" in run.warned[number][0]
    assert run.step("one.a").worked_s == 400
    assert run.step("one.a").held_s == 200
    assert "EV1" in run.now.holds


def test_nothing_counts_as_evidence_while_voice_is_lost() -> None:
    run = pair()
    run("silent", 100, crew=["EV1"])
    assert run.now.silent == {"EV1": 100}
    run.done("one.a", at=700)
    run("heard", 750, crew=["EV1"])
    run.done("two.x", at=2000)
    run.done("one.j", at=1900)
    assert run.now.silent == {}
    assert not run.step("one.a").evidence
    assert not run.step("one.j").evidence
    assert run.step("two.x").evidence
    assert [one.step for one in run.now.observations if not one.blind] == ["two.x"]


def test_steps_before_and_after_a_silence_are_evidence() -> None:
    run = Run(task("one", step("a", "EV1", 10), step("b", "EV1", 10), step("c", "EV1", 10)))
    run.done("one.a", at=600)
    run("silent", 700, crew=["EV1"])
    run("heard", 800, crew=["EV1"])
    run.done("one.b", at=1300)
    run.done("one.c", at=1900)
    assert [(one.step, one.blind) for one in run.now.observations] == [
        ("one.a", False),
        ("one.b", True),
        ("one.c", False),
    ]


def test_word_from_the_crew_is_remembered() -> None:
    run = pair()
    run.done("one.a", at=600)
    run("entered", 700, crew="EV2")
    assert run.now.last_heard == {"EV1": 600, "EV2": 700}


def test_who_is_inside_leaves_open_steps_without_an_owner() -> None:
    run = pair()
    run("entered", 300, crew="EV2")
    assert run.now.entered == {"EV2": 300}
    assert run.step("two.x").crew == ()
    assert run.step("one.j").crew == ("EV1",)
    assert run.now.current["EV2"] is None
    assert run.order("EV2") == ()
    assert run.spent("EV2")[-1] == (300, None, "idle", None)
    run("handed", 400, step="two.x", crew=["EV1"])
    assert run.step("two.x").crew == ("EV1",)
    assert run.order("EV1") == ("one.a", "one.j", "one.b", "two.x")


def items() -> Run:
    """EV1 opens a cover and shuts it two steps later; EV2 works beside; both go home."""
    return Run(
        task(
            "box",
            step("open", "EV1", 10, opens=["cover"]),
            step("look", "EV1", 10),
            step("shut", "EV1", 5, closes=["cover"], needs=["box.look"]),
        ),
        task("rail", step("x", "EV2", 30), step("y", "EV2", 30)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def test_called_home_leaves_everything_but_closers_and_closeout() -> None:
    run = items()
    run.done("box.open", at=600)
    run("called", 900, call="home")
    now = run.now
    assert now.recall["EV1"].call == "home"
    assert now.recall["EV2"].crew == ("EV1", "EV2")
    assert (run.step("box.look").ended, run.step("box.look").worked_s) == ("left", 300)
    assert run.step("rail.x").ended == "left"
    assert run.step("rail.y").ended == "left"
    assert now.order == {"EV1": ("box.shut", "in.home"), "EV2": ("in.home",)}
    assert now.current == {"EV1": "box.shut", "EV2": "in.home"}
    assert now.needs["box.shut"] == ()
    assert run.step("box.shut").running_since == 900
    assert now.tasks["rail"].status == "left"
    assert [one.item for one in now.open_items] == ["cover"]


def test_called_at_once_leaves_closers_too_and_lists_what_stays_open() -> None:
    run = items()
    run.done("box.open", at=600)
    run("called", 900, call="at once")
    assert run.now.order == {"EV1": ("in.home",), "EV2": ("in.home",)}
    assert run.step("box.shut").ended == "left"
    assert [one.item for one in run.open_items()] == ["cover"]


def test_closing_work_in_progress_goes_on_when_called_home() -> None:
    run = items()
    run.done("box.open", "box.look", at=1200)
    run("called", 1300, call="home")
    assert run.now.current["EV1"] == "box.shut"
    assert run.step("box.shut").running_since == 1200


def test_nothing_open_leaves_only_closeout() -> None:
    run = items()
    run("called", 0, call="home")
    assert run.now.order == {"EV1": ("in.home",), "EV2": ("in.home",)}
    assert run.open_items() == ()


def test_calling_one_leaves_the_other_at_work() -> None:
    run = items()
    run.done("box.open", at=600)
    run("called", 900, call="home", crew=["EV1"])
    assert run.order("EV2") == ("rail.x", "rail.y", "in.home")
    assert run.order("EV1") == ("box.shut", "in.home")
    assert set(run.now.recall) == {"EV1"}


def test_withdrawing_the_call_restores_everything() -> None:
    run = items()
    run.done("box.open", at=600)
    before = run.now
    number = run("called", 900, call="home")
    run("withdrawn", 950, event=number)
    assert run.now.order == before.order
    assert run.step("box.look").running_since == 600
    assert run.now.recall == {}


def test_a_second_call_replaces_the_first() -> None:
    run = items()
    run.done("box.open", at=600)
    run("called", 900, call="home")
    run("called", 950, call="at once")
    assert run.step("box.shut").ended == "left"
    run("called", 1000, call="home")
    assert run.step("box.shut").ended is None


def test_work_added_or_done_after_the_call_counts() -> None:
    run = items()
    run.done("box.open", at=600)
    run("called", 900, call="home")
    run("added", 950, task=task("stow", step("bag", "EV2", 5)))
    # They only wait at closeout for EV1, and closeout comes after everything else.
    assert run.order("EV2") == ("stow.bag", "in.home")
    number = run("done", 1000, step="rail.x")
    assert "left when called" in run.warned[number][0]
    assert run.step("rail.x").ended == "done"


def test_a_hold_of_all_does_not_hold_who_is_inside() -> None:
    run = pair()
    run("entered", 100, crew="EV2")
    run("held", 200)
    assert set(run.now.holds) == {"EV1"}
    run("resumed", 300)
    assert run.now.holds == {}


def test_a_begin_stated_in_a_hold_counts_from_the_end_of_the_hold() -> None:
    run = pair()
    run("held", 0)
    number = run("began", 100, step="one.a")
    assert "in a hold" in run.warned[number][0]
    assert (run.step("one.a").began, run.step("one.a").running_since) == (100, None)
    run("resumed", 400)
    run.done("one.a", at=900)
    assert run.step("one.a").worked_s == 500


def test_nobody_who_is_inside_begins_or_does_anything() -> None:
    run = pair()
    run("entered", 100, crew="EV2")
    number = run("handed", 200, step="two.x", crew=["EV2"])
    assert "EV2 is inside" in run.warned[number][0]
    assert run.order("EV2") == ()
    run("began", 300, step="two.x")
    run.done("two.x", at=500)
    assert run.now.current["EV2"] is None
    assert run.spent("EV2")[-1] == (100, None, "idle", None)


def seen(run: Run, step: str) -> tuple[float, str, float, float]:
    """Return when a step's time began, what stands for that, the time away, and the time worked."""
    (one,) = [each for each in run.now.observations if each.step == step]
    return one.start, one.start_kind, one.at - one.start - one.worked_s, one.worked_s


def three() -> Run:
    return Run(task("one", step("a", "EV1", 10), step("b", "EV1", 10), step("c", "EV1", 10)))


def test_a_hold_inside_a_step_is_time_away_and_one_before_it_a_begin_without_a_tick() -> None:
    run = three()
    run.done("one.a", at=600)
    run("held", 700)
    run("resumed", 1000)
    run.done("one.b", at=1500)
    run("held", 1500)
    run("resumed", 1800)
    run.done("one.c", at=2500)
    assert seen(run, "one.b") == (600, "tick", 300, 600)
    assert seen(run, "one.c") == (1800, "free", 0, 700)


def test_a_step_set_aside_counts_from_its_last_stretch_with_what_it_had_before() -> None:
    run = three()
    run("began", 400, step="one.b")
    run.done("one.b", at=1000)
    run.done("one.a", at=1300)
    assert seen(run, "one.b") == (400, "begun", 0, 600)
    assert seen(run, "one.a") == (1000, "tick", -400, 700)


def test_a_tick_tells_whether_a_person_stated_its_instant() -> None:
    run = three()
    run.done("one.a", at=600)
    assert run.now.observations[0].stated
