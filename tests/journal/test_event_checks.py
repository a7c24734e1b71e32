"""What may be recorded when: live or not, before zero, ahead of the clock, after the end."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.runs import LATER, ZERO, Run, plan_of, step, task
from tracker.foundation.errors import EventError
from tracker.foundation.times import parse_instant
from tracker.journal.event_checks import admit, check_together
from tracker.journal.events import parse_event
from tracker.journal.fold import Fold
from tracker.journal.progress import Recorded


def fresh() -> Fold:
    plan = plan_of(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, hold_point="ask")),
        task("two", step("x", "EV2", 15), priority="get-ahead"),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
        consumables=[{"id": "air", "unit": "kg", "start": 0.8, "reserve": 0.1, "per_hour": 0.1}],
    )
    return Fold.start(plan, uuid="1")


def clock(pet: float) -> datetime:
    return parse_instant(ZERO) + timedelta(seconds=pet)


def record(fold: Fold, now: datetime, /, **event: Any) -> tuple[Recorded, Fold, tuple[str, ...]]:
    return admit(fold, event, utc_now=now, seat="desk")


def started() -> Fold:
    return record(fresh(), clock(0), kind="zero", utc=ZERO)[1]


def test_live_a_missing_at_is_now_in_whole_seconds() -> None:
    event, fold, _ = record(started(), clock(510.9), kind="done", step="one.a")
    assert (event.at, event.stated, event.seat, event.number) == (510, False, "desk", 2)
    assert event.recorded == clock(510.9)
    assert fold.progress().steps["one.a"].entry_lag_s == pytest.approx(0.9)


def test_live_a_stated_time_is_kept_and_its_lag_known() -> None:
    event, fold, _ = record(started(), clock(600), kind="done", step="one.a", at=420, seat="lead")
    assert (event.at, event.stated, event.seat) == (420, True, "lead")
    assert fold.progress().steps["one.a"].entry_lag_s == 180
    assert fold.progress().steps["one.a"].seat == "lead"


def test_live_five_seconds_ahead_is_taken_and_more_is_refused() -> None:
    assert record(started(), clock(600), kind="done", step="one.a", at=605)[0].at == 605
    with pytest.raises(EventError, match=r"done one.a at 0:10:06: .*in the future, now it is 0:10:00"):
        record(started(), clock(600), kind="done", step="one.a", at=606)


@pytest.mark.parametrize("pet", [-1, 7 * 86400 + 1])
def test_a_clock_before_zero_or_a_week_after_is_not_live(pet: float) -> None:
    with pytest.raises(EventError, match="`at` is missing, and this journal is not live"):
        record(started(), clock(pet), kind="done", step="one.a")
    assert record(started(), clock(pet), kind="done", step="one.a", at=600)[0].at == 600


def test_a_week_after_zero_is_still_live() -> None:
    with pytest.raises(EventError, match="four times the elapsed limit"):
        record(started(), clock(7 * 86400), kind="done", step="one.a")


def test_not_live_nothing_is_future_and_undo_needs_no_time() -> None:
    fold = record(started(), LATER, kind="done", step="one.a", at=20000)[1]
    event, fold, _ = record(fold, LATER, kind="withdrawn", event=2)
    assert fold.progress().steps["one.a"].ended is None
    assert event.kind == "withdrawn"


def test_more_than_four_times_the_elapsed_limit_is_refused_anywhere() -> None:
    limit = 4 * (6 * 3600 + 1800)
    assert record(started(), LATER, kind="noted", text="x", at=limit)[0].at == limit
    with pytest.raises(EventError, match="beyond 26:00:00, four times the elapsed limit"):
        record(started(), LATER, kind="noted", text="x", at=limit + 1)
    tighter = record(started(), LATER, kind="limited", limit="elapsed", value="1:00", at=60)[1]
    assert record(tighter, LATER, kind="noted", text="x", at=limit)[0].at == limit


BEFORE = [
    {"kind": "noted", "text": "suits checked"},
    {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.79},
    {"kind": "dropped", "task": "two"},
    {"kind": "moved", "task": "two", "before": "one"},
    {"kind": "handed", "step": "two.x", "crew": ["EV1"]},
    {"kind": "added", "task": task("leak", step("find", "EV1", 5))},
    {"kind": "retimed", "step": "one.a", "time": "0:11"},
    {"kind": "limited", "limit": "elapsed", "value": "6:00"},
    {"kind": "chose", "task": "two", "choice": "keep"},
    {"kind": "went", "step": "one.b"},
    {"kind": "raised", "what": "question", "text": "?"},
]


@pytest.mark.parametrize("event", BEFORE, ids=lambda event: str(event["kind"]))
@pytest.mark.parametrize("at", [-300, 0])
def test_plans_may_change_before_zero_and_count_as_pet_0(event: dict[str, Any], at: int) -> None:
    recorded, fold, _ = record(fresh(), clock(-600), at=at, **event)
    assert recorded.at == at
    fold = record(fold, clock(0), kind="zero", utc=ZERO)[1]
    assert fold.progress().at == 0
    assert fold.progress().steps["one.a"].began == 0
    # The same, recorded late, is folded before zero.
    late = record(started(), clock(600), at=at, **event)[1]
    assert late.progress().steps["one.a"].began == 0


def test_what_was_decided_before_zero_holds_after_it() -> None:
    fold = record(fresh(), clock(-600), kind="dropped", task="two", at=-60)[1]
    fold = record(fold, clock(-500), kind="went", step="one.b", at=-50)[1]
    fold = record(fold, clock(0), kind="zero")[1]
    progress = fold.progress()
    assert progress.zero == clock(0)
    assert progress.current == {"EV1": "one.a", "EV2": "in.home"}
    assert progress.steps["one.b"].gone


def test_a_restored_task_before_zero() -> None:
    fold = record(fresh(), clock(-600), kind="dropped", task="two", at=-60)[1]
    fold = record(fold, clock(-600), kind="restored", task="two", at=-30)[1]
    assert fold.progress().tasks["two"].status == "open"


@pytest.mark.parametrize(
    "event",
    [
        {"kind": "done", "step": "one.a"},
        {"kind": "began", "step": "one.a"},
        {"kind": "held"},
        {"kind": "entered", "crew": "EV1"},
        {"kind": "called", "call": "home"},
        {"kind": "closed"},
        {"kind": "seen", "window": "light"},
    ],
    ids=lambda event: str(event["kind"]),
)
def test_nothing_else_happens_before_zero(event: dict[str, Any]) -> None:
    with pytest.raises(EventError, match="the clock has not started"):
        record(fresh(), clock(-600), at=0, **event)
    with pytest.raises(EventError, match="before zero"):
        record(started(), LATER, at=-5, **event)


def test_before_zero_no_time_lies_after_it() -> None:
    with pytest.raises(EventError, match="before zero `at` is 0 or negative"):
        record(fresh(), clock(-600), kind="noted", text="x", at=10)


def test_zero_is_now_where_nothing_is_said() -> None:
    event, fold, _ = record(fresh(), clock(0.25), kind="zero")
    assert event.body["utc"] == "2031-05-04T14:00:00.250Z"
    assert not event.stated
    assert fold.progress().zero == clock(0.25)
    with pytest.raises(EventError, match="zero is PET 0"):
        record(fresh(), clock(0), kind="zero", at=5)


def closed_at(pet: int) -> Fold:
    fold = record(started(), LATER, kind="done", step="one.a", at=600)[1]
    return record(fold, LATER, kind="closed", at=pet)[1]


def test_after_the_end_what_happened_before_it_may_still_be_written() -> None:
    fold = record(closed_at(5000), LATER, kind="done", step="two.x", at=900)[1]
    assert fold.progress().steps["two.x"].done == 900
    fold = record(closed_at(5000), LATER, kind="done", step="two.x", at=5000)[1]
    assert fold.progress().steps["two.x"].done == 5000
    assert fold.progress().closed == 5000


def test_after_the_end_only_notes_and_corrections_have_any_time() -> None:
    fold = closed_at(5000)
    with pytest.raises(EventError, match="the excursion was closed at 1:23:20"):
        record(fold, LATER, kind="done", step="two.x", at=5001)
    assert record(fold, LATER, kind="noted", text="x", at=9000)[1].progress().closed == 5000
    assert record(fold, LATER, kind="withdrawn", event=2)[1].progress().steps["one.a"].ended == "left"
    assert record(fold, LATER, kind="amended", event=2, at=500)[1].progress().steps["one.a"].done == 500
    reopened = record(fold, LATER, kind="withdrawn", event=3)[1]
    assert reopened.progress().closed is None
    with pytest.raises(EventError, match="was closed"):
        record(fold, LATER, kind="closed", at=4000)


def test_closing_before_something_on_record_is_refused() -> None:
    fold = record(started(), LATER, kind="done", step="one.a", at=600)[1]
    with pytest.raises(EventError, match=r"event 2 would be impossible: .*closed at 0:08:20"):
        record(fold, LATER, kind="closed", at=500)


def test_after_the_end_open_work_is_left_and_time_stands_still() -> None:
    progress = closed_at(5000).progress()
    assert progress.steps["two.x"].ended == "left"
    assert progress.tasks["two"].status == "left"
    assert progress.tasks["one"].status == "left"
    assert progress.current == {"EV1": None, "EV2": None}
    assert progress.order == {"EV1": (), "EV2": ()}
    assert progress.spent["EV1"][-1].end == 5000


def test_closing_with_open_items_is_unusual() -> None:
    run = Run(task("box", step("open", "EV1", 5, opens=["lid"]), step("shut", "EV1", 5, closes=["lid"])))
    run.done("box.open", at=300)
    number = run("closed", 400)
    assert run.warned[number] == ("closing with open items: lid (closed by box.shut)",)
    assert [one.item for one in run.open_items()] == ["lid"]


def test_warnings_of_a_late_event_are_its_own_and_those_that_it_brings_about() -> None:
    run = Run(task("one", step("a", "EV1", 10), step("b", "EV1", 10)))
    run.done("one.a", at=600)
    number = run("held", 300, crew=["EV1"])
    assert run.warned[number] == ("one.a in a hold of EV1 since 0:05:00",)


def test_a_decision_to_drop_comes_with_the_drop() -> None:
    fold = started()
    chose = {"kind": "chose", "task": "two", "choice": "drop", "at": 60}
    dropped = {"kind": "dropped", "task": "two", "at": 60}
    read = parse_event(chose)
    check_together(fold, [read, parse_event(dropped)])
    check_together(fold, [parse_event({**chose, "choice": "keep"})])
    with pytest.raises(EventError, match="both or neither; record `dropped` first"):
        check_together(fold, [read])
    check_together(record(fold, LATER, **dropped)[1], [read])


def test_a_decision_to_wait_comes_with_the_move_to_the_end() -> None:
    fold = started()
    chose = {"kind": "chose", "task": "two", "choice": "later", "at": 60}
    moved = {"kind": "moved", "task": "two", "last": True, "at": 60}
    ahead = {"kind": "moved", "task": "two", "before": "one", "at": 70}
    check_together(fold, [parse_event(chose), parse_event(moved)])
    check_together(fold, [parse_event(moved), parse_event(chose)])
    with pytest.raises(EventError, match="`moved` of two with `last: true`, both or neither"):
        check_together(fold, [parse_event(chose), parse_event(ahead)])
    fold = record(fold, LATER, **moved)[1]
    check_together(fold, [parse_event(chose)])
    with pytest.raises(EventError, match="record `moved` first"):
        check_together(record(fold, LATER, **ahead)[1], [parse_event(chose)])


def test_the_seat_is_bounded_and_text_is_data() -> None:
    with pytest.raises(EventError, match="seat"):
        record(started(), LATER, kind="noted", text="x", at=1, seat="s" * 101)
    with pytest.raises(EventError, match="longer than 10000"):
        record(started(), LATER, kind="noted", text="x" * 10001, at=1)
    for control in ("\x00", "\x1b[31m", "\r", "\x07"):
        with pytest.raises(EventError, match="`text` holds a control character"):
            record(started(), LATER, kind="noted", text=f"glare{control}", at=1)
    hostile = "=1+1\u202e[red]\t\n"
    event, fold, _ = record(started(), LATER, kind="noted", text=hostile, at=1)
    assert event.body["text"] == hostile
    with pytest.raises(EventError) as caught:
        record(fold, LATER, kind="done", step="\x1b[31mx", at=1)
    assert "\x1b" not in str(caught.value)


def test_a_damaged_event_is_told_not_thrown() -> None:
    bad = Recorded(2, "done", 10.0, True, LATER, "x", {"stop": "one.a"})
    with pytest.raises(EventError, match="event 2 is damaged"):
        started().add(bad)
    with pytest.raises(EventError, match="already on record"):
        started().add(Recorded(1, "noted", 10.0, True, LATER, "x", {"text": "y"}))
