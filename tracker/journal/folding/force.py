"""Which events are in force, and when: undo, redo, corrected times, a corrected zero."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from tracker.foundation.times import parse_instant, pet_of
from tracker.journal.events import ABOUT_EVENTS
from tracker.journal.folding.state import named, refuse
from tracker.journal.progress import Recorded


def withdrawn_numbers(recorded: Iterable[Recorded]) -> set[int]:
    """Return the numbers of the events that count no more."""
    gone: set[int] = set()
    # What withdraws has the greater number, so backwards every event is judged after all that judge it.
    for event in reversed(list(recorded)):
        if event.kind == "withdrawn" and event.number not in gone:
            gone.add(event.body["event"])
    return gone


def target(recorded: Iterable[Recorded], event: Recorded) -> Recorded:
    """Return the event that a `withdrawn` or `amended` is about, or refuse it."""
    events = [one for one in recorded if one.number < event.number]
    number = event.body["event"]
    found = next((one for one in events if one.number == number), None)
    if found is None:
        refuse(event, f"there is no event {number}; the last is {events[-1].number if events else 0}")
    if number in withdrawn_numbers(events):
        by = [one.number for one in events if one.kind == "withdrawn" and one.body["event"] == number]
        refuse(event, f"event {number} ({named(found)}) is already withdrawn by event {by[-1]}")
    if event.kind == "amended":
        if found.kind in ABOUT_EVENTS:
            refuse(event, f"event {number} ({found.kind}) has no time to amend; withdraw it instead")
        if (found.kind == "zero") != ("utc" in event.body):
            what = "`utc`" if found.kind == "zero" else "`at`, its PET"
            refuse(event, f"event {number} ({found.kind}) is amended by {what}")
    return found


def in_force(recorded: Iterable[Recorded]) -> list[Recorded]:
    """Return the events that count, as amended, in the order of (`at`, number)."""
    events = list(recorded)
    gone = withdrawn_numbers(events)
    amended = {
        event.body["event"]: event for event in events if event.kind == "amended" and event.number not in gone
    }
    counted = [
        _amended(event, amended.get(event.number))
        for event in events
        if event.number not in gone and event.kind not in ABOUT_EVENTS
    ]
    zero = next((event for event in counted if event.kind == "zero"), None)
    if zero is not None and _zero_amended(events, zero):
        counted = [_on_clock(event, zero, parse_instant(zero.body["utc"])) for event in counted]
    return sorted(counted, key=lambda event: (event.at, event.number))


def _amended(event: Recorded, by: Recorded | None) -> Recorded:
    if by is None:
        return event
    if event.kind == "zero":
        return replace(event, body={**event.body, "utc": by.body["utc"]})
    return replace(event, at=by.at, stated=True)


def _zero_amended(events: Iterable[Recorded], zero: Recorded) -> bool:
    """Whether the clock was ever corrected, even if that was taken back."""
    return any(event.kind == "amended" and event.body["event"] == zero.number for event in events)


def _on_clock(event: Recorded, zero: Recorded, utc: datetime) -> Recorded:
    """Return a stamped event at the PET that its instant has now; stated PETs stay."""
    if event.stated or event.number <= zero.number:
        return event
    return replace(event, at=stamp(event.recorded, utc))


def stamp(now: datetime, zero: datetime) -> float:
    """Return the PET, in whole seconds begun, that a clock shows at an instant."""
    return float(math.floor(pet_of(now, zero)))
