"""What is typed at a desk becomes the events that were meant."""

from __future__ import annotations

from typing import Any

import pytest

from tests.typed_lines import NOW_S, RELEASE, UNDER_WAY, WALK, typed
from tracker.journal.events import parse_event
from tracker.journal.wording import event_words

ENTRIES: list[tuple[str, list[dict[str, Any]]]] = [
    ("1", [RELEASE]),
    ("2", [WALK]),
    ("EV2", [WALK]),
    ("ev2 done", [WALK]),
    ("bryn", [WALK]),
    ("1 -3", [RELEASE | {"at": NOW_S - 180}]),
    ("1 done -3:30", [RELEASE | {"at": NOW_S - 210}]),
    ("1 0:35", [RELEASE | {"at": 2100}]),
    ("1 0:35:10", [RELEASE | {"at": 2110}]),
    ("1 14:22Z", [RELEASE | {"at": 1320}]),
    ("1 14:22:07z", [RELEASE | {"at": 1327}]),
    ("1 at=0:35 seat=lead", [RELEASE | {"at": 2100, "seat": "lead"}]),
    ("1 3 of 4", [{"kind": "counted", "step": "hinge.release", "count": 3}]),
    ("1 3/4 -1", [{"kind": "counted", "step": "hinge.release", "count": 3, "at": NOW_S - 60}]),
    ("1 count 2", [{"kind": "counted", "step": "hinge.release", "count": 2}]),
    ("1 count 2 of 4", [{"kind": "counted", "step": "hinge.release", "count": 2}]),
    ("1 +", [{"kind": "counted", "step": "hinge.release", "count": 1}]),
    ("count release 3", [{"kind": "counted", "step": "hinge.release", "count": 3}]),
    (
        "1 >unplug -3",
        [RELEASE | {"at": NOW_S - 180}, {"kind": "done", "step": "hinge.unplug", "at": NOW_S - 180}],
    ),
    ("1 > the cable", [RELEASE, {"kind": "done", "step": "hinge.unplug"}]),
    ("1 skip no time", [{"kind": "skipped", "step": "hinge.release", "text": "no time"}]),
    ("1 hold glove   check", [{"kind": "held", "crew": ["EV1"], "text": "glove   check"}]),
    ("1 hold -3 glove", [{"kind": "held", "crew": ["EV1"], "at": NOW_S - 180, "text": "glove"}]),
    ("1 begin -2", [{"kind": "began", "step": "hinge.release", "at": NOW_S - 120}]),
    ("1 retime 0:20 left", [{"kind": "retimed", "step": "hinge.release", "time": "0:20", "left": True}]),
    ("done hinge.mate", [{"kind": "done", "step": "hinge.mate"}]),
    ("done step=hinge.release count=3 at=0:35", [RELEASE | {"count": 3, "at": 2100}]),
    ("tick mate -3", [{"kind": "done", "step": "hinge.mate", "at": NOW_S - 180}]),
    ("begin connector", [{"kind": "began", "step": "hinge.mate"}]),
    ('begin "new connector"', [{"kind": "began", "step": "hinge.mate"}]),
    ("drop latch", [{"kind": "dropped", "task": "latch"}]),
    ("drop latch no time -3", [{"kind": "dropped", "task": "latch", "at": NOW_S - 180, "text": "no time"}]),
    ("drop latch -3 no time", [{"kind": "dropped", "task": "latch", "at": NOW_S - 180, "text": "no time"}]),
    ("dropped task=latch", [{"kind": "dropped", "task": "latch"}]),
    ("restore grease", [{"kind": "restored", "task": "latch"}]),
    ("hold", [{"kind": "held"}]),
    ("hold EV1 cooling", [{"kind": "held", "crew": ["EV1"], "text": "cooling"}]),
    ("hold 1 2 until 0:50 loop check", [
        {"kind": "held", "crew": ["EV1", "EV2"], "until": 3000, "text": "loop check"}
    ]),
    ("hold EV1,EV2", [{"kind": "held", "crew": ["EV1", "EV2"]}]),
    ("hold both", [{"kind": "held", "crew": ["EV1", "EV2"]}]),
    ("enter 12", [{"kind": "entered", "crew": "EV1"}, {"kind": "entered", "crew": "EV2"}]),
    ("resume", [{"kind": "resumed"}]),
    ("resume EV1 -2", [{"kind": "resumed", "crew": ["EV1"], "at": NOW_S - 120}]),
    ("go", [{"kind": "went", "step": "hinge.power"}]),
    ("go power", [{"kind": "went", "step": "hinge.power"}]),
    ("hand mate EV2", [{"kind": "handed", "step": "hinge.mate", "crew": ["EV2"]}]),
    ("hand mate to 1 2 -3", [
        {"kind": "handed", "step": "hinge.mate", "crew": ["EV1", "EV2"], "at": NOW_S - 180}
    ]),
    ("move trays before hinge", [{"kind": "moved", "task": "trays", "before": "hinge"}]),
    ("move trays last", [{"kind": "moved", "task": "trays", "last": True}]),
    ("add EV1 0:10 Inspect the  hinge", [{
        "kind": "added",
        "task": {
            "title": "Inspect the  hinge",
            "priority": "must",
            "steps": [{"do": "Inspect the  hinge", "crew": ["EV1"], "time": "0:10"}],
        },
    }]),
    ("add get-ahead 1,2 0:10 before latch Look again", [{
        "kind": "added",
        "before": "latch",
        "task": {
            "title": "Look again",
            "priority": "get-ahead",
            "steps": [{"do": "Look again", "crew": ["EV1", "EV2"], "time": "0:10"}],
        },
    }]),
    ('add {"title": "A b", "steps": []} last -3', [
        {"kind": "added", "task": {"title": "A b", "steps": []}, "last": True, "at": NOW_S - 180}
    ]),
    ('added task={"title": "A b"} before=latch', [
        {"kind": "added", "task": {"title": "A b"}, "before": "latch"}
    ]),
    ("retime mate 0:12", [{"kind": "retimed", "step": "hinge.mate", "time": "0:12"}]),
    ("retime mate 0:12 -3", [{"kind": "retimed", "step": "hinge.mate", "time": "0:12", "at": NOW_S - 180}]),
    ("retime mate left 0:12 0:35", [
        {"kind": "retimed", "step": "hinge.mate", "left": True, "time": "0:12", "at": 2100}
    ]),
    ("limit elapsed 2:45", [{"kind": "limited", "limit": "elapsed", "value": 9900}]),
    ("limit elapsed 2031-05-04T17:00:00Z", [
        {"kind": "limited", "limit": "elapsed", "value": "2031-05-04T17:00:00.000Z"}
    ]),
    ("limit EV1.oxygen 0.12", [{"kind": "limited", "limit": "EV1.oxygen", "value": 0.12}]),
    ("limit *.oxygen 0.12", [{"kind": "limited", "limit": "*.oxygen", "value": 0.12}]),
    ("reading oxygen 0.52 0.49", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52},
        {"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49},
    ]),
    ("oxygen 0.52 _ -1", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52, "at": NOW_S - 60}
    ]),
    ("EV1.oxygen=0.52 EV2.battery=300 at=0:35", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52, "at": 2100},
        {"kind": "reading", "crew": "EV2", "consumable": "battery", "value": 300.0, "at": 2100},
    ]),
    ("read ox 0.52 0.49kg bat 410 400", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.52},
        {"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49},
        {"kind": "reading", "crew": "EV1", "consumable": "battery", "value": 410.0},
        {"kind": "reading", "crew": "EV2", "consumable": "battery", "value": 400.0},
    ]),
    ("2 reading oxygen 0.49", [{"kind": "reading", "crew": "EV2", "consumable": "oxygen", "value": 0.49}]),
    ("reading crew=EV1 consumable=oxygen value=0.5", [
        {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.5}
    ]),
    ("replace EV1 oxygen 0.75", [
        {"kind": "replaced", "crew": "EV1", "consumable": "oxygen", "value": 0.75}
    ]),
    ("seen daylight -1", [{"kind": "seen", "window": "daylight", "at": NOW_S - 60}]),
    ("enter EV1", [{"kind": "entered", "crew": "EV1"}]),
    ("1 in", [{"kind": "entered", "crew": "EV1"}]),
    ("call home", [{"kind": "called", "call": "home"}]),
    ("call at once EV1", [{"kind": "called", "call": "at once", "crew": ["EV1"]}]),
    ("silent EV2 -4", [{"kind": "silent", "crew": ["EV2"], "at": NOW_S - 240}]),
    ("2 heard", [{"kind": "heard", "crew": ["EV2"]}]),
    ("note glare at -3 on it's left visor", [{"kind": "noted", "text": "glare at -3 on it's left visor"}]),
    ("note -3 pressure=4.3 psi", [{"kind": "noted", "at": NOW_S - 180, "text": "pressure=4.3 psi"}]),
    ("noted text=two words at=0:35", [{"kind": "noted", "text": "two words", "at": 2100}]),
    ('noted text="two at=1 words" at=0:35', [{"kind": "noted", "text": "two at=1 words", "at": 2100}]),
    ("choose latch keep", [{"kind": "chose", "task": "latch", "choice": "keep"}]),
    ("choose latch drop -1", [
        {"kind": "chose", "task": "latch", "choice": "drop", "at": NOW_S - 60},
        {"kind": "dropped", "task": "latch", "at": NOW_S - 60},
    ]),
    ('chose task=latch choice=keep advice=drop figures={"cost": 1.5}', [
        {"kind": "chose", "task": "latch", "choice": "keep", "advice": "drop", "figures": {"cost": 1.5}}
    ]),
    ("ack last-call:latch:5", [{"kind": "acknowledged", "alert": "last-call:latch:5"}]),
    ("undo", [{"kind": "withdrawn", "event": 3}]),
    ("undo 2", [{"kind": "withdrawn", "event": 2}]),
    ("withdrawn event=2", [{"kind": "withdrawn", "event": 2}]),
    ("amend 2 0:04", [{"kind": "amended", "event": 2, "at": 240}]),
    ("amend 2 -30", [{"kind": "amended", "event": 2, "at": NOW_S - 1800}]),
    ("amended event=1 utc=14:00:10Z", [{"kind": "amended", "event": 1, "utc": "2031-05-04T14:00:10.000Z"}]),
    ("close", [{"kind": "closed"}]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "events"), ENTRIES, ids=[text for text, _ in ENTRIES])
def test_an_entry_means_these_events(text: str, events: list[dict[str, Any]]) -> None:
    assert typed(text) == events
    for event in events:
        parse_event(event)


@pytest.mark.parametrize("text", [text for text, _ in ENTRIES])
def test_every_entry_is_told_in_one_plain_line_an_event(text: str) -> None:
    lines = [event_words(UNDER_WAY, event["kind"], event) for event in typed(text)]
    assert all(line and line == line.strip() and "\n" not in line for line in lines)
