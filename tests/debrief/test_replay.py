"""Hindsight by replay: whether there was room, by arithmetic from the plan and the events."""

from __future__ import annotations

from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tracker.debrief.excursion import debriefed
from tracker.debrief.replay import Hindsight
from tracker.plan.read import parse_plan

LAMP = """
format: 1
excursion: Plan L
zero: Go
limits: {elapsed: 1:00}
crew: [{id: A, name: Ada}]
consumables: [{id: gas, unit: L, start: 100, reserve: 20, per_hour: 96}]
tasks:
  - {id: work, steps: [{do: Work, crew: [A], time: 0:35}]}
  - {id: lamp, priority: get-ahead, steps: [{do: Change the lamp, crew: [A], time: 0:10}]}
  - {id: home, closeout: true, steps: [{do: Come in, crew: [A], time: 0:10}]}
"""


def _done(step: str, at: int) -> dict[str, Any]:
    return {"kind": "done", "step": step, "at": at}


def _closed(at: int) -> dict[str, Any]:
    return {"kind": "closed", "at": at}


def _chose(choice: str, at: int = 1200, advice: str = "drop") -> list[dict[str, Any]]:
    chose = {"kind": "chose", "task": "lamp", "choice": choice, "advice": advice, "at": at}
    return [{"kind": "dropped", "task": "lamp", "at": at}, chose] if choice == "drop" else [chose]


def _hindsight(plan: str, *happened: dict[str, Any]) -> Hindsight:
    with in_memory(parse_plan(plan, file="l.yaml", name="l"), seed="l") as journal:
        journal.record_all([{"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, *happened])
        (found,) = debriefed(journal.progress(), "l.sqlite", None).hindsight
        return found


DROPPED = (*_chose("drop"), _done("work.1", 2100), _done("home.1", 2700), {"kind": "closed", "at": 2700})


def test_a_drop_where_the_gas_would_not_have_lasted_is_confirmed() -> None:
    """Home at 0:45 with 28 L; with the lamp at 0:55 with 12 L, below the reserve of 20."""
    found = _hindsight(LAMP, *DROPPED)
    assert (found.room, found.confirmed, found.breaks) == (False, True, "A.gas")
    assert found.words == "there was no room: A gas"
    assert found.share is not None
    assert found.share <= 0.1


def test_a_drop_where_there_was_room_was_costly() -> None:
    """At 60 L an hour 45 L are left at 0:55, and the limit is 1:00."""
    found = _hindsight(LAMP.replace("per_hour: 96", "per_hour: 60"), *DROPPED)
    assert (found.room, found.confirmed, found.words) == (True, False, "there was room for it")


def test_a_close_call_is_not_decided() -> None:
    """Inside at 0:55 with the lamp at the planned pace: five courses of ten or so miss a limit of 0:55."""
    found = _hindsight(LAMP.replace("1:00", "0:55").replace("per_hour: 96", "per_hour: 10"), *DROPPED)
    assert (found.room, found.confirmed) == (None, None)
    assert found.share == pytest.approx(0.5, abs=0.02)
    assert found.words == "not decidable: 50 of 100 courses"


def test_work_that_was_done_with_everything_kept_is_confirmed() -> None:
    found = _hindsight(
        LAMP.replace("per_hour: 96", "per_hour: 10"),
        *_chose("keep", advice="keep"),
        _done("work.1", 2100),
        _done("lamp.1", 2700),
        _done("home.1", 3300),
        {"kind": "closed", "at": 3300},
    )
    assert (found.done, found.room, found.confirmed) == (True, True, True)
    assert found.words == "done, and every limit was kept"


def test_work_without_which_a_limit_would_have_been_kept_was_costly() -> None:
    late = (
        _done("work.1", 2100),
        _done("lamp.1", 3300),
        _done("home.1", 3900),
        {"kind": "closed", "at": 3900},
    )
    found = _hindsight(LAMP.replace("per_hour: 96", "per_hour: 10"), *_chose("keep"), *late)
    assert (found.done, found.room, found.confirmed, found.breaks) == (True, False, False, "elapsed")
    assert found.words == "without it elapsed limit would have been kept"


def test_work_that_changed_nothing_made_no_difference() -> None:
    late = (
        _done("work.1", 3300),
        _done("lamp.1", 3900),
        _done("home.1", 4500),
        {"kind": "closed", "at": 4500},
    )
    found = _hindsight(LAMP.replace("per_hour: 96", "per_hour: 10"), *_chose("keep"), *late)
    assert (found.room, found.confirmed, found.share) == (None, None, 0.0)
    assert found.words == "made no difference: elapsed limit was broken with it or without"


def test_a_limit_broken_before_the_decision_does_not_count() -> None:
    boat = LAMP.replace("{elapsed: 1:00}", "{elapsed: 2:00, boat: 0:15}").replace("96", "10")
    done = (
        _done("work.1", 2100),
        _done("lamp.1", 2700),
        _done("home.1", 3300),
        {"kind": "closed", "at": 3300},
    )
    found = _hindsight(boat, *_chose("keep"), *done)
    assert (found.confirmed, found.words) == (True, "done, and every limit was kept from then on")


def test_after_a_recall_there_was_room_only_for_what_fits_before_it() -> None:
    """Called home at 0:40, five minutes after the work was done: a lamp of ten minutes does not fit."""
    called = {"kind": "called", "call": "home", "at": 2400}
    end = (_done("home.1", 3000), {"kind": "closed", "at": 3000})
    found = _hindsight(LAMP.replace("96", "10"), *_chose("drop"), _done("work.1", 2100), called, *end)
    assert (found.room, found.breaks) == (False, "recall")


def test_later_work_and_holds_are_known_in_hindsight() -> None:
    """Ten minutes of unplanned work and ten of a hold leave no room before the limit."""
    extra = {"title": "Clear a line", "steps": [{"do": "Clear it", "crew": ["A"], "time": "0:10"}]}
    found = _hindsight(
        LAMP.replace("96", "10"),
        *_chose("drop"),
        {"kind": "added", "task": extra, "at": 1500},
        {"kind": "held", "at": 1600},
        {"kind": "resumed", "at": 2200},
        _done("work.1", 2700),
        _done("added-1.1", 3000),
        _done("home.1", 3600),
        {"kind": "closed", "at": 3600},
    )
    assert (found.room, found.confirmed, found.breaks) == (False, True, "elapsed")
