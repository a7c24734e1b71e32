"""Excursions that did not go by the book: shut out, recalled, left, handed over, hardly begun."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

import jsonschema
import pytest

from tests.debrief.conftest import SMALL
from tests.journal.memory_store import in_memory
from tests.schema import published
from tracker.debrief import pages, tables
from tracker.debrief.excursion import Excursion, Scoring, debriefed
from tracker.debrief.journals import pool
from tracker.debrief.pages import markdown, page, summary
from tracker.debrief.records import csv_chunks, json_chunks
from tracker.debrief.tables import whole
from tracker.plan.read import parse_plan

ZERO: dict[str, Any] = {"kind": "zero", "utc": "2031-12-31T23:50:00Z"}


def _debrief(events: Sequence[dict[str, Any]], plan: str = SMALL) -> Excursion:
    with in_memory(parse_plan(plan, file="p", name="p"), seed="strange") as journal:
        journal.record_all(list(events))
        return debriefed(journal.progress(), "one.sqlite", Scoring(instants=6, scenarios=200))


def _done(step: str, at: int, **more: Any) -> dict[str, Any]:
    return {"kind": "done", "step": step, "at": at, **more}


def _every_export(one: Excursion) -> dict[str, Any]:
    """Write everything that can be written; the JSON follows its schema."""
    for text in (csv_chunks([one]), markdown([one]), page([one]), summary([one])):
        assert "".join(text)
    with pytest.MonkeyPatch.context() as short:
        short.setattr(pages, "MOST_IN_FULL", 1)  # Its own figures stand in the page before.
        assert "".join(page([one, one]))
    found: dict[str, Any] = json.loads("".join(json_chunks([one])))
    jsonschema.Draft202012Validator(published()).validate(found)
    assert tables.scores(one.judgement).rows
    return found


BRIEF_LIGHT = SMALL.replace("[0:50, 2:00]", "[0:50, 0:52]")
"""Photographs that may be begun up to 0:30, or in two minutes after 0:50."""


def test_scenarios_that_were_shut_out_are_courses_that_did_not_come() -> None:
    events = [
        ZERO,
        {"kind": "went", "step": "mount.ask", "at": 10},
        _done("mount.bolts", 1500),
        _done("photos.all", 3000),
        _done("mount.wire", 3000),
        _done("mount.ask", 3300),
        _done("home.in", 4000),
        {"kind": "closed", "at": 4000},
    ]
    one = _debrief(events, BRIEF_LIGHT)
    assert one.judgement is not None
    # At 0:15 some scenarios have the bolts done after the light went and were never to see it again.
    assert {400, 1000} <= {round(moment.at) for moment in one.judgement.moments}
    assert all(moment.crps < 4000 for moment in one.judgement.moments)
    _every_export(one)


HOME = [
    ZERO,
    _done("mount.bolts", 700),
    {"kind": "called", "call": "home", "at": 1500, "text": "an alarm"},
    _done("home.in", 2400),
    {"kind": "closed", "at": 2500},
]


def test_before_a_recall_the_forecasts_spoke_of_another_excursion() -> None:
    one = _debrief(HOME)
    assert one.judgement is not None
    assert all(moment.at >= 1500 for moment in one.judgement.moments)
    assert one.judgement.moments[-1].crps < 300
    assert [(change.kind, change.text) for change in one.changes] == [("called", "an alarm")]
    _every_export(one)


@pytest.mark.parametrize(
    "events",
    [
        [ZERO, _done("mount.bolts", 700), {"kind": "closed", "at": 2500}],
        [ZERO, {"kind": "called", "call": "at once", "at": 1500}, {"kind": "closed", "at": 2500}],
    ],
)
def test_left_work_is_no_miss_of_the_forecast(events: list[dict[str, Any]]) -> None:
    one = _debrief(events)
    assert one.inside == 2500
    assert one.judgement is None
    assert "work was left undone" in tables.scores(None).rows[0][1]
    assert sum(part.seconds for part in one.totals.waterfall) == 2500
    _every_export(one)


@pytest.mark.parametrize("how", ["skipped", "dropped"])
def test_must_work_that_a_person_gave_up_is_none_either(how: str) -> None:
    given_up = {"skipped": {"step": "mount.wire"}, "dropped": {"task": "mount"}}[how]
    one = _debrief(
        [
            ZERO,
            _done("mount.bolts", 600),
            {"kind": how, "at": 900, **given_up},
            _done("photos.all", 1800),
            _done("home.in", 2400),
            {"kind": "closed", "at": 2400},
        ]
    )
    assert one.judgement is not None
    assert min(moment.at for moment in one.judgement.moments) >= 900


def test_where_a_planned_step_took_no_time_it_was_not_handed_over() -> None:
    one = _debrief([ZERO, _done("mount.bolts", 0), _done("mount.wire", 1200), {"kind": "closed", "at": 1200}])
    parts = {part.label: part.seconds for part in one.totals.waterfall}
    assert "handed over" not in parts
    assert parts["pace: fasten"] == -600


def test_what_was_handed_over_is_told_on_both_sides() -> None:
    handed = {"kind": "handed", "step": "photos.all", "crew": ["EV2"], "at": 1200}
    one = _debrief(
        [ZERO, _done("mount.bolts", 600), handed, _done("mount.wire", 1800), _done("photos.all", 2400)]
    )
    parts = {part.label: part.seconds for part in one.totals.waterfall}
    assert one.last_in == "EV1" and parts["handed over"] == 600 - 1200
    (row,) = (row for row in tables.steps(one).rows if row[0] == "photos.all")
    assert row[-1].startswith("planned for EV1")


def test_remarks_on_events_are_told() -> None:
    one = _debrief(
        [
            ZERO,
            {"kind": "began", "step": "mount.bolts", "at": 0, "text": "loose already"},
            _done("mount.bolts", 600, text="one bolt left"),
            {"kind": "silent", "crew": ["EV2"], "at": 700, "text": "behind the mast"},
            {"kind": "skipped", "step": "mount.wire", "at": 800, "text": "no cable"},
            {"kind": "noted", "at": 900, "text": "quiet"},
        ]
    )
    said = {row.step: row.said for row in one.steps}
    assert said["mount.bolts"] == "loose already; one bolt left"
    assert [row[1:3] for row in tables.notes(one).rows] == [
        ("loose already", "began step mount.bolts"),
        ("one bolt left", "done step mount.bolts"),
        ("behind the mast", "silent crew EV2"),
        ("quiet", ""),
    ]
    (row,) = (r for r in csv.DictReader(io.StringIO("".join(csv_chunks([one])))) if r["step"] == "mount.wire")
    assert row["said"] == "no cable"


def test_the_longest_note_is_kept_whole() -> None:
    note = "n" * 9_999 + "z"
    one = _debrief([ZERO, _done("mount.bolts", 600, text=note), {"kind": "noted", "text": note, "at": 700}])
    for text in (csv_chunks([one]), markdown([one]), page([one]), json_chunks([one])):
        assert note in "".join(text)


def test_a_task_that_means_different_things_is_two_when_pooled() -> None:
    other = SMALL.replace("title: Mount the box", "title: Mount the lamp")
    together = pool([_debrief([ZERO]), _debrief([ZERO], other)])
    assert [(group.name, group.title, group.steps) for group in together.tasks] == [
        ("mount", "Mount the box", 3),
        ("photos", "Take photos", 2),
        ("home", "Go home", 2),
        ("mount", "Mount the lamp", 3),
    ]


def _dropped_photos(entered: int) -> list[dict[str, Any]]:
    return [
        ZERO,
        _done("mount.bolts", 600),
        {"kind": "dropped", "task": "photos", "at": 700},
        {"kind": "chose", "task": "photos", "choice": "drop", "advice": "drop", "at": 700},
        _done("mount.wire", 1800),
        _done("home.in", 2600),
        {"kind": "entered", "crew": "EV2", "at": 2700},
        {"kind": "entered", "crew": "EV1", "at": entered},
        {"kind": "closed", "at": entered},
    ]


def test_hindsight_holds_each_limit_against_whom_it_binds() -> None:
    """EV2's own limit leaves room; EV1, whom it does not bind, came in after it."""
    plan = SMALL.replace("limits: {elapsed: 2:00}", "limits: {elapsed: 2:00, boat: {at: 1:10, crew: [EV2]}}")
    one = _debrief(_dropped_photos(4500), plan)
    (judged,) = one.hindsight
    assert (judged.room, judged.words) == (True, "there was room for it")
    late = plan.replace("crew: [EV2]}}", "crew: [EV1, EV2]}}")
    (judged,) = _debrief(_dropped_photos(4500), late).hindsight
    assert (judged.room, judged.words) == (False, "there was no room: boat")


