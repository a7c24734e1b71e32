"""Undo, redo, corrected times, a corrected zero; what was true when; what if."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.runs import LATER, ZERO, Run, step, task
from tracker.foundation.errors import EventError
from tracker.foundation.times import parse_instant
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold


def simple() -> Run:
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20), step("c", "EV1", 30)),
        task("two", step("x", "EV2", 15), step("y", "EV2", 15), priority="get-ahead"),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def test_a_withdrawn_event_counts_no_more_and_withdrawing_that_is_redo() -> None:
    run = simple()
    number = run("done", 500, step="one.a")
    undo = run("withdrawn", 520, event=number)
    assert run.step("one.a").ended is None
    assert run.step("one.a").running_since == 0
    assert run.now.at == 0
    assert run.now.number == 3
    assert [event.number for event in run.now.events] == [1]
    assert [event.number for event in run.fold.recorded] == [1, 2, 3]
    redo = run("withdrawn", 530, event=undo)
    assert run.step("one.a").done == 500
    run("withdrawn", 540, event=redo)
    assert run.step("one.a").ended is None


def test_what_is_withdrawn_cannot_be_withdrawn_or_amended_again() -> None:
    run = simple()
    number = run("done", 500, step="one.a")
    run("withdrawn", 520, event=number)
    with pytest.raises(
        EventError, match=r"event 2 \(done one.a at 0:08:20\) is already withdrawn by event 3"
    ):
        run("withdrawn", 530, event=number)
    with pytest.raises(EventError, match="already withdrawn"):
        run("amended", 400, event=number)
    with pytest.raises(EventError, match="there is no event 9; the last is 3"):
        run("withdrawn", 530, event=9)


def test_late_events_fold_in_the_order_of_their_time() -> None:
    run = simple()
    run.done("one.b", at=1500)
    assert run.step("one.b").worked_s == 1500
    run.done("one.a", at=600)
    assert run.step("one.a").worked_s == 600
    assert run.step("one.b").worked_s == 900
    assert run.now.at == 1500
    assert [event.number for event in run.now.events] == [1, 3, 2]


def test_the_order_of_recording_does_not_matter_for_different_times() -> None:
    forward, backward = simple(), simple()
    ticks = [("one.a", 600), ("two.x", 700), ("one.b", 1500), ("two.y", 1600), ("one.c", 3000)]
    for name, at in ticks:
        forward.done(name, at=at)
    for name, at in reversed(ticks):
        backward.done(name, at=at)
    assert forward.now.spent == backward.now.spent
    assert forward.now.order == backward.now.order
    for name, _ in ticks:
        assert forward.step(name).worked_s == backward.step(name).worked_s
        assert forward.step(name).began == backward.step(name).began


def test_amended_puts_an_event_at_another_time() -> None:
    run = simple()
    number = run("done", 500, step="one.a")
    run.done("one.b", at=1500)
    run("amended", 700, event=number)
    assert run.step("one.a").done == 700
    assert run.step("one.b").worked_s == 800
    again = run("amended", 650, event=number)
    assert run.step("one.a").done == 650
    run("withdrawn", 1600, event=again)
    assert run.step("one.a").done == 700


def test_an_amendment_that_makes_a_later_event_impossible_is_refused_and_names_it() -> None:
    run = simple()
    number = run("began", 500, step="one.a")
    run.done("one.a", at=900)
    with pytest.raises(
        EventError, match=r"event 2 would be impossible: began one.a at 0:16:40.*was done at 0:15:00"
    ):
        run("amended", 1000, event=number)
    assert run.fold.number == 3
    assert run.step("one.a").done == 900


def test_withdrawing_what_a_later_event_rests_on_is_refused_and_names_it() -> None:
    run = simple()
    run("held", 100, crew=["EV1"])
    run("resumed", 200, crew=["EV1"])
    with pytest.raises(
        EventError, match=r"withdrawn 2 .*event 3 would be impossible: resumed EV1 .*EV1 is not held"
    ):
        run("withdrawn", 300, event=2)
    number = run("added", 400, task=task("leak", step("find", "EV1", 5)))
    run.done("leak.find", at=900)
    with pytest.raises(EventError, match=r"there is no step leak.find"):
        run("withdrawn", 950, event=number)


def test_a_late_event_that_makes_a_later_one_impossible_is_refused() -> None:
    run = simple()
    run.done("one.a", at=600)
    with pytest.raises(
        EventError, match=r"event 2 would be impossible: .*one.a was done at 0:06:40 \(event 3\)"
    ):
        run("done", 400, step="one.a")


def test_done_twice_and_done_before_its_own_began_are_refused() -> None:
    run = simple()
    run.done("one.a", at=600)
    with pytest.raises(EventError, match=r"one.a was done at 0:10:00 \(event 2\); it cannot be done twice"):
        run("done", 700, step="one.a")
    with pytest.raises(EventError, match=r"one.a was done at 0:10:00"):
        run("began", 650, step="one.a")
    run("began", 700, step="one.b")
    with pytest.raises(EventError, match=r"event 3 would be impossible: began one.b"):
        run("done", 650, step="one.b")


def test_unknown_ids_are_refused_with_what_was_meant() -> None:
    run = simple()
    with pytest.raises(EventError, match=r"there is no step one.aa; did you mean one.a"):
        run("done", 100, step="one.aa")
    with pytest.raises(EventError, match=r"one is a task; its steps are one.a, one.b, one.c"):
        run("done", 100, step="one")
    with pytest.raises(EventError, match="there is no task tow; did you mean two"):
        run("dropped", 100, task="tow")
    with pytest.raises(EventError, match="there is no window light; there are none"):
        run("seen", 100, window="light")


def live(at: float) -> datetime:
    return parse_instant(ZERO) + timedelta(seconds=at)


def stamped(fold: Fold, clock: float, /, **event: Any) -> Fold:
    """Record an event without `at` on a clock that shows this PET of the first zero."""
    return admit(fold, event, utc_now=live(clock), seat="desk")[1]


def test_when_zero_is_amended_stated_times_stay_and_stamped_ones_keep_their_instant() -> None:
    run = simple()
    fold = stamped(run.fold, 600, kind="done", step="one.a")
    fold = stamped(fold, 900, kind="done", step="one.b", at=880)
    assert fold.recorded[1].stated is False
    assert fold.recorded[2].stated is True
    fold = stamped(fold, 950, kind="amended", event=1, utc="2031-05-04T13:59:00Z")
    progress = fold.progress()
    assert progress.zero == parse_instant("2031-05-04T13:59:00Z")
    assert progress.steps["one.a"].done == 660
    assert progress.steps["one.b"].done == 880
    # From now on the clock shows the new PET.
    fold = stamped(fold, 1000, kind="noted", text="x")
    assert fold.recorded[-1].at == 1060
    fold = stamped(fold, 1010, kind="withdrawn", event=4)
    progress = fold.progress()
    assert progress.steps["one.a"].done == 600
    assert progress.at == 1000


def test_of_a_zero_that_is_amended_a_clock_that_was_off_explains_its_part() -> None:
    run = simple()
    fold = stamped(run.fold, 600, kind="done", step="one.a")
    fold = admit(fold, {"kind": "done", "step": "two.x"}, utc_now=live(620), seat="other")[1]
    said = stamped(fold, 700, kind="clocked", trust="wall", by_s=60)
    assert said.progress().steps == fold.progress().steps
    fold = stamped(said, 770, kind="done", step="one.b")
    later = stamped(fold, 780, kind="amended", event=1, utc="2031-05-04T14:01:30Z").progress()
    # The desk's clock had been 60 s behind, the other's not; what came after was stamped by the set one.
    found = [later.steps[s].done for s in ("one.a", "two.x", "one.b")]
    assert found == [570, 530, 680]
    assert [later.fold.add_all([]).recorded[1].at, later.at] == [600, 680]
    # Taken back, or said after zero was corrected, it explains nothing: a PET never moves by a word alone.
    back = stamped(fold, 775, kind="withdrawn", event=4)
    back = stamped(back, 780, kind="amended", event=1, utc="2031-05-04T14:01:30Z")
    assert back.progress().steps["one.a"].done == 510
    again = stamped(back, 790, kind="clocked", trust="wall", by_s=60)
    assert again.progress().steps["one.a"].done == 510
    trusted = stamped(
        stamped(run.fold, 600, kind="done", step="one.a"), 700, kind="clocked", trust="boot", by_s=9
    )
    trusted = stamped(trusted, 780, kind="amended", event=1, utc="2031-05-04T14:01:30Z")
    assert trusted.progress().steps["one.a"].done == 510


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"trust": "mine", "by_s": 3}, "`trust` is 'mine'; input should be 'boot' or 'wall'"),
        ({"trust": "wall"}, "`by_s` is missing"),
        *[({"trust": "wall", "by_s": by}, "`by_s` is ") for by in (1e11, float("nan"), True, "40")],
    ],
)
def test_a_word_on_the_clock_says_which_and_by_how_much(event: dict[str, Any], words: str) -> None:
    with pytest.raises(EventError, match=words):
        stamped(simple().fold, 60, kind="clocked", **event)


def test_a_zero_amended_past_what_happened_is_refused() -> None:
    run = simple()
    fold = stamped(run.fold, 60, kind="done", step="one.a")
    with pytest.raises(EventError, match=r"event 2 would be impossible: done one.a at -0:01:00"):
        stamped(fold, 90, kind="amended", event=1, utc="2031-05-04T14:02:00Z")


def test_zero_is_amended_by_utc_and_other_events_by_at() -> None:
    run = simple()
    run.done("one.a", at=600)
    with pytest.raises(EventError, match=r"event 1 \(zero\) is amended by `utc`"):
        run("amended", 100, event=1)
    with pytest.raises(EventError, match="is amended by `at`"):
        run("amended", event=2, utc=ZERO)


def test_the_clock_starts_once_and_nothing_runs_without_it() -> None:
    run = simple()
    with pytest.raises(EventError, match="the clock is already running"):
        run("zero", utc=ZERO)
    run.done("one.a", at=600)
    with pytest.raises(EventError, match=r"event 2 would be impossible: .*the clock has not started"):
        run("withdrawn", 700, event=1)


def test_as_of_an_instant_only_what_happened_by_then_counts() -> None:
    run = simple()
    run.done("one.a", at=600)
    run.done("one.b", at=1500)
    number = run("done", 700, step="two.x")
    run("amended", 1600, event=number)
    then = run.fold.until(at=1550).progress()
    assert then.steps["one.b"].ended == "done"
    assert then.steps["two.x"].ended is None
    assert then.at == 1500
    assert run.fold.until(at=1600).progress().steps["two.x"].done == 1600
    assert run.fold.until(at=0).progress().zero is not None
    assert run.fold.until(at=5000) is run.fold


def test_as_known_at_an_instant_only_what_was_recorded_by_then_counts() -> None:
    fold = Fold.start(simple().fold.plan, uuid="1")
    fold = admit(fold, {"kind": "zero", "utc": ZERO}, utc_now=live(0), seat="desk")[1]
    fold = stamped(fold, 600, kind="done", step="one.a")
    fold = stamped(fold, 900, kind="done", step="one.b", at=800)
    known = fold.until(known=live(850)).progress()
    assert known.steps["one.a"].done == 600
    assert known.steps["one.b"].ended is None
    assert fold.until(known=live(-1)).progress().zero is None
    assert fold.until(at=700, known=live(900)).progress().at == 600


def test_a_clock_that_is_wrong_at_one_seat_leaves_no_gap_in_what_was_known() -> None:
    # The zero was recorded by a clock that is years ahead.
    fold = stamped(simple().fold, 600, kind="done", step="one.a")
    known = fold.until(known=live(850)).progress()
    assert known.steps["one.a"].done == 600


def test_supposed_events_change_nothing_on_record() -> None:
    run = simple()
    run.done("one.a", at=600)
    before = run.now
    after = before.suppose({"kind": "dropped", "task": "two"}, {"kind": "done", "step": "one.b", "at": 900})
    assert after.tasks["two"].status == "dropped"
    assert after.steps["one.b"].done == 900
    assert after.events[2].at == 600
    assert run.now is before
    assert before.tasks["two"].status == "begun"
    with pytest.raises(EventError, match="closeout"):
        before.suppose({"kind": "dropped", "task": "in"})
    undone = before.suppose({"kind": "withdrawn", "event": 2})
    assert undone.steps["one.a"].ended is None


def test_a_fold_is_a_value() -> None:
    run = simple()
    base = run.fold
    left = admit(base, {"kind": "done", "step": "one.a", "at": 100}, utc_now=LATER, seat="l")[1]
    right = admit(base, {"kind": "done", "step": "two.x", "at": 200}, utc_now=LATER, seat="r")[1]
    assert base.progress().steps["one.a"].ended is None
    assert left.progress().steps["two.x"].ended is None
    assert right.progress().steps["one.a"].ended is None
    assert len(left.recorded) == len(right.recorded) == 2
    assert left.recorded[1].seat == "l"
    assert right.recorded[1].seat == "r"
