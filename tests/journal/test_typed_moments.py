"""What an entry means depends on the moment: before zero, apart, live or not, typed or split by a shell."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.journals import MORNING, ZERO, done, plan
from tests.typed_lines import NOW, NOW_S, RELEASE, UNDER_WAY, after, refused, typed
from tracker.console.key_events import undo
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress
from tracker.journal.typed import parse_entry, parse_words, tick


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("zero 14:00Z", "2031-05-04T14:00:00.000Z"),
        ("zero 02:30Z", "2031-05-05T02:30:00.000Z"),
        ("zero -3", "2031-05-04T14:37:00.000Z"),
        ("zero utc=2031-05-04T14:00:00Z", "2031-05-04T14:00:00.000Z"),
        ("zero at=14:00Z", "2031-05-04T14:00:00.000Z"),
    ],
)
def test_zero_is_an_instant(text: str, utc: str) -> None:
    assert typed(text, after()) == [{"kind": "zero", "utc": utc}]


def test_zero_alone_leaves_the_instant_to_the_clock() -> None:
    assert typed("zero", after()) == [{"kind": "zero"}]


def test_before_zero_a_pet_may_be_negative() -> None:
    assert typed("note -0:05 early", after()) == [{"kind": "noted", "at": -300, "text": "early"}]
    assert "clock has not started" in refused("note -3 early", after())
    assert "clock has not started" in refused("note 14:00Z early", after())


def test_a_joint_step_is_not_ticked_while_somebody_is_elsewhere() -> None:
    apart = after(ZERO)
    assert "egress.2 is a joint step" not in str(typed("1", apart))
    waiting = after(ZERO, done("egress.hatch", 300), {"kind": "began", "step": "trays.walk", "at": 310})
    line = refused("1", waiting)
    assert "egress.2 is a joint step, and EV2 is at trays.walk" in line
    with pytest.raises(EventError, match="joint step"):
        tick(waiting, "EV1")
    assert typed("done egress.2", waiting) == [{"kind": "done", "step": "egress.2"}]


def test_a_sweep_stops_where_a_joint_step_lacks_somebody() -> None:
    progress = after(ZERO)
    assert [event["step"] for event in typed("1 >release", progress)] == [
        "egress.hatch",
        "egress.2",
        "hinge.release",
    ]
    apart = after(ZERO, {"kind": "began", "step": "trays.walk", "at": 10})
    assert "EV2 is at trays.walk" in refused("1 >release", apart)


def test_somebody_with_nothing_left_has_nothing_to_tick() -> None:
    idle = after(ZERO, {"kind": "skipped", "step": "hinge.power", "at": 10})
    assert refused("3", idle) == "IV has no current step; nothing is left for them"
    assert refused("IV begin", idle) == "IV has no current step; nothing is left for them"


def test_a_sweep_takes_the_nearest_step_that_fits() -> None:
    assert [event["step"] for event in typed("1 >the")][-1] == "hinge.release"


def test_undo_takes_back_what_was_recorded_together_and_then_the_one_before() -> None:
    with in_memory(plan()) as one:
        one.record_all([ZERO], seat="op", utc_now=NOW)
        one.record_all([done("egress.hatch", 320)], seat="op", utc_now=NOW + timedelta(seconds=1))
        sweep = typed("1 >release -3", one.progress())
        one.record_all(sweep, seat="op", utc_now=NOW + timedelta(seconds=2))
        one.record(
            {"kind": "noted", "text": "mine", "at": 9}, seat="lead", utc_now=NOW + timedelta(seconds=3)
        )
        first = typed("undo", one.progress())
        assert [event["event"] for event in first] == [4, 3]
        one.record_all(first, seat="op", utc_now=NOW + timedelta(seconds=4))
        assert one.progress().steps["egress.2"].ended is None
        assert [event["event"] for event in typed("undo", one.progress())] == [2]
        assert "nothing of this seat" in _refused_for("undo", one.progress(), "stranger")


def test_undo_takes_back_a_correction_before_what_it_corrects() -> None:
    progress = after(ZERO, done("egress.hatch", 320), {"kind": "amended", "event": 2, "at": 300})
    events = typed("undo", progress)
    assert events == [{"kind": "withdrawn", "event": 3}]
    assert tuple(events) == undo(progress, "op").events
    corrected = progress.suppose(*events)
    assert corrected.steps["egress.hatch"].done == 320
    assert typed("undo", corrected) == [{"kind": "withdrawn", "event": 2}]


def _refused_for(text: str, progress: Progress, seat: str) -> str:
    with pytest.raises(EventError) as caught:
        typed(text, progress, seat)
    return caught.value.lines[0]


def test_where_a_journal_is_not_live_nothing_is_ago_and_the_day_is_that_of_the_excursion() -> None:
    def read(text: str) -> list[dict[str, Any]]:
        return parse_entry(text, UNDER_WAY, now=None, utc_now=datetime(2040, 1, 1, tzinfo=UTC))

    with pytest.raises(EventError, match="not live; write a PET"):
        read("1 -3")
    assert read("1 14:22Z") == [RELEASE | {"at": 1320}]
    assert read("1 0:35") == [RELEASE | {"at": 2100}]


@pytest.mark.parametrize(
    ("words", "at", "events"),
    [
        (["done", "step=hinge.release"], "0:35", [RELEASE | {"at": 2100}]),
        (["noted", "text=two words = three"], "-3", [
            {"kind": "noted", "text": "two words = three", "at": NOW_S - 180}
        ]),
        (["note", "two words", "more"], None, [{"kind": "noted", "text": "two words more"}]),
        (["1"], "14:22Z", [RELEASE | {"at": 1320}]),
        (["zero"], "14:00Z", [{"kind": "zero", "utc": "2031-05-04T14:00:00.000Z"}]),
        (["held", "crew=EV1,EV2", "until=0:50"], None, [
            {"kind": "held", "crew": ["EV1", "EV2"], "until": 3000}
        ]),
        (["drop", "latch", "no time", "at=0:35"], None, [
            {"kind": "dropped", "task": "latch", "text": "no time", "at": 2100}
        ]),
        (["held", 'crew=["EV1"]'], None, [{"kind": "held", "crew": ["EV1"]}]),
        (["called", "call=at once"], None, [{"kind": "called", "call": "at once"}]),
        (["moved", "task=trays", "last=true"], None, [{"kind": "moved", "task": "trays", "last": True}]),
        (["added", 'task={"title": "A  b", "steps": []}'], "0:35", [
            {"kind": "added", "task": {"title": "A  b", "steps": []}, "at": 2100}
        ]),
        (["retimed", "step=hinge.mate", "time=0:20", "left=true"], None, [
            {"kind": "retimed", "step": "hinge.mate", "time": "0:20", "left": True}
        ]),
        (["reading", "oxygen", "0.5", "0.4"], "0:35", [
            {"kind": "reading", "crew": crew, "consumable": "oxygen", "value": value, "at": 2100}
            for crew, value in (("EV1", 0.5), ("EV2", 0.4))
        ]),
        (["amended", "event=2"], "0:04", [{"kind": "amended", "event": 2, "at": 240}]),
    ],
)  # fmt: skip
def test_words_that_a_shell_has_split(words: list[str], at: str | None, events: list[dict[str, Any]]) -> None:
    assert parse_words(words, UNDER_WAY, now=NOW_S, utc_now=NOW, at=at) == events


def test_the_morning_of_the_journal_tests_is_typed_too() -> None:
    lines = [
        "note suits checked", "zero 14:00Z", "1 0:05:20", "1 0:10", "hold EV2 0:11:40 glove check",
        "1 3 of 4 0:15", "resume EV2 0:16:40", "EV1.oxygen=0.7 at=0:18:20", "1 0:21:40", "drop latch 0:21:50",
        "undo", "amend 9 0:21:30",
    ]  # fmt: skip
    with in_memory(plan()) as one, in_memory(plan()) as other:
        for n, line in enumerate(lines):
            now = None if one.progress().zero is None else NOW_S
            events = parse_entry(line, one.progress(), now=now, utc_now=NOW)
            one.record_all(events, utc_now=NOW + timedelta(seconds=n))
        other.record_all(MORNING, utc_now=NOW)
        assert _outcome(one.progress()) == _outcome(other.progress())


def _outcome(progress: Progress) -> list[object]:
    readings = [(reading.crew, reading.value, reading.at) for reading in progress.readings]
    return [
        readings,
        [(id, s.ended, s.began, s.done, s.counted, s.held_s) for id, s in progress.steps.items()],
    ]
