"""Needs on work given up, open items, counts, dropping and restoring."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task
from tracker.foundation.errors import EventError


def test_needs_on_skipped_steps_give_way_to_their_own_needs() -> None:
    run = Run(
        task("one", step("a", "EV1", 10)),
        task("two", step("b", "EV2", 10, needs=["one.a"]), step("c", "EV2", 10, needs=["two.b"])),
        task("three", step("d", "IV", 10, needs=["two.c"])),
        crew="EV1 EV2 IV",
    )
    assert run.needs("three.d") == ("two.c",)
    run("skipped", 100, step="two.c")
    assert run.needs("three.d") == ("two.b",)
    run("skipped", 200, step="two.b")
    assert run.needs("three.d") == ("one.a",)
    assert run.step("three.d").began is None
    run.done("one.a", at=500)
    assert run.needs("three.d") == ()
    assert run.step("three.d").began == 500


def test_needs_on_a_task_are_needs_on_all_its_steps_and_needs_of_a_task_are_of_all_its_steps() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10)),
        task("two", step("c", "EV2", 10), step("d", "EV2", 10), needs=["one"]),
    )
    assert run.needs("two.c") == ("one.a", "one.b")
    assert run.needs("two.d") == ("one.a", "one.b")
    run.done("one.a", at=600)
    assert run.needs("two.d") == ("one.b",)


def test_needs_on_a_dropped_task_are_inherited() -> None:
    run = Run(
        task("one", step("a", "EV1", 10)),
        task("two", step("b", "EV2", 10), needs=["one"], priority="get-ahead"),
        task("three", step("c", "EV2", 10), needs=["two"], priority="get-ahead"),
    )
    run("dropped", 0, task="two")
    assert run.needs("three.c") == ("one.a",)
    assert run.order("EV2") == ("three.c",)


def cover(**more: object) -> Run:
    """EV1 opens a cover in a get-ahead and shuts it; then a must."""
    return Run(
        task(
            "box",
            step("go", "EV1", 5),
            step("open", "EV1", 10, opens=["cover"]),
            step("look", "EV1", 10, needs=["rail.x"]),
            step("shut", "EV1", 5, closes=["cover"], needs=["box.look"]),
            priority="get-ahead",
        ),
        task("rail", step("x", "EV2", 30), step("y", "EV1", 30)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def test_an_item_is_open_from_the_begin_of_its_opener_to_the_done_of_its_closer() -> None:
    run = cover()
    assert run.open_items() == ()
    run.done("box.go", at=300)
    (item,) = run.open_items()
    assert (item.item, item.opened_by, item.closed_by) == ("cover", "box.open", "box.shut")
    run.done("box.open", at=900)
    run.done("rail.x", at=1000)
    run.done("box.look", at=1500)
    assert len(run.open_items()) == 1
    run.done("box.shut", at=1800)
    assert run.open_items() == ()


def test_dropping_a_task_that_opened_nothing_leaves_nothing_of_it() -> None:
    run = cover()
    run("dropped", 100, task="box")
    assert run.order("EV1") == ("rail.y", "in.home")
    assert run.now.current["EV1"] == "rail.y"
    assert run.step("rail.y").began == 100
    assert (run.step("box.go").ended, run.step("box.go").worked_s) == ("dropped", 100)
    assert run.now.tasks["box"].status == "dropped"
    assert not run.now.tasks["box"].optional


def test_dropping_a_begun_task_leaves_its_closers_in_their_place() -> None:
    run = cover()
    run.done("box.go", at=300)
    run.done("box.open", at=900)
    run("dropped", 1000, task="box")
    assert run.order("EV1") == ("box.shut", "rail.y", "in.home")
    assert run.step("box.look").ended == "dropped"
    assert run.step("box.shut").ended is None
    assert run.needs("box.shut") == ()
    assert run.step("box.shut").running_since == 1000
    assert run.now.tasks["box"].status == "dropped"
    run.done("box.shut", at=1300)
    assert run.open_items() == ()
    assert run.now.tasks["box"].status == "dropped"


def test_a_closer_in_a_dropped_task_remains_for_what_a_remaining_step_will_open() -> None:
    run = Run(
        task("box", step("open", "EV1", 10, opens=["cover"])),
        task("late", step("look", "EV1", 10), step("shut", "EV1", 5, closes=["cover"]), priority="should"),
    )
    run("dropped", 0, task="late")
    assert run.order("EV1") == ("box.open", "late.shut")
    run("skipped", 100, step="box.open")
    # It was in progress since zero, so the cover may well be open.
    assert run.order("EV1") == ("late.shut",)


def test_a_closer_of_what_will_not_be_opened_any_more_goes_too() -> None:
    run = Run(
        task("first", step("a", "EV1", 10)),
        task("box", step("open", "EV1", 10, opens=["cover"])),
        task("late", step("look", "EV1", 10), step("shut", "EV1", 5, closes=["cover"]), priority="should"),
    )
    run("dropped", 0, task="late")
    run("skipped", 100, step="box.open")
    assert run.order("EV1") == ("first.a",)
    assert run.step("late.shut").ended == "dropped"


def test_a_step_that_opens_and_closes_its_own_item_must_be_finished_once_begun() -> None:
    run = Run(
        task("pull", step("all", "EV1", 30, opens=["cable"], closes=["cable"]), priority="get-ahead"),
        task("rest", step("x", "EV1", 10)),
    )
    run("dropped", 100, task="pull")
    assert run.now.current["EV1"] == "pull.all"
    assert run.step("pull.all").running_since == 0
    run.done("pull.all", at=1800)
    assert run.now.current["EV1"] == "rest.x"


def test_dropped_work_can_be_restored_with_the_time_it_has() -> None:
    run = cover()
    run.done("box.go", at=300)
    run.done("box.open", at=900)
    run.done("rail.x", at=950)
    run("dropped", 1000, task="box")
    run.done("box.shut", at=1300)
    run("restored", 1400, task="box")
    # What was closed stays closed; the rest is there again.
    assert run.order("EV1") == ("rail.y", "box.look", "in.home")
    assert run.step("box.look").worked_s == 50
    assert run.now.tasks["box"].status == "begun"
    number = run("restored", 1500, task="box")
    assert run.warned[number] == ("box is not dropped",)


def test_dropping_closeout_is_refused() -> None:
    run = cover()
    with pytest.raises(EventError, match="in is closeout"):
        run("dropped", 100, task="in")


def test_dropping_twice_is_unusual_and_names_the_first() -> None:
    run = cover()
    run("dropped", 100, task="box")
    number = run("dropped", 200, task="box")
    assert run.warned[number] == ("box is already dropped (event 2)",)


def test_work_of_a_dropped_task_may_be_done_all_the_same() -> None:
    run = cover()
    run("dropped", 100, task="box")
    number = run("done", 600, step="box.go")
    assert run.warned[number] == ("box.go belongs to dropped work",)
    assert run.step("box.go").ended == "done"
    assert run.step("box.open").ended == "dropped"
    number = run("began", 700, step="box.open")
    assert run.warned[number] == ("box.open belongs to dropped work",)
    assert run.now.current["EV1"] == "box.open"
    # Now the cover is open, so it must be shut.
    assert "box.shut" in run.order("EV1")


def test_counts_go_up_and_down_and_do_not_tick() -> None:
    run = Run(task("lid", step("bolts", "EV1", 21, count=21), step("off", "EV1", 5)))
    run("counted", 200, step="lid.bolts", count=3)
    bolts = run.step("lid.bolts")
    assert (bolts.counted, bolts.counted_worked_s, bolts.ended) == (3, 200, None)
    run("counted", 300, step="lid.bolts", count=2)
    assert run.step("lid.bolts").counted == 2
    run("counted", 900, step="lid.bolts", count=21)
    assert run.step("lid.bolts").ended is None
    with pytest.raises(EventError, match=r"count 22 is more than the 21 of lid.bolts"):
        run("counted", 950, step="lid.bolts", count=22)
    run.done("lid.bolts", at=1000)
    assert run.step("lid.bolts").counted == 21


def test_a_shortfall_stays_on_record_and_is_evidence_for_what_was_done() -> None:
    run = Run(task("lid", step("bolts", "EV1", 20, count=4), step("off", "EV1", 5)))
    run("done", 600, step="lid.bolts", count=3)
    assert run.step("lid.bolts").counted == 3
    (one,) = run.now.observations
    assert (one.planned_s, one.worked_s, one.counted, one.blind) == (900, 600, (3, 4), False)
    with pytest.raises(EventError, match=r"count 5 is more than the 1 of lid.off"):
        run("done", 900, step="lid.off", count=5)


def test_none_of_the_items_is_no_evidence() -> None:
    run = Run(task("lid", step("bolts", "EV1", 20, count=4), step("off", "EV1", 5)))
    run("done", 600, step="lid.bolts", count=0)
    assert [one.blind for one in run.now.observations] == [True]


def test_common_practice_seven_covers_of_three_fasteners_are_one_step_of_21() -> None:
    # Common practice, no source: a cover held by three fasteners, seven such covers.
    run = Run(task("lids", step("turn", "EV1", 42, count=21)))
    for n in range(1, 8):
        run("counted", 360 * n, step="lids.turn", count=3 * n)
    assert run.step("lids.turn").counted == 21
    run.done("lids.turn", at=2600)
    (one,) = run.now.observations
    assert one.counted == (21, 21)


def test_common_practice_a_rail_serves_only_after_both_its_fasteners() -> None:
    # Common practice, no source: a rail takes two fasteners and may be used only after both.
    run = Run(
        task("rail", step("left", "EV1", 5), step("right", "EV2", 8)),
        task("use", step("ride", "EV1", 10, needs=["rail"])),
    )
    run.done("rail.left", at=300)
    assert run.step("use.ride").began is None
    run.done("rail.right", at=480)
    assert run.step("use.ride").began == 480


def test_every_tick_is_told_with_when_its_time_began() -> None:
    run = Run(task("lock", step("fill", "EV1", 10, fixed=True), step("out", "EV1", 5)))
    run.done("lock.fill", at=700)
    run("began", 1000, step="lock.out")
    run.done("lock.out", at=1000)
    seen = [(one.step, one.start, one.start_kind, one.worked_s) for one in run.now.observations]
    assert seen == [("lock.fill", 0, "tick", 700), ("lock.out", 1000, "begun", 0)]


def test_skipping_what_is_done_is_refused_and_skipping_twice_is_unusual() -> None:
    run = cover()
    run.done("box.go", at=300)
    with pytest.raises(EventError, match=r"box.go was done at 0:05:00 \(event 2\)"):
        run("skipped", 400, step="box.go")
    run("skipped", 400, step="box.open")
    number = run("skipped", 500, step="box.open")
    assert "was skipped" in run.warned[number][0]


def test_skipping_the_closer_of_an_open_item_leaves_it_open_and_says_so() -> None:
    run = cover()
    run.done("box.go", "box.open", at=900)
    number = run("skipped", 1000, step="box.shut")
    assert run.warned[number] == ("cover stays open",)
    assert [one.item for one in run.open_items()] == ["cover"]
