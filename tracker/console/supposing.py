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
    return [supposed for _, supposed in _each(text, progress, now, utc)]


def chosen_events(text: str, progress: Progress, now: float, utc: datetime) -> list[Event]:
    """Return the same events as they are written once chosen: those without a time get the clock's."""
    return [typed for typed, _ in _each(text, progress, now, utc)]


def _each(text: str, progress: Progress, now: float, utc: datetime) -> list[tuple[Event, Event]]:
    """Return every event of a line as it was typed, and as it is supposed."""
    from tracker.journal.typed import parse_entry

    found: list[tuple[Event, Event]] = []
    for part in parted(text):
        so_far = progress.suppose(*(event for _, event in found)) if found else progress
        for event in parse_entry(part, so_far, now=now, utc_now=utc):
            timed = progress.zero is not None and event.get("kind") not in ("zero", "amended", "withdrawn")
            at = {"at": int(max(now, so_far.at))} if timed else {}
            found.append((dict(event), {**at, **event}))
    return found


def parted(text: str) -> list[str]:
    """Return the entries of a line that are parted by `;`."""
    return [part.strip() for part in text.split(";") if part.strip()]
