"""What holds for every excursion, on random plans and random events."""

from __future__ import annotations

from dataclasses import fields, replace
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.streams import NOT_LIVE, random_plan, random_run
from tracker.foundation.errors import EventError
from tracker.journal.as_run import as_run, as_spent, derived_rows
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress, step_status
from tracker.plan.graph import before_each, sort_steps
from tracker.plan.model import Plan
from tracker.plan.timeline import as_planned

many = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
seeds = st.integers(min_value=0, max_value=2**32)


def excursion(seed: int, *, orderly: bool = False) -> Fold:
    random = Random(seed)
    return random_run(random, random_plan(random), random.choice((5, 20, 50)), orderly=orderly)


def same(one: Progress, other: Progress) -> None:
    for field in fields(Progress):
        if field.name != "fold":
            assert getattr(one, field.name) == getattr(other, field.name), field.name


def work_waiting_holds_and_idleness_add_up_to_the_time_elapsed(fold: Fold) -> None:
    progress = fold.progress()
    end = progress.closed if progress.closed is not None else progress.at + 600
    rows = as_spent(progress, end)
    for crew in progress.spent:
        mine = [row for row in rows if row.crew == crew]
        at = 0.0
        for row in mine:
            assert row.start == at, (crew, row, mine)
            assert row.finish > row.start
            at = row.finish
        assert at == end, (crew, mine)
        assert sum(row.finish - row.start for row in mine) == pytest.approx(end, abs=1e-6)


def events_one_by_one_come_to_the_same_as_all_at_once(fold: Fold) -> None:
    start = Fold.start(fold.plan, uuid="random")
    same(fold.progress(), start.add_all(fold.recorded).progress())


def withdrawing_the_last_event_brings_back_what_was(fold: Fold) -> None:
    last = next((e for e in reversed(fold.recorded) if e.kind not in ("withdrawn", "amended", "zero")), None)
    if last is None or last.number not in {event.number for event in fold.progress().events}:
        return
    before = Fold.start(fold.plan, uuid="random").add_all(e for e in fold.recorded if e.number < last.number)
    after = Fold.start(fold.plan, uuid="random").add_all(e for e in fold.recorded if e.number <= last.number)
    undo = {"kind": "withdrawn", "event": last.number}
    undone = admit(after, undo, utc_now=NOT_LIVE, seat="test")[1].progress()
    same(replace(before.progress(), number=0), replace(undone, number=0))


def everybody_has_a_current_step_as_long_as_they_have_an_open_one(fold: Fold) -> None:
    progress = fold.progress()
    for crew, order in progress.order.items():
        current = progress.current[crew]
        assert (current is None) == (not order)
        assert current is None or progress.steps[current].ended is None
        assert current is None or current in order
        assert len(set(order)) == len(order)
        assert all(crew in progress.steps[step].crew for step in order)
        assert all(progress.steps[step].ended is None for step in order)


def orders_and_needs_never_make_a_circle(fold: Fold) -> None:
    progress = fold.progress()
    before = before_each(progress.needs, progress.order)
    _, stuck = sort_steps(list(progress.needs), before)
    assert stuck == []
    assert set(progress.needs) == {step for step, s in progress.steps.items() if s.ended is None}


def what_is_open_has_its_closer_ahead_unless_people_gave_that_up(fold: Fold) -> None:
    progress = fold.progress()
    for item in progress.open_items:
        closer = progress.steps[item.closed_by]
        at_once = any(progress.recall[c].call == "at once" for c in closer.crew if c in progress.recall)
        assert closer.ended is None or closer.ended == "skipped" or at_once or progress.closed is not None


def work_time_is_what_its_crew_spent_on_it_at_least_as_long_as_one_of_them(fold: Fold) -> None:
    progress = fold.progress()
    for step, s in progress.steps.items():
        if s.ended == "done" and len(s.crew) == 1:
            spent = sum(
                (i.end or 0) - i.start
                for i in progress.spent[s.crew[0]]
                if i.step == step and i.kind == "work"
            )
            assert spent == pytest.approx(s.worked_s, abs=0.01) or s.begin_kind == "batch"


def an_orderly_excursion_has_nothing_unusual(fold: Fold) -> None:
    progress = fold.progress()
    outside = [text for _, text in progress.warnings if "outside its window" not in text]
    assert outside == []


def as_on_paper(plan: Plan) -> Fold:
    """Return the excursion in which every step takes its planned time and every go is given at once."""
    fold = Fold.start(plan, uuid="random")
    events: list[dict[str, object]] = [{"kind": "zero", "utc": "2031-05-04T14:00:00Z"}]
    events += [{"kind": "went", "step": s.id, "at": 0} for s in plan.step.values() if s.hold_point]
    for event in events:
        fold = admit(fold, event, utc_now=NOT_LIVE, seat="test")[1]
    while True:
        progress = fold.progress()
        ends = [
            (s.running_since + s.step.time.likely, step)
            for step, s in progress.steps.items()
            if s.running_since is not None
        ]
        if not ends:
            return fold
        at, step = min(ends)
        fold = admit(fold, {"kind": "done", "step": step, "at": at}, utc_now=NOT_LIVE, seat="test")[1]


