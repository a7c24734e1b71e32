"""The examples of the table of kinds, and completion."""

from __future__ import annotations

import pytest

from tests.typed_lines import UNDER_WAY, after, typed
from tracker.journal.events import parse_event
from tracker.journal.kinds import KINDS, EventKind
from tracker.journal.typed.match import complete


@pytest.mark.parametrize("kind", KINDS, ids=[kind.name for kind in KINDS])
def test_the_example_of_every_kind_reads_as_that_kind(kind: EventKind) -> None:
    text = kind.example.replace("power-on", "power").replace("mast", "hinge").replace("41", "2")
    text = text.replace("2:30", "0:50")
    progress = after() if kind.name == "zero" else UNDER_WAY
    events = typed(text, progress)
    assert {event["kind"] for event in events} == {kind.name}
    for event in events:
        parse_event(event)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("dr", "drop"),
        ("drop la", "drop latch"),
        ("drop task=", None),
        ("1 ho", "1 hold"),
        ("1 >hinge.un", "1 >hinge.unplug"),
        ("hold EV", "hold EV1"),
        ("hold EV1 u", "hold EV1 until"),
        ("move trays be", "move trays before"),
        ("move trays before hi", "move trays before hinge"),
        ("limit EV2.b", "limit EV2.battery"),
        ("call at", "call at once"),
        ("done hinge.re", "done hinge.release"),
        ("begin ma", "begin mate"),
        ("seen d", "seen daylight"),
        ("ox", "oxygen"),
        ("frob x", None),
        ("drop latch a", "drop latch at="),
    ],
)
def test_completion_goes_on_from_what_is_typed(text: str, wanted: str | None) -> None:
    found = complete(text, UNDER_WAY)
    whole = "" if wanted is None else wanted if wanted.endswith("=") else f"{wanted} "
    assert found[:1] == ([] if wanted is None else [whole])
    assert all(line.lower().startswith(text.lower()) for line in found)