def test_a_hold_that_stands_at_the_last_event_is_listed() -> None:
    one = _debrief([ZERO, {"kind": "held", "crew": ["EV2"], "at": 600, "text": "cramp"}])
    assert [(held.crew, held.start, held.finish, held.reason) for held in one.holds] == [
        ("EV2", 600, 600, "cramp")
    ]


@pytest.mark.parametrize("events", [[], [{"kind": "noted", "text": "before", "at": -60}], [ZERO]])
def test_hardly_begun(events: list[dict[str, Any]]) -> None:
    one = _debrief(events)
    assert one.inside is None and one.end == 0
    assert bool(one.totals.waterfall) == (events == [ZERO])
    _every_export(one)


def test_a_reading_before_the_clock_starts_says_what_there_was() -> None:
    read = {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.98, "at": -60}
    (one, two) = (
        _debrief([*first, ZERO, _done("mount.bolts", 600)]).consumables[0] for first in ([], [read])
    )
    assert two.left < one.left
    assert two.used == pytest.approx(one.used, abs=1e-3)


def test_days_of_the_year_around_the_end_of_a_leap_year() -> None:
    zero = {"kind": "zero", "utc": "2032-12-31T23:50:00.250Z"}
    one = _debrief([zero, _done("mount.bolts", 900), _done("mount.wire", 1800)])
    rows = list(csv.DictReader(io.StringIO("".join(csv_chunks([one])))))
    assert (rows[0]["actual_start_day_of_year"], rows[0]["actual_finish_day_of_year"]) == (
        "2032-366T23:50:00.250Z",
        "2033-001T00:05:00.250Z",
    )
    assert rows[0]["actual_finish_utc"] == "2033-01-01T00:05:00.250Z"


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([0.4, 0.4, 0.4], [1, 0, 0]),
        ([10.5, -0.5, 3.0], [11, -1, 3]),
        ([1.9, -2.6, 0.7], [2, -3, 1]),
        ([], []),
        ([7.0], [7]),
    ],
)
def test_whole_seconds_add_up(parts: list[float], expected: list[int]) -> None:
    assert whole(parts) == expected
    assert sum(whole(parts)) == round(sum(parts))
