"""Events at the border: what is well formed, and what is said where it is not."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tracker.foundation.errors import EventError
from tracker.journal.events import MODELS, parse_event
from tracker.journal.kinds import BEFORE_ZERO

GOOD: list[dict[str, Any]] = [
    {"kind": "zero", "utc": "2031-05-04T14:00:00Z"},
    {"kind": "began", "step": "a.1", "at": 5},
    {"kind": "counted", "step": "a.1", "count": 3, "at": 5},
    {"kind": "done", "step": "a.1", "at": 5},
    {"kind": "done", "step": "a.1", "count": 2, "at": 5.0},
    {"kind": "skipped", "step": "a.1", "at": 5},
    {"kind": "dropped", "task": "a", "at": 5},
    {"kind": "restored", "task": "a", "at": 5},
    {"kind": "held", "at": 5},
    {"kind": "held", "crew": ["EV1"], "until": 900, "at": 5, "text": "why"},
    {"kind": "resumed", "crew": ["EV1"], "at": 5},
    {"kind": "went", "step": "a.1", "at": 5},
    {"kind": "handed", "step": "a.1", "crew": ["EV1", "EV2"], "at": 5},
    {"kind": "moved", "task": "a", "before": "b", "at": 5},
    {"kind": "moved", "task": "a", "last": True, "at": 5},
    {"kind": "added", "task": {"title": "x", "steps": []}, "at": 5},
    {"kind": "added", "task": {"title": "x", "steps": []}, "before": "b", "at": 5},
    {"kind": "retimed", "step": "a.1", "time": "0:12", "at": 5},
    {"kind": "retimed", "step": "a.1", "time": {"low": "0:08", "likely": "0:12", "high": "0:20"}, "at": 5},
    {"kind": "retimed", "step": "a.1", "time": "0:12", "left": True, "at": 5},
    {"kind": "limited", "limit": "elapsed", "value": "6:00", "at": 5},
    {"kind": "limited", "limit": "EV1.air", "value": 0.2, "at": 5},
    {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.5, "at": 5},
    {"kind": "reading", "crew": "*", "consumable": "air", "value": 0, "at": 5},
    {"kind": "replaced", "crew": "EV1", "consumable": "air", "value": 0.8, "at": 5},
    {"kind": "seen", "window": "light", "at": 5},
    {"kind": "entered", "crew": "EV1", "at": 5},
    {"kind": "called", "call": "home", "at": 5},
    {"kind": "called", "call": "at once", "crew": ["EV1"], "at": 5},
    {"kind": "silent", "crew": ["EV1"], "at": 5},
    {"kind": "heard", "crew": ["EV1"], "at": 5},
    {"kind": "noted", "text": "x", "at": 5},
    {"kind": "chose", "task": "a", "choice": "keep", "advice": "drop", "figures": {"p": [1, 0.5]}, "at": 5},
    {"kind": "acknowledged", "alert": "last-call:latch:5", "at": 5},
    {"kind": "withdrawn", "event": 3, "at": 5},
    {"kind": "amended", "event": 3, "at": 5},
    {"kind": "amended", "event": 1, "utc": "2031-05-04T14:00:00.000Z"},
    {"kind": "closed", "at": 5},
    {"kind": "raised", "what": "question", "about": "a", "due": 9, "to": "ground", "text": "?", "at": 5},
    {"kind": "raised", "what": "reminder", "after": "a.1", "owner": "EV1", "by": "EV2", "text": "x", "at": 5},
    {"kind": "settled", "event": 3, "by": "lead", "text": "yes", "at": 5},
    {
        "kind": "checked",
        "round": "status",
        "crew": "EV1",
        "answers": {"a": "ok", "b": 0.5, "c": "not ok: torn"},
    },
    {"kind": "took", "hardware": "wrench", "crew": "EV1", "at": 5},
    {"kind": "put", "hardware": "wrench", "site": "lock", "at": 5},
    {"kind": "placed", "crew": "EV1", "site": "rack", "at": 5},
    {"kind": "taken", "by": "Kim", "text": "all calm", "at": 5},
    {"kind": "clocked", "trust": "wall", "by_s": -3600.5, "at": 5},
]


@pytest.mark.parametrize("event", GOOD, ids=lambda event: str(event["kind"]))
def test_every_kind_is_read_and_its_body_is_canonical(event: dict[str, Any]) -> None:
    parsed = parse_event(event)
    assert parsed.kind == event["kind"]
    assert parsed.at == event.get("at")
    assert parsed.seat is None
    assert json.loads(json.dumps(parsed.body)) == parsed.body
    # Reading what was written gives the same.
    again = parse_event({"kind": parsed.kind, "at": parsed.at, **parsed.body})
    assert again.body == parsed.body


def test_there_is_a_good_example_of_every_kind() -> None:
    assert {event["kind"] for event in GOOD} == set(MODELS)
    assert set(MODELS) >= BEFORE_ZERO


@pytest.mark.parametrize("event", GOOD, ids=lambda event: str(event["kind"]))
def test_unknown_keys_are_refused(event: dict[str, Any]) -> None:
    with pytest.raises(EventError, match="there is no key `colour`"):
        parse_event({**event, "colour": 1})


@pytest.mark.parametrize(
    ("event", "why"),
    [
        (5, "an event is an object such as"),
        ([], "an event is an object such as"),
        ({}, "`kind` is missing; one of zero, began"),
        ({"kind": "ticked"}, "'ticked' is no kind of event; one of zero"),
        ({"kind": ["done"]}, "no kind of event"),
        ({"kind": "done", "at": 5}, "done: `step` is missing; it takes step, count, at, seat, by, text"),
        ({"kind": "done", "step": 5, "at": 5}, "`step` is 5; write a name"),
        ({"kind": "done", "step": "", "at": 5}, "write a name"),
        ({"kind": "done", "step": "a", "at": "0:08"}, "`at` is '0:08'; write a PET as whole seconds"),
        ({"kind": "done", "step": "a", "at": True}, "write a PET as whole seconds"),
        ({"kind": "done", "step": "a", "at": 5.5}, "write a PET as whole seconds"),
        ({"kind": "done", "step": "a", "at": float("nan")}, "write a PET as whole seconds"),
        ({"kind": "done", "step": "a", "at": float("inf")}, "write a PET as whole seconds"),
        (
            {"kind": "done", "step": "a", "at": 10**12},
            "no excursion gets to 277777777:46:40; check",
        ),
        ({"kind": "done", "step": "a", "at": 5, "seat": ""}, "`seat`"),
        ({"kind": "done", "step": "a", "at": 5, "seat": 7}, "`seat`"),
        ({"kind": "done", "step": "a", "at": 5, "text": 7}, "`text`"),
        ({"kind": "counted", "step": "a", "count": -1, "at": 5}, "whole number from 0 on"),
        ({"kind": "counted", "step": "a", "count": 1.5, "at": 5}, "whole number from 0 on"),
        ({"kind": "counted", "step": "a", "count": True, "at": 5}, "whole number from 0 on"),
        ({"kind": "handed", "step": "a", "crew": [], "at": 5}, "write a list of names"),
        ({"kind": "handed", "step": "a", "crew": ["EV1", "EV1"], "at": 5}, "name each once"),
        ({"kind": "entered", "crew": ["EV1", "EV2"], "at": 5}, "name one crew member"),
        ({"kind": "moved", "task": "a", "at": 5}, "^moved: give `before` .* or `last: true`"),
        ({"kind": "moved", "task": "a", "before": "b", "last": True, "at": 5}, "one of them"),
        ({"kind": "added", "task": {}, "before": "b", "last": True, "at": 5}, "not both"),
        ({"kind": "retimed", "step": "a", "time": "12", "at": 5}, "0:12 or 0:00:12"),
        ({"kind": "retimed", "step": "a", "time": {"low": "0:08"}, "at": 5}, "low, likely and high"),
        (
            {
                "kind": "retimed",
                "step": "a",
                "time": {"low": "0:09", "likely": "0:08", "high": "0:10"},
                "at": 5,
            },
            "go up",
        ),
        ({"kind": "limited", "limit": "elapsed", "value": "soon", "at": 5}, "is not a time"),
        ({"kind": "reading", "crew": "EV1", "consumable": "air", "value": float("nan"), "at": 5}, "number"),
        ({"kind": "reading", "crew": "EV1", "consumable": "air", "value": -1, "at": 5}, "from 0 on"),
        ({"kind": "called", "call": "now", "at": 5}, "'home' or 'at once'"),
        ({"kind": "noted", "at": 5}, "`text` is missing"),
        ({"kind": "noted", "text": "half \ud800", "at": 5}, "half of a character"),
        ({"kind": "chose", "task": "a", "choice": "maybe", "at": 5}, "'keep', 'drop', 'open' or 'later'"),
        ({"kind": "chose", "task": "a", "choice": "keep", "figures": {"x": float("inf")}, "at": 5}, "finite"),
        ({"kind": "withdrawn", "event": 0, "at": 5}, "number of an event"),
        ({"kind": "amended", "event": 3}, "give `at`"),
        ({"kind": "amended", "event": 3, "at": 5, "utc": "2031-05-04T14:00:00Z"}, "give `at`"),
        ({"kind": "zero", "utc": "2031-05-04 14:00"}, "is not an instant"),
    ],
)
def test_what_is_malformed_is_told_in_one_line(event: Any, why: str) -> None:
    with pytest.raises(EventError, match=why) as caught:
        parse_event(event)
    assert len(caught.value.lines) == 1
    assert "\n" not in caught.value.lines[0]


def test_crew_may_be_one_name_and_times_are_made_canonical() -> None:
    assert parse_event({"kind": "held", "crew": "EV1", "at": 5}).body["crew"] == ["EV1"]
    assert parse_event({"kind": "entered", "crew": ["EV1"], "at": 5}).body["crew"] == "EV1"
    assert parse_event({"kind": "retimed", "step": "a", "time": 720, "at": 5}).body["time"] == "0:12"
    zero = parse_event({"kind": "zero", "utc": "1996-12-19T16:39:57-08:00"})
    # RFC 3339, section 5.8.
    assert zero.body["utc"] == "1996-12-20T00:39:57.000Z"


def test_nesting_without_end_is_refused() -> None:
    deep: dict[str, Any] = {}
    for _ in range(3000):
        deep = {"x": deep}
    with pytest.raises(EventError, match="nest"):
        parse_event({"kind": "added", "task": deep, "at": 5})
