"""What a typed line supposes: events beside those on record, never written."""

from __future__ import annotations

from datetime import datetime

from tracker.console.view.words import pet_s
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress

Event = dict[str, object]


def with_supposed(text: str, shown: Progress, now: float, utc: datetime) -> tuple[Progress, list[Event]]:
    """Return the progress with what a line supposes, and its events; EventError says why it cannot be.

    Nothing that is supposed may lie beyond PET `now`, for which the estimate is made.
    """
    events = supposed_events(text, shown, now, utc)
    supposed = shown.suppose(*events)
    if shown.zero is not None and supposed.at > max(now, shown.at) + 1:
        raise EventError(f"{pet_s(supposed.at)} is not yet; what is supposed happens by {pet_s(now)}")
    return supposed, events


def supposed_events(text: str, progress: Progress, now: float, utc: datetime) -> list[Event]:
    """Return the events that a typed line supposes, several parted by `;`; EventError says what is wrong.

    Those without a time happen now, that is, at PET `now`.
    """
    from tracker.journal.typed import parse_entry

    events: list[Event] = []
    for part in text.split(";"):
        if not part.strip():
            continue
        so_far = progress.suppose(*events) if events else progress
        for event in parse_entry(part, so_far, now=now, utc_now=utc):
            timed = progress.zero is not None and event.get("kind") not in ("zero", "amended", "withdrawn")
            events.append({"at": int(max(now, so_far.at)), **event} if timed else dict(event))
    return events
