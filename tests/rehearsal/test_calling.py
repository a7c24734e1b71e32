"""Practice: the crew only speaks, in notes; whoever sits at the desk ticks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.runs import plan_of, step, task

Rehearse = Callable[..., Any]


def notes(played: Any) -> list[tuple[str, str]]:
    return [(e.seat, e.body["text"]) for e in played.journal.fold.recorded if e.kind == "noted"]


def test_the_crew_says_what_it_did_and_nothing_is_ticked(rehearse: Rehearse) -> None:
    plan = plan_of(
        task("a", step("one", "EV1", 10), step("bolts", "EV2", 20, count=2)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    played = rehearse(plan, practice=True).to(120)
    assert {e.kind for e in played.journal.fold.recorded} == {"zero", "noted"}
    said = notes(played)
    assert ("EV1", "Done: Do one.") in said
    assert [words for who, words in said if who == "EV2"][:2] == ["Do bolts: 1 of 2.", "Done: Do bolts."]
    assert said[-2:] == [("EV1", "I am inside."), ("EV2", "I am inside.")]
    assert played.now.closed is None


def test_a_go_is_asked_for_once_and_waited_for(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", step("power", "EV1", 5, hold_point="ask the lead")), crew="EV1")
    played = rehearse(plan, practice=True).to(40)
    assert notes(played) == [("EV1", "Ready for a go: Do power (ask the lead).")]
    played.order(40, {"kind": "went", "step": "a.power"}).to(50)
    assert notes(played)[1:] == [("EV1", "Done: Do power."), ("EV1", "I am inside.")]
    assert played.minutes == {"a.power": 45}


def test_surprises_are_said_by_the_lead(rehearse: Rehearse) -> None:
    plan = plan_of(task("a", *(step(f"s{n}", "EV1", 5) for n in range(24))), crew="EV1")
    played = rehearse(plan, practice=True, wanted=("hold", "unplanned", "silence")).to(240)
    lead = [words for who, words in notes(played) if who == "lead"]
    assert [words.split()[0] for words in lead if not words.startswith("EV1")] in (
        ["Hold", "Add"],
        ["Add", "Hold"],
    )
    assert "EV1 does not answer." in lead
    assert "EV1 may go on." in lead
    assert ("EV1", "I read you again.") in notes(played)
    assert len(played.minutes) == 24, "unplanned work is only done once somebody adds it"


def test_readings_are_said_by_who_reads_them(rehearse: Rehearse) -> None:
    air = {"id": "air", "unit": "kg", "start": 10, "reserve": 1, "per_hour": 1, "reading_sd": 0}
    plan = plan_of(task("a", step("one", "EV1 EV2", 50)), consumables=[air])
    played = rehearse(plan, practice=True).to(35)
    assert notes(played) == [("EV1", "I read air 9.5 kg."), ("EV2", "I read air 9.5 kg.")]
