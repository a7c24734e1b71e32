"""What an entry would write, said before it is written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet, instant_of
from tracker.journal.progress import Progress

_HIDDEN = ("kind", "at", "seat", "figures")


def preview(
    events: Sequence[Mapping[str, Any]], progress: Progress, *, now: float | None = None
) -> list[str]:
    """Return a line an event with its resulting PET and UTC, then what is unusual or would be refused.

    `now` is the PET that an event without `at` will be given.
    """
    lines = [_line(event, progress, now) for event in events]
    stamped = [
        dict(event) if "at" in event or now is None else {**event, "at": round(now)} for event in events
    ]
    try:
        after = progress.suppose(*stamped)
    except EventError as error:
        return [*lines, *(f"refused: {line}" for line in error.lines)]
    known = set(progress.warnings)
    return [
        *lines,
        *(f"unusual: {plain(text)}" for number, text in after.warnings if (number, text) not in known),
    ]


def _line(event: Mapping[str, Any], progress: Progress, now: float | None) -> str:
    said = [str(event["kind"]), *_values(event), *_described(event, progress), _when(event, progress, now)]
    return plain("  ".join(part for part in said if part), most=400)


def _values(event: Mapping[str, Any]) -> list[str]:
    return [_value(key, value) for key, value in event.items() if key not in _HIDDEN]


def _value(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return key if value else f"not {key}"
    if key == "until" or (key == "value" and isinstance(value, int) and value > 1000):
        return f"{key} {format_pet(value, with_seconds=True)}"
    if isinstance(value, list | tuple):
        return " ".join(map(str, value))
    if isinstance(value, Mapping):
        return str(value.get("title") or value.get("id") or value)
    return f"{key} {value}" if key in ("count", "before", "event", "time", "choice") else str(value)


def _described(event: Mapping[str, Any], progress: Progress) -> list[str]:
    """Return the words for the ids that an event names."""
    step, task = progress.steps.get(str(event.get("step"))), progress.tasks.get(str(event.get("task")))
    if step is not None:
        return [step.step.do, " ".join(step.crew)]
    return [task.task.title] if task is not None else _withdrawn(event, progress)


def _withdrawn(event: Mapping[str, Any], progress: Progress) -> list[str]:
    number = event.get("event")
    found = next((one for one in progress.events if one.number == number), None)
    if found is None:
        return []
    named = [str(found.body[key]) for key in ("step", "task", "crew", "text") if key in found.body]
    return [f"({' '.join([found.kind, *named])} at {format_pet(found.at, with_seconds=True)})"]


def _when(event: Mapping[str, Any], progress: Progress, now: float | None) -> str:
    at = event.get("at", now)
    if event["kind"] == "zero" or at is None:
        return ""
    pet = f"PET {format_pet(at, with_seconds=True)}"
    if progress.zero is None:
        return pet
    return f"{pet}  {instant_of(at, progress.zero):%H:%M:%S} UTC"