@many
@given(seeds)
def test_when_every_step_takes_its_planned_time_all_goes_as_on_paper(seed: int) -> None:
    plan = random_plan(Random(seed))
    progress = as_on_paper(plan).progress()
    paper = as_planned(plan)
    # Steps that end in the same seconds are a batch, of which only the sum is known.
    exact = {step: s for step, s in progress.steps.items() if s.begin_kind != "batch"}
    assert {step: s.done for step, s in progress.steps.items()} == paper.finish
    assert {step: s.began for step, s in exact.items()} == {step: paper.start[step] for step in exact}
    assert progress.planned == {step: (paper.start[step], paper.finish[step]) for step in paper.start}
    assert progress.warnings == ()


def times_of_steps_are_in_order(fold: Fold) -> None:
    progress = fold.progress()
    for s in progress.steps.values():
        assert s.worked_s >= 0
        assert s.waited_s >= 0
        assert s.held_s >= 0
        assert s.began is not None or s.worked_s == 0
        if s.done is not None:
            assert s.began is not None
            assert s.began <= s.done
            assert s.running_since is None
            # Shares of a batch may end seconds after their own tick, never after the last event.
            assert s.worked_s <= progress.at + 1e-6
        assert (s.ended == "done") == (s.done is not None)


def as_run_has_a_row_a_step_and_its_status(fold: Fold) -> None:
    progress = fold.progress()
    rows = as_run(progress)
    assert [row.step for row in rows] == list(progress.steps)
    for row in rows:
        assert row.status == step_status(progress, row.step, progress.at, recorded=True)
        assert (row.variance is None) == (row.status != "done")
        if row.variance is not None and row.actual_duration is not None:
            assert row.variance == pytest.approx(row.actual_duration - row.planned_duration)


def rows_taken_over_from_before_are_those_made_afresh(fold: Fold) -> None:
    so_far = Fold.start(fold.plan, uuid="random")
    rows = derived_rows(so_far.progress())
    for event in fold.recorded:
        before, so_far = so_far.progress(), so_far.add(event)
        rows = derived_rows(so_far.progress(), (before, rows))
        assert rows == derived_rows(so_far.progress())


@many
@given(seeds, st.integers(min_value=0, max_value=20000))
def test_as_of_an_instant_is_what_was_folded_by_then(seed: int, at: int) -> None:
    fold = excursion(seed)
    then = fold.until(at=at).progress()
    assert then.at <= at
    in_force = fold.progress().events
    assert [e.number for e in then.events] == [e.number for e in in_force if e.at <= at]


@many
@given(seeds, st.lists(st.integers(min_value=-60, max_value=20000), max_size=5))
def test_one_pass_through_many_instants_finds_what_each_finds_alone(seed: int, instants: list[int]) -> None:
    fold = excursion(seed)
    for at, passing in zip(sorted(instants), fold.through(sorted(instants)), strict=True):
        same(passing.progress(), fold.until(at=at).progress())
        assert passing.recorded == fold.until(at=at).recorded


def a_refused_event_changes_nothing(fold: Fold) -> None:
    before = fold.progress()
    with pytest.raises(EventError):
        admit(fold, {"kind": "done", "step": "no.such", "at": 5}, utc_now=NOT_LIVE, seat="test")
    assert fold.progress() is before


ANY = (
    work_waiting_holds_and_idleness_add_up_to_the_time_elapsed,
    events_one_by_one_come_to_the_same_as_all_at_once,
    withdrawing_the_last_event_brings_back_what_was,
    everybody_has_a_current_step_as_long_as_they_have_an_open_one,
    orders_and_needs_never_make_a_circle,
    what_is_open_has_its_closer_ahead_unless_people_gave_that_up,
    times_of_steps_are_in_order,
    as_run_has_a_row_a_step_and_its_status,
    rows_taken_over_from_before_are_those_made_afresh,
    a_refused_event_changes_nothing,
)
"""What holds of every excursion."""
ORDERLY = (
    work_time_is_what_its_crew_spent_on_it_at_least_as_long_as_one_of_them,
    an_orderly_excursion_has_nothing_unusual,
)
"""What holds where everybody keeps to the order."""


@many
@given(seeds)
def test_what_holds_of_every_excursion(seed: int) -> None:
    fold = excursion(seed)
    for law in ANY:
        law(fold)


@many
@given(seeds)
def test_what_holds_of_an_orderly_excursion(seed: int) -> None:
    fold = excursion(seed, orderly=True)
    for law in ORDERLY:
        law(fold)
