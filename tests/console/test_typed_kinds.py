"""Every kind that can be typed says before Enter what Enter would write, or why not; at every letter."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.console.test_hands import under_way
from tracker.journal.kinds import BY_NAME

TYPED = {
    "began": "begin wipe",
    "counted": "count bolts 1",
    "done": "1 -3",
    "skipped": "skip wipe no cloth left",
    "dropped": "drop grease",
    "restored": "restore grease",
    "held": "hold EV1 until 2:30 glove check",
    "resumed": "resume 1",
    "went": "go swap",
    "handed": "hand wipe to EV1",
    "moved": "move lamp last",
    "added": "add EV1 0:10 Inspect the hinge",
    "retimed": "retime 1 15",
    "limited": "limit elapsed 3:45",
    "reading": "reading oxygen 0.6 0.6",
    "replaced": "replace EV1 oxygen 0.75",
    "seen": "seen daylight -1",
    "entered": "enter 1 2",
    "called": "call home",
    "silent": "silent EV2",
    "heard": "heard EV2",
    "noted": "note glare on the left visor",
    "chose": "choose lamp keep",
    "acknowledged": "ack last-call:survey:15",
    "withdrawn": "undo",
    "amended": "amend 1 utc=2031-05-04T13:59:00Z",
    "closed": "close",
    "raised": "question about lamp: do we keep it?",
    "settled": "answer 3 yes",
    "taken": "taken by Bryn",
    "clocked": "clock wall set 40",
}
"""A line for each kind that can be written at this desk."""
NOT_HERE = {
    "zero": ("zero 14:00Z", "the clock is already running"),
    "checked": ("check 1 ok 0.52 ok", "the plan has no rounds"),
    "took": ("took wrench EV2", "the plan has no hardware; `note TEXT` says"),
    "put": ("put wrench truss-4", "the plan has no hardware; `note TEXT` says"),
    "placed": ("at truss-4 EV2", "the plan has no sites; `at lock EV2` says"),
}
"""A line for each kind that cannot, and what is said."""


async def test_every_typed_kind_is_shown_before_enter(at_desk: Callable[..., Any]) -> None:
    typed = {name for name, kind in BY_NAME.items() if kind.example}
    assert typed == {*TYPED, *NOT_HERE}
    async with at_desk((160, 40)) as at:
        await under_way(at)
        for line in ("hold EV1", "question which lamp?"):
            await at.press("e")
            await at.type(line)
            await at.press("enter")
        for name, line in TYPED.items():
            await at.press("e")
            await at.type(line)
            assert at.said.startswith("Enter writes"), (name, at.said)
            await at.press("escape")
        for line, why in NOT_HERE.values():
            await at.press("e")
            await at.type(line)
            assert why in at.said and "sites: " not in at.said, "one line, without what a deed asks for"
            assert at.desk.runtime.session.said_ink == "late", line
            await at.press("escape")
