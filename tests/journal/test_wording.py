"""What an event says, in words."""

from __future__ import annotations

from typing import Any

import pytest

from tests.typed_lines import UNDER_WAY
from tracker.journal.wording import event_words, news

SAID: list[tuple[str, dict[str, Any], str]] = [
    ("zero", {"utc": "2031-05-04T14:00:00Z"}, "the clock starts"),
    ("held", {}, "held all"),
    ("held", {"crew": ["EV1"], "until": 900, "text": "why"}, "held EV1 until 0:15:00 (why)"),
    ("resumed", {"crew": ["EV1"]}, "resumed EV1"),
    ("added", {"task": {"title": "x", "steps": []}}, "added x ()"),
    ("added", {"task": {"title": "x", "steps": []}, "before": "b"}, "added x () before b"),
    ("limited", {"limit": "elapsed", "value": "6:00"}, "limit elapsed = 6:00"),
    ("entered", {"crew": "EV1"}, "inside EV1"),
    ("called", {"call": "home"}, "called all home"),
    ("called", {"call": "at once", "crew": ["EV1"]}, "called EV1 at once"),
    ("silent", {"crew": ["EV1"]}, "silent EV1"),
    ("heard", {"crew": ["EV1"]}, "heard EV1"),
    ("noted", {"text": "x"}, "note x"),
    ("acknowledged", {"alert": "last-call:latch:5"}, "seen last-call:latch:5"),
    ("withdrawn", {"event": 3}, "takes back 3: done EV1 EV2 Look one another over"),
    ("amended", {"event": 3}, "corrects 3: done EV1 EV2 Look one another over"),
    ("amended", {"event": 1, "utc": "2031-05-04T14:00:00.000Z"}, "corrects 1: the clock starts"),
    ("closed", {}, "the excursion is closed"),
    (
        "counted",
        {"step": "hinge.release", "count": 3},
        "items EV1 Release the four captive fasteners 3 of 4",
    ),
    ("handed", {"step": "hinge.mate", "crew": ["EV2"]}, "handed EV1 Mate the new connector to EV2"),
    (
        "retimed",
        {"step": "hinge.mate", "time": "0:20", "left": True},
        "time changed: EV1 Mate the new connector to 0:20 from now",
    ),
    (
        "added",
        {"task": {"title": "Look", "steps": [{"do": "Look", "crew": ["EV1"], "time": "0:10"}]}, "last": True},
        "added Look (EV1 0:10) last",
    ),
    ("moved", {"task": "trays", "before": "hinge"}, "moved trays before hinge"),
    ("limited", {"limit": "elapsed", "value": 24300}, "limit elapsed = 6:45"),
    ("limited", {"limit": "EV1.oxygen", "value": 0.2}, "limit EV1 oxygen = 0.2 kg"),
    ("reading", {"crew": "EV1", "consumable": "oxygen", "value": 0.52}, "reading EV1 oxygen = 0.52 kg"),
    ("withdrawn", {"event": 2}, "takes back 2: done EV1 Open the outer hatch"),
    ("amended", {"event": 2, "at": 300}, "corrects 2: done EV1 Open the outer hatch to 0:05:00"),
    ("amended", {"event": 1, "utc": "2031-05-04T14:00:00Z"}, "corrects 1: the clock starts"),
    ("held", {"crew": ["EV1"], "until": 3000, "text": "glove"}, "held EV1 until 0:50:00 (glove)"),
    ("noted", {"text": "glare"}, "note glare"),
    ("entered", {"crew": "EV1", "text": "ok"}, "inside EV1 (ok)"),
    ("strange", {"text": "x"}, "strange (x)"),
    ("done", {"step": "hinge.mate", "text": "late"}, "done EV1 Mate the new connector (late)"),
    ("went", {"step": "hinge.power"}, "go for IV Power it on"),
    ("dropped", {"task": "latch"}, "dropped latch"),
    ("seen", {"window": "daylight"}, "seen daylight"),
    ("replaced", {"crew": "*", "consumable": "helium", "value": 0.8}, "replaced shared helium = 0.8"),
]


@pytest.mark.parametrize(("kind", "body", "words"), SAID)
def test_an_event_is_told_by_its_verb_and_what_it_is_about(
    kind: str, body: dict[str, Any], words: str
) -> None:
    assert event_words(UNDER_WAY, kind, body) == words


def test_text_of_strangers_is_plain_and_has_an_end() -> None:
    words = event_words(UNDER_WAY, "noted", {"text": "\x1b[31mred\n" + "x" * 500})
    assert words.isprintable() and len(words) <= 300


def test_news_is_the_last_that_another_seat_wrote() -> None:
    assert news(UNDER_WAY, 1, "lead") == "op wrote 3: done EV1 EV2 Look one another over"
    assert news(UNDER_WAY, 1, "op") == "" == news(UNDER_WAY, 3, "lead")
