"""As-run against planned, row by row, and everybody's time as rows."""

from __future__ import annotations

from dataclasses import fields

import pytest

from tests.runs import Run, step, task
from tracker.journal.as_run import AsRunRow, SpentRow, as_run, as_spent
from tracker.journal.progress import step_status
from tracker.journal.store import AS_RUN, AS_SPENT


def walk() -> Run:
    """EV1: a (10), b (20, needs x); EV2: x (15), y (15); home together (10)."""
    return Run(
        task("one", step("a", "EV1", 10, work="fasten"), step("b", "EV1", 20, needs=["two.x"])),
        task("two", step("x", "EV2", 15), step("y", "EV2", 15)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def test_the_columns_are_those_of_the_journal() -> None:
    assert [field.name for field in fields(AsRunRow)] == AS_RUN
    assert [field.name for field in fields(SpentRow)] == AS_SPENT


def test_a_done_step_has_planned_and_actual_times_and_their_difference() -> None:
    run = walk()
    run.done("one.a", at=540)
    run.done("two.x", at=960)
    run.done("one.b", at=2400)
    row = run.row("one.b")
    assert row == AsRunRow(
        task="one",
        step="one.b",
        do="Do b",
        crew=("EV1",),
        work="general",
        status="done",
        planned_start=900,
        planned_finish=2100,
        planned_duration=1200,
        actual_start=960,
        actual_finish=2400,
        actual_duration=1440,
        variance=240,
        waited=420,
        held=0,
        begin_kind="implied",
        entry_lag=None,
        seat="test",
    )
    assert run.row("one.a").work == "fasten"
    assert run.row("one.a").variance == -60


def test_steps_that_are_not_done_have_no_variance() -> None:
    run = walk()
    run.done("one.a", at=540)
    run("skipped", 600, step="two.x")
    skipped, current, ahead = run.row("two.x"), run.row("one.b"), run.row("in.home")
    assert (skipped.status, skipped.variance, skipped.actual_duration) == ("skipped", None, 600)
    assert (skipped.actual_finish, skipped.seat) == (None, "test")
    assert (current.status, current.actual_start, current.actual_finish) == ("current", 600, None)
    assert (ahead.status, ahead.actual_start, ahead.begin_kind) == ("open", None, None)


def test_what_waits_for_a_window_is_waiting_until_it_opens() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 20, window="light")),
        windows=[{"id": "light", "open": [["0:20", "2:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    run.done("one.a", at=600)
    assert [step_status(run.now, "one.b", at) for at in (600, 1199, 1200)] == [
        "waiting",
        "waiting",
        "current",
    ]
    assert run.row("one.b").actual_start is None
    spent = [row for row in as_spent(run.now, 900) if row.crew == "EV1"]
    assert [(row.start, row.finish, row.kind) for row in spent] == [(0, 600, "work"), (600, 900, "wait")]
    spent = [row for row in as_spent(run.now, 1500) if row.crew == "EV1"]
    assert [(row.start, row.finish, row.kind) for row in spent[1:]] == [
        (600, 1200, "wait"),
        (1200, 1500, "work"),
    ]


def test_an_added_step_has_a_row_with_its_planned_place() -> None:
    run = walk()
    run("added", 300, task=task("leak", step("find", "EV1", 5)))
    rows = as_run(run.now)
    assert [row.step for row in rows][-1] == "leak.find"
    assert (rows[-1].planned_start, rows[-1].planned_duration) == (900, 300)


def test_holds_and_waiting_and_work_of_a_step_fill_the_time_from_the_step_before() -> None:
    run = walk()
    run.done("one.a", at=540)
    run("held", 700, crew=["EV1"], text="glove")
    run.done("two.x", at=960)
    run("resumed", 1000)
    run("held", 1500)
    run("resumed", 1700)
    run.done("one.b", at=2500)
    row = run.row("one.b")
    assert (row.waited, row.held, row.actual_duration) == (160, 500, 1300)
    assert row.waited + row.held + (row.actual_duration or 0) == pytest.approx(2500 - 540)
    assert row.actual_start == 1000


def test_a_crew_member_who_has_nothing_to_do_is_idle() -> None:
    run = Run(task("one", step("a", "EV1", 10)))
    run.done("one.a", at=500)
    assert as_spent(run.now, 700) == [
        SpentRow("EV1", 0, 500, "work", "one.a", None),
        SpentRow("EV1", 500, 700, "idle", None, None),
        SpentRow("EV2", 0, 700, "idle", None, None),
    ]


def test_before_zero_no_time_has_passed() -> None:
    run = Run(task("one", step("a", "EV1", 10)), start=False)
    assert as_spent(run.now, 0) == []
    assert run.row("one.a").status == "waiting"
