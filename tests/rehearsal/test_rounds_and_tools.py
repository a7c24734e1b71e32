"""A plan with rounds and hardware: rounds are answered, something is not ok, a tool goes out of sight."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.runs import plan_of, step, task
from tracker.journal.rounds import checks, rounds_at
from tracker.plan.model import Plan

Rehearse = Callable[..., Any]

AIR = {"id": "air", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.05}
GAS = {**AIR, "id": "gas", "shared": True}
ROUNDS = [{"id": "status", "every": "0:20", "ask": ["air", "gas", "gloves"]}]


def plan(**more: Any) -> Plan:
    return plan_of(
        task("one", step("a", "EV1", 60, takes=["driver"]), step("b", "EV2", 70)),
        task("home", step("in", "EV1 EV2", 20, brings=["driver"]), closeout=True),
        consumables=[AIR, GAS, {**AIR, "id": "water"}],
        hardware=[{"id": "driver", "title": "Torque driver"}],
        **{"rounds": ROUNDS, **more},
    )


def test_rounds_are_answered_in_time_by_everybody_outside_with_what_the_gauges_show(
    rehearse: Rehearse,
) -> None:
    played = rehearse(plan(), wanted=()).all()
    told = checks(played.now)
    assert [one.crew for one in told] == ["EV1", "EV2"] * (len(told) // 2) and len(told) >= 6
    assert all(isinstance(one.answers["air"], float) and one.answers["gloves"] == "ok" for one in told)
    # A shared store is read once a round, and what a round asks is not read besides.
    assert [isinstance(one.answers["gas"], float) for one in told] == [True, False] * (len(told) // 2)
    assert {event.body["consumable"] for event in played.now.events if event.kind == "reading"} == {"water"}
    for number, one in enumerate(told):
        before = played.journal.progress(at=one.at - 1)
        late = rounds_at(before, one.at)[0]
        assert late.late_s(one.at) <= 120, number
    assert played.now.raised == ()


def test_what_is_not_ok_is_a_deviation_in_the_same_entry(rehearse: Rehearse) -> None:
    played = rehearse(plan(), wanted=("not-ok",)).all()
    (wrong,) = (one for one in checks(played.now) if one.wrong)
    (raised,) = played.now.raised
    assert (raised.what, raised.about) == ("deviation", wrong.crew)
    assert raised.text == f"{wrong.crew} gloves {wrong.answers['gloves']}"
    recorded = {event.number: event.recorded for event in played.journal.fold.recorded}
    assert recorded[raised.number] == recorded[wrong.number]


def test_a_tool_goes_out_of_sight_and_is_found(rehearse: Rehearse) -> None:
    played = rehearse(plan(), wanted=("unseen",)).all()
    (raised,) = played.now.raised
    assert (raised.text, raised.about) == ("Torque driver out of sight", "EV1")
    assert raised.settled is not None and raised.settled.text == "found"
    assert 200 <= raised.settled.at - raised.at <= 900


def test_in_practice_all_of_it_comes_as_words(rehearse: Rehearse) -> None:
    played = rehearse(plan(), wanted=("not-ok", "unseen"), practice=True).to(90)
    words = [(event.seat, event.body["text"]) for event in played.now.events if event.kind == "noted"]
    assert any(text.startswith("status: air ") and "gloves ok" in text for _, text in words)
    assert not checks(played.now) and played.now.raised == ()


def test_without_rounds_and_hardware_none_of_it_comes(rehearse: Rehearse) -> None:
    bare = plan_of(task("one", step("a", "EV1 EV2", 60)), consumables=[AIR])
    one = rehearse(bare, wanted=()).all()
    other = rehearse(bare, wanted=("not-ok", "unseen")).all()
    assert [e.body for e in one.journal.fold.recorded] == [e.body for e in other.journal.fold.recorded]
