"""What DEVELOPERS.md says of the code is so: every file it names is there, and it stays short."""

from __future__ import annotations

import re

from tests.house.tree import TOP, nobody, text

DEVELOPERS = text(TOP / "DEVELOPERS.md")
ROOMS = "cli|console|rehearsal|debrief|forecast|journal|plan|foundation"


def test_the_document_is_short() -> None:
    assert DEVELOPERS.count("\n") <= 150


def test_every_file_that_is_named_is_there() -> None:
    named = set(re.findall(rf"\b(?:{ROOMS})/[a-z_/]+\.(?:py|json|tcss)", DEVELOPERS))
    assert len(named) > 40
    nobody(one for one in named if not (TOP / "tracker" / one).is_file())


def test_every_room_is_told() -> None:
    rooms = {p.name for p in (TOP / "tracker").iterdir() if p.is_dir() and not p.name.startswith("_")}
    assert rooms == set(ROOMS.split("|"))
    nobody(room for room in rooms if not re.search(rf"^    {room} ", DEVELOPERS, re.MULTILINE))
