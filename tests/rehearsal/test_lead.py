"""The lead who follows the advice: on record beside it, and home in time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.runs import Run, plan_of, step, task
from tracker.plan.model import Plan
from tracker.rehearsal.play import Lead

Rehearse = Callable[..., Any]
HOME = task("home", step("in", "EV1", 20), closeout=True)


LONG = task("long", step("x", "EV1", 40), priority="get-ahead")
SHORT = task("short", step("x", "EV1", 10), priority="get-ahead")
TIGHT = plan_of(task("a", step("one", "EV1", 60)), LONG, SHORT, HOME, crew="EV1", limits={"elapsed": "1:45"})


def test_optional_work_that_does_not_fit_is_dropped_with_its_advice(rehearse: Rehearse) -> None:
    played = rehearse(TIGHT, advised=True).all()
    # 60 + 40 + 20 min is beyond 1:45; 60 + 10 + 20 is not.
    chosen = [(e["task"], e["choice"], e["advice"]) for e in played.of("chose")]
    assert chosen == [("long", "drop", "drop"), ("short", "keep", "keep")]
    assert [e["task"] for e in played.of("dropped")] == ["long"]
    assert played.minutes["home.in"] == 90
    assert all(set(e["figures"]) == {"last_call", "in_time", "cost", "safe"} for e in played.of("chose"))


def test_the_lead_calls_home_in_time(rehearse: Rehearse) -> None:
    bolts = step("bolts", "EV1", 60, work="fasten")
    plan = plan_of(
        task("a", bolts, step("two", "EV1", 30)), HOME, crew="EV1", limits={"elapsed": "2:00"}, confidence=0.9
    )
    played = rehearse(plan, wanted=("stuck",), advised=True).all()
    # The stuck step would take 3 h. Home takes 20 minutes, so 1:40 is the latest.
    (called,) = [e for e in played.now.events if e.kind == "called"]
    assert 90 * 60 <= called.at <= 100 * 60
    assert max(played.crew.inside.values()) <= 2 * 3600 + 1
    assert "a.bolts" not in played.minutes
    assert "called home, left a" in played.rehearsal.outcome()


def test_without_a_lead_nobody_decides(rehearse: Rehearse, larkspur: Plan) -> None:
    played = rehearse(larkspur, seed=3, pace=None).all()
    assert not played.of("chose", "dropped", "called")


def test_advice_is_the_same_again(rehearse: Rehearse) -> None:
    first, again = (
        rehearse(TIGHT, seed=4, pace=None, wanted=("random",), advised=True).all().of("chose")
        for _ in range(2)
    )
    assert first == again
    assert {e["task"] for e in first} == {"long", "short"}


def test_extra_work_is_broken_off_when_the_others_are_on_their_way_home(rehearse: Rehearse) -> None:
    extra = task("extra", step("long", "EV2", 60), priority="get-ahead")
    closeout = task("home", step("count", "EV1", 5), step("in", "EV1 EV2", 10), closeout=True)
    plan = plan_of(task("a", step("one", "EV1", 10)), extra, closeout, limits={"elapsed": "1:30"})
    played = rehearse(plan, advised=True).order(20, {"kind": "held", "crew": ["EV2"]})
    assert [(e["task"], e["choice"]) for e in played.of("chose")] == [("extra", "keep")]
    played.order(50, {"kind": "resumed", "crew": ["EV2"]}).all()
    # The lead looks every 11:15. At 0:33:45 the 40 minutes left and 10 of the way home still fit into 1:30,
    # at 0:45 no more; EV2 is held until 0:50.
    (called,) = [e for e in played.now.events if e.kind == "called"]
    assert called.at == 2700
    assert played.minutes == {"a.one": 10, "home.count": 15, "home.in": 60}


def test_what_was_begun_undecided_is_dropped_once_that_is_advised() -> None:
    extra = task("extra", step("long", "EV2", 60), step("more", "EV2", 30), priority="get-ahead")
    run = Run(
        task("a", step("one", "EV1", 60)), extra, task("home", step("in", "EV1 EV2", 15), closeout=True)
    )
    run("began", 60, step="extra.long")
    lead = Lead(every_s=600.0, scenarios=200)
    assert lead.look(run.now, 600.0) == []
    run("limited", 700, limit="elapsed", value="1:40")
    chose, dropped = lead.look(run.now, 1200.0)
    assert (chose["kind"], chose["task"], chose["choice"], chose["advice"]) == (
        "chose",
        "extra",
        "drop",
        "drop",
    )
    assert (dropped["kind"], dropped["task"]) == ("dropped", "extra")
