"""What goes beside the estimate: the course through the day, the chance of each task, what moved it."""

from __future__ import annotations

import itertools
import queue
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flat import FLAT, flat
from tests.journal.memory_store import in_memory
from tests.leads import EVENTS, NOW_S, excursion, on_record
from tests.runs import LATER, Run, step, task
from tracker.console.lead_analysis import (
    GRIDS_S,
    MOST_POINTS,
    Grown,
    LeadAnalysis,
    Learned,
    Wish,
    analysis,
    instants,
    unchanged_until,
)
from tracker.console.lead_session import LeadSession
from tracker.console.view.scene import Point
from tracker.console.workers import Estimated, Wanted
from tracker.forecast.chances import done_by
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.model import Plan


@given(st.floats(0, 40 * 3600))
def test_the_course_has_a_bounded_number_of_points(present: float) -> None:
    found = instants(present)
    assert 1 <= len(found) <= MOST_POINTS + 1
    assert found[0] == 0 and found[-1] <= present
    assert all(b - a == pytest.approx(found[1]) for a, b in itertools.pairwise(found))


def test_the_grid_is_made_of_round_times() -> None:
    assert instants(6.5 * 3600)[1] in GRIDS_S
    assert len(instants(0.0)) == 1


def wish(journal: Journal, **changes: Any) -> Wish:
    progress = journal.progress()
    made = Wish(progress, NOW_S, progress, estimate(progress, NOW_S, scenarios=200), 677.0)
    return replace(made, **changes)


def results(studies: LeadAnalysis, one: Wish) -> list[Learned]:
    return list(studies.results(one))


@pytest.fixture
def journal(plan: Plan) -> Journal:
    found = in_memory(plan, seed="1" * 32)
    on_record(found)
    return found


def test_a_wish_is_answered_in_the_order_of_its_haste(journal: Journal) -> None:
    supposed = journal.progress().suppose({"kind": "dropped", "task": "lamp", "at": 2470})
    found = results(LeadAnalysis(), wish(journal, supposed=supposed))
    names = ("supposed", "choices", "moved", "chances", "points")
    kinds = [next(name for name in names if getattr(one, name) is not None) for one in found]
    assert kinds[:5] == ["supposed", "points", "choices", "chances", "moved"]
    assert set(kinds[5:]) == {"points"} and len(kinds[5:]) == len(instants(NOW_S))
    moved, last = found[4].moved, found[-1].points
    assert moved is not None and last is not None
    first, second = estimate(journal.progress(at=677), 677), estimate(journal.progress(), NOW_S)
    assert first.inside.p50 is not None and second.inside.p50 is not None
    total = sum(seconds for _, seconds in moved.causes)
    assert total == pytest.approx(second.inside.p50 - first.inside.p50, abs=0.01)
    newest = [one.points[0].at for one in found[4:] if one.points]
    assert newest == sorted(newest, reverse=True), "the latest come first"


def test_what_events_overtake_has_its_turn_with_the_next_wish(journal: Journal) -> None:
    """A fast rehearsal overtakes every wish, and nothing may be worked out for ever."""
    studies, told = LeadAnalysis(), set()
    for _ in range(4):
        one = itertools.islice(studies.results(wish(journal)), 1, 2)
        told |= {
            name
            for found in one
            for name in ("choices", "moved", "chances", "points")
            if getattr(found, name)
        }
    assert told == {"choices", "moved", "chances", "points"}


def test_what_is_supposed_stands_until_there_are_newer_figures(plan: Plan) -> None:
    journal, studied = in_memory(plan, seed="1" * 32), list[Wish]()
    on_record(journal, EVENTS[:4])
    session, utc = LeadSession(ask=lambda wanted: None, study=studied.append), LATER

    def grown() -> Progress:
        session.grown(Grown(journal.progress(), ()))
        return journal.progress()

    def estimated(progress: Progress) -> Estimate:
        made = estimate(progress, progress.at, scenarios=200)
        session.estimated(Estimated(made, Wanted(progress, progress.at, True), full=True), utc)
        return made

    first = grown()
    stands = estimated(session.followed)
    assert session.suppose("c 1", utc)
    one, seen = studied[-1], session.followed
    assert one.supposed is not None and one.supposed.recall
    on_record(journal, EVENTS[4:5])
    assert grown().number == first.number + 1
    session.learned(Learned(one, supposed=flat(one.supposed, stands.at)))
    known = session.scene(utc).supposed
    assert known is not None and known.stands is stands and known.estimate is not None
    newer = estimated(seen)
    assert studied[-1].estimate is newer and studied[-1].shown is seen, (
        "one that came late is better than none"
    )
    assert session.scene(utc).supposed == known
    assert session.suppose("h 1 15", utc)
    begun = studied[-1]
    assert begun.supposed is not None
    session.learned(Learned(begun, supposed=flat(begun.supposed, newer.at)))
    assert (held := session.scene(utc).supposed) is not None
    session.estimated(
        Estimated(estimate(seen, 1620.0, scenarios=200), Wanted(seen, 1620.0, True), full=True), utc
    )
    assert session.scene(utc).supposed == held, "until when it is held goes with the figures"
    again = studied[-1]
    assert again.supposed is not None
    session.learned(Learned(again, supposed=flat(again.supposed, 1620.0)))
    assert (later := session.scene(utc).supposed) is not None
    assert [one.events[0]["until"] for one in (held, later)] == [newer.at + 900, 2520]
    assert session.suppose("drop lamp", utc)
    session.learned(Learned(one, supposed=flat(one.supposed, stands.at)))
    other = session.scene(utc).supposed
    assert other is not None and other.estimate is None, "that was another question"


