"""Entries that are about where somebody stands: sweeps, counts of the current step, and undo."""

from __future__ import annotations

import re
from typing import Any

from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress, Recorded, together
from tracker.journal.typed.match import current_step, find_step
from tracker.journal.typed.tokens import Entry
from tracker.journal.value import Setting
from tracker.journal.when import is_time, read_pet

Event = dict[str, Any]


def absent(progress: Progress, step: str, missing: tuple[str, ...]) -> str:
    """Say who of a joint step's crew is not there yet, and where they are."""
    where = [f"{crew} is at {progress.current.get(crew) or 'no step'}" for crew in missing]
    return f"{step} is a joint step, and {', '.join(where)}; tick that first, or `done {step}`"


def counted(crew: str, entry: Entry, progress: Progress) -> Event | None:
    """Take `3 of 4`, `3/4`, `count 3`, `+` or `+2` as a count of the current step; None for anything else."""
    words = [token.text.lower() for token in entry.tokens[:3]]
    counting = words[0] == "count" and len(words) > 1
    if counting:
        words.pop(0)
    found = re.fullmatch(r"(\+?)(\d{0,6})(?:/(\d{1,6}))?", words[0])
    if found is None or not words[0]:
        return None
    plus, number, of = found.groups()
    taken = 1 + counting
    if of is None and words[1:2] == ["of"] and len(entry.tokens) > taken + 1:
        of, taken = entry.tokens[taken + 1].text, taken + 2
    if not (plus or of or counting):
        raise EventError(f"{crew} {number}: `{number} of 4` counts items, `-{number}` is minutes ago")
    del entry.tokens[:taken]
    step = current_step(progress, crew)
    state = progress.steps[step]
    if of is not None and of != str(state.step.count):
        raise EventError(f"{step} has {state.step.count} items, not {of}")
    count = int(number or 1) + (state.counted if plus else 0)
    return {"kind": "counted", "step": step, "count": count}


def sweep(crew: str, entry: Entry, setting: Setting) -> list[Event]:
    """Take `>STEP` and perhaps a time: every step of a crew member up to and including the one that fits."""
    first = entry.tokens.pop(0)
    words = [first.text[1:]] if first.text[1:] else []
    while entry and not is_time(entry.head) and entry.tokens[0].keyed is None:
        words.append(entry.take())
    at: Event = {}
    if entry:
        text = entry.take()
        at["at"] = read_pet(text.removeprefix("at="), setting.clock)
    if entry or not words:
        raise EventError("as in `1 >mate -3`: a step after `>`, then perhaps a time")
    ahead = setting.progress.order.get(crew, ())
    last = find_step(setting.progress, " ".join(words), among=ahead)
    events = [{"kind": "done", "step": step} | at for step in ahead[: ahead.index(last) + 1]]
    _all_there(setting.progress, events)
    return events


def _all_there(progress: Progress, events: list[Event]) -> None:
    """Raise EventError when a joint step in a sweep would be ticked while one of its crew is elsewhere."""
    for event in events:
        missing = progress.missing(event["step"]) if len(progress.steps[event["step"]].crew) > 1 else ()
        if missing:
            raise EventError(absent(progress, event["step"], missing))
        progress = progress.suppose(event)


def undo(setting: Setting) -> list[Event]:
    """Return what takes back the seat's latest entry in force: an event, or all recorded together."""
    own = [
        event
        for event in setting.progress.events
        if event.kind != "withdrawn" and setting.seat in (None, event.seat)
    ]
    if not own:
        raise EventError("there is nothing of this seat to undo")
    last = max(own, key=lambda event: event.number)
    entry = [event for event in own if together(event, last)]
    return [
        {"kind": "withdrawn", "event": event.number} for event in sorted(entry, key=_number, reverse=True)
    ]


def _number(event: Recorded) -> int:
    return event.number
