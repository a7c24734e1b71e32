"""Whole rehearsals: the same for a seed, sound as journals, and as untidy as a voice loop is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from tests.runs import plan_of, step, task
from tests.streams import random_plan
from tracker.journal.as_run import as_spent
from tracker.plan.model import Plan, Round
from tracker.rehearsal.nature import Chance
from tracker.rehearsal.setting import outcome
from tracker.rehearsal.surprises import CHANCES, surprises

Rehearse = Callable[..., Any]


def told(played: Any) -> list[tuple[Any, ...]]:
    return [(e.kind, e.at, e.stated, e.recorded, e.seat, e.body) for e in played.journal.fold.recorded]


@pytest.mark.parametrize("seed", range(30))
def test_every_rehearsal_comes_to_its_end(rehearse: Rehearse, seed: int) -> None:
    plan = random_plan(Random(seed))
    played = rehearse(plan, seed=seed, pace=None, wanted=("random",)).all()
    progress = played.now
    assert progress.closed is not None
    assert set(progress.entered) >= set(plan.outside)
    assert not [e for e in progress.events if e.kind == "noted"], "something was refused"
    assert all(state.ended is not None for state in progress.steps.values())
    recorded = [e.recorded for e in played.journal.fold.recorded]
    assert recorded == sorted(recorded)


@pytest.mark.parametrize("seed", range(6))
def test_work_waiting_holds_and_idle_add_up(rehearse: Rehearse, larkspur: Plan, seed: int) -> None:
    played = rehearse(larkspur, seed=seed, pace=None, wanted=tuple(CHANCES)).all()
    end = played.now.closed
    for member in larkspur.member:
        rows = [row for row in as_spent(played.now, end) if row.crew == member]
        assert sum(row.finish - row.start for row in rows) == pytest.approx(end)


def test_the_same_seed_plays_the_same_and_another_does_not(rehearse: Rehearse, larkspur: Plan) -> None:
    first, again, other = (
        told(rehearse(larkspur, seed=n, pace=None, wanted=("random",)).all()) for n in (4, 4, 5)
    )
    assert first == again
    assert first != other


def test_played_in_small_pieces_it_is_the_same(rehearse: Rehearse, larkspur: Plan) -> None:
    whole = rehearse(larkspur, seed=4, pace=None, wanted=("random",)).all()
    pieces = rehearse(larkspur, seed=4, pace=None, wanted=("random",))
    for n in range(1, 2400):
        pieces.play.to(n * 11.0)
    assert [e[:3] for e in told(pieces)] == [e[:3] for e in told(whole)]
    assert {s: round(at, 3) for s, at in pieces.crew.finished.items()} == {
        s: round(at, 3) for s, at in whole.crew.finished.items()
    }


def test_ticks_come_after_the_fact_and_some_late(rehearse: Rehearse, larkspur: Plan) -> None:
    lags, stated = [], 0
    for seed in range(8):
        played = rehearse(larkspur, seed=seed, pace=None).all()
        for e in played.journal.fold.recorded:
            if e.kind == "done":
                true = played.crew.finished[e.body["step"]]
                lags.append((e.recorded - played.zero).total_seconds() - true)
                stated += e.stated
                assert not e.stated or abs(e.at - true) < 240
    lags.sort()
    assert lags[0] > 0
    assert 3 < lags[len(lags) // 2] < 30
    assert 0.04 < sum(lag > 60 for lag in lags) / len(lags) < 0.35
    assert 0 < stated < len(lags) / 4


def test_consumables_are_read_every_half_hour_while_out(rehearse: Rehearse, larkspur: Plan) -> None:
    played = rehearse(larkspur, seed=2, pace=None).all()
    inside = max(played.crew.inside.values())
    readings = [e for e in played.now.events if e.kind == "reading"]
    assert len(readings) == 8 * math.floor(inside / 1800)
    assert {round(e.at // 1800) for e in readings} == set(range(1, math.floor(inside / 1800) + 1))


def test_a_leak_shows_in_the_readings(rehearse: Rehearse) -> None:
    air = {
        "id": "air",
        "unit": "kg",
        "start": 10,
        "reserve": 1,
        "per_hour": 1,
        "crew": ["EV1"],
        "reading_sd": 0,
    }
    plan = plan_of(
        task("a", step("one", "EV1", 300)), crew="EV1", consumables=[air], limits={"elapsed": "6:00"}
    )
    (leak,) = surprises(plan, Chance(1), ("leak",))
    played = rehearse(plan, wanted=("leak",)).all()
    values = [e.body["value"] for e in played.now.events if e.kind == "reading"]
    at = leak.at / 3600
    assert 1.4 <= leak.times <= 2.2
    assert values[0] == pytest.approx(9.5)
    assert values[8] == pytest.approx(10 - at - leak.times * (4.5 - at), abs=0.001)


def test_a_stuck_step_takes_three_times_as_long(rehearse: Rehearse) -> None:
    plan = plan_of(
        task("a", step("one", "EV1", 10), step("bolts", "EV1", 10, work="fasten", count=4)), crew="EV1"
    )
    assert rehearse(plan, wanted=("stuck",)).all().minutes == {"a.one": 10, "a.bolts": 40}


def test_a_hold_is_recorded_with_its_reason_and_ends(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 60)), crew="EV1")
    (hold,) = surprises(plan, Chance(1), ("hold",))
    played = rehearse(plan, wanted=("hold",)).all()
    held, resumed = played.of("held", "resumed")
    assert held["text"] == hold.words
    assert played.minutes["a.one"] == pytest.approx(60 + hold.lasts_s / 60, abs=0.001)
    assert resumed["crew"] == held["crew"]


def test_out_of_voice_contact_nothing_is_ticked(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", *(step(f"s{n}", "EV1", 2) for n in range(60))), crew="EV1")
    played = rehearse(plan, wanted=("silence",)).all()
    silent, heard = (e for e in played.now.events if e.kind in ("silent", "heard"))
    ticked = [(e.recorded - played.zero).total_seconds() for e in played.now.events if e.kind == "done"]
    assert not [at for at in ticked if silent.at + 120 < at < heard.at]
    assert len(ticked) == 60


def test_unplanned_work_is_added_and_done(rehearse: Rehearse, larkspur: Plan) -> None:
    played = rehearse(larkspur, wanted=("unplanned",)).all()
    (added,) = played.of("added")
    (state,) = [t for t in played.now.tasks.values() if t.added]
    assert state.status == "done"
    assert added["task"]["title"] == state.task.title


def test_surprises_on_request_by_chance_and_none(larkspur: Plan) -> None:
    asking = replace(larkspur, rounds=(Round("status", 1800, ("gloves",)),))
    assert surprises(asking, Chance(1), ("none",)) == ()
    assert {one.kind for one in surprises(asking, Chance(1), tuple(CHANCES))} == set(CHANCES)
    came = [one.kind for seed in range(600) for one in surprises(asking, Chance(seed), ("random",))]
    for kind, chance in CHANCES.items():
        # Four standard errors of a share of 600.
        assert came.count(kind) / 600 == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / 600))
    bare = plan_of(task("a", step("one", "EV1", 10)))
    assert surprises(bare, Chance(1), ("leak", "not-ok", "unseen")) == ()


def test_the_outcome_in_a_line(rehearse: Rehearse) -> None:
    extra = task("extra", step("x", "EV1", 5), priority="get-ahead")
    plan = plan_of(task("a", step("one", "EV1", 60)), extra, crew="EV1", limits={"elapsed": "1:10"})
    played = rehearse(plan, seed=9)
    assert outcome(played.to(30).now, (), 9).startswith(
        "at 0:00, not everyone inside; elapsed limit at 1:10; 0 of 2"
    )
    played.order(30, {"kind": "dropped", "task": "extra"}).all()
    line = played.rehearsal.outcome()
    assert line.startswith("inside at 1:0") and ", elapsed limit at 1:10, " in line
    assert " min to spare; 1 of 2 steps done; dropped extra; surprises: none; seed 9" in line


def test_the_outcome_gives_no_surprise_away_that_has_not_come(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("one", "EV1", 10), step("two", "EV1", 60, count=4)), crew="EV1")
    played = rehearse(plan, seed=3, wanted=("hold", "stuck"))
    line = played.to(1).rehearsal.outcome()
    assert "surprises: none" in line
    assert "stuck" in played.all().rehearsal.outcome() and "hold of EV1" in played.rehearsal.outcome()