def test_a_late_event_makes_only_what_came_after_it_stale(journal: Journal) -> None:
    studies = LeadAnalysis()
    before = results(studies, wish(journal))[-1].points
    on_record(journal, [{"kind": "noted", "text": "late word", "at": 1400}])
    after = results(studies, wish(journal))
    assert before is not None and after[0].points is not None
    assert after[0].points == before[: len(after[0].points)]
    assert [point.at for point in after[0].points] == [0.0, 300.0, 600.0, 900.0, 1200.0]
    assert len(after) == 4 + len(before) - 5


def test_what_was_shown_goes_before_what_is_worked_out(journal: Journal) -> None:
    point = Point.of(estimate(journal.progress(at=1190), 1190))
    found = results(LeadAnalysis(), wish(journal, told=(point,)))[-1].points
    assert found is not None and point in found
    assert [one.at for one in found][3:6] == [900.0, 1190.0, 1500.0]


def test_the_lead_is_told_the_remedy_that_the_desk_is_told() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV2", 30), step("2", "EV2", 60), priority="get-ahead"),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        limits={"elapsed": "2:15"},
    )
    run("chose", 60, task="c", choice="keep")
    run.done("c.1", at=2400)
    run.done("a.1", at=3600)
    made, told = flat(run.now, 3660), flat(run.now, 3660, choices=True)
    session = LeadSession(ask=lambda wanted: None, study=lambda wish: None)
    session.grown(Grown(run.now, ()))
    utc = LATER
    session.estimated(Estimated(made, Wanted(run.now, session.now(utc), True), full=True), utc)
    one = Wish(run.now, 3660.0, run.now, made, 0.0)
    session.learned(Learned(one, choices=told.choices))
    assert session.snapshot is not None and session.snapshot.estimate is not None
    shown = session.snapshot.estimate
    assert [a.text for a in shown.alerts] == [a.text for a in told.alerts]
    assert any(alert.do for alert in shown.alerts if alert.id == "confidence")
    session.estimated(Estimated(made, Wanted(run.now, session.now(utc), False), full=False), utc)
    assert session.snapshot.estimate is not None
    assert session.snapshot.estimate.choices == told.choices, "known until they are worked out anew"


def test_a_newer_wish_goes_first_and_stopping_is_prompt(journal: Journal) -> None:
    heard: queue.Queue[Learned] = queue.Queue()
    studies = analysis(heard.put)
    first, second = wish(journal), wish(journal, since=0.0)
    studies.ask(first)
    studies.ask(second)
    studies.start()
    assert heard.get(timeout=60).wish is second
    studies.stop()
    studies.join(timeout=60)
    assert not studies.is_alive()


def test_what_goes_wrong_is_said_and_the_thread_goes_on(journal: Journal) -> None:
    heard: queue.Queue[Learned] = queue.Queue()
    studies = analysis(heard.put)
    studies.start()
    progress = journal.progress()
    studies.ask(wish(journal, supposed=replace(progress, pace_text="format: nine")))
    assert "format" in heard.get(timeout=60).trouble
    studies.ask(wish(journal))
    assert heard.get(timeout=60).points is not None
    studies.stop()


@pytest.mark.parametrize("k", range(len(EVENTS)))
def test_the_first_difference_of_two_journals(plan: Plan, k: int) -> None:
    whole, part = excursion(plan), excursion(plan, EVENTS[:k])
    at = whole.events[k].at
    assert unchanged_until(whole, part) == unchanged_until(part, whole) == at
    assert unchanged_until(whole, whole) == float("inf")


def two_tasks() -> Progress:
    run = Run(
        task("one", step("a", "EV1", 30)),
        task("two", step("b", "EV1", 30), priority="get-ahead"),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    return run.now


@pytest.mark.parametrize(
    ("by", "wanted"),
    [
        (29 * 60, {"one": 0.0, "two": 0.0, "home": 0.0}),
        (30 * 60, {"one": 1.0, "two": 0.0, "home": 0.0}),
        (70 * 60, {"one": 1.0, "two": 1.0, "home": 1.0}),
    ],
)
def test_the_chance_of_a_course_on_paper(by: float, wanted: dict[str, float]) -> None:
    # One course: 30 min, 30 min, 10 min, one after the other.
    found = done_by(two_tasks(), now=0.0, by=by, kept={"two"}, scenarios=20, prior=FLAT)
    assert found == wanted


def test_a_task_that_is_left_out_has_no_chance_and_takes_no_time() -> None:
    found = done_by(two_tasks(), now=0.0, by=40 * 60, kept=(), scenarios=20, prior=FLAT)
    assert found == {"one": 1.0, "home": 1.0}
