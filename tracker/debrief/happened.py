"""What changed the plan on the way, who was held and why, what was decided and noted: lists by time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tracker.foundation.times import format_pet
from tracker.journal.progress import Interval, Progress, Recorded

CHANGES = {
    "moved", "handed", "added", "retimed", "dropped", "restored",
    "skipped", "limited", "called", "replaced", "seen",
}  # fmt: skip
"""Kinds of event that changed what was to be done, or within which limits."""


_TOLD = CHANGES | {"held"}
"""Kinds of event whose text stands beside them elsewhere."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One event worth reading afterwards."""

    number: int
    at: float
    kind: str
    what: str
    """In words, from the event's own keys."""
    text: str
    seat: str


@dataclass(frozen=True, slots=True)
class Held:
    """One hold of one crew member, in seconds of phase elapsed time."""

    crew: str
    start: float
    finish: float
    step: str
    reason: str


@dataclass(frozen=True, slots=True)
class Decided:
    """One decision beside the advice of its moment."""

    number: int
    at: float
    task: str
    choice: str
    advice: str
    followed: bool | None
    """Whether the choice was the one advised; None where none of them says."""
    figures: dict[str, Any]
    seat: str
    outcome: str
    """What became of the task."""


def changes(progress: Progress) -> tuple[Happened, ...]:
    """Return the events in force that changed the plan, in the order in which they happened."""
    return tuple(_happened(event) for event in progress.events if event.kind in CHANGES)


def notes(progress: Progress) -> tuple[Happened, ...]:
    """Return every note, and what was said with an event that is told nowhere else, by time."""
    said = (event for event in progress.events if event.body.get("text") and event.kind not in _TOLD)
    return tuple(_happened(event) for event in said)


def _happened(event: Recorded) -> Happened:
    text = str(event.body.get("text", ""))
    return Happened(event.number, event.at, event.kind, _words(event), text, event.seat)


def _words(event: Recorded) -> str:
    """Return the event's own keys in one line."""
    words = []
    for key, value in event.body.items():
        if key == "text":
            continue
        words.append(f"{key} {_value(key, value)}")
    return ", ".join(words)


def _value(key: str, value: object) -> str:
    if isinstance(value, dict):
        return str(value.get("title") or value.get("id") or "given")
    if isinstance(value, list):
        return " ".join(map(str, value))
    if key in ("time", "until", "at") and isinstance(value, int | float):
        return format_pet(value, with_seconds=True)
    return "yes" if value is True else str(value)


def holds(progress: Progress, end: float) -> tuple[Held, ...]:
    """Return every hold up to `end`, by time."""
    found = [
        _held(crew, one, end)
        for crew, intervals in progress.spent.items()
        for one in intervals
        if one.kind == "hold" and (one.start < end or one.end is None)
    ]
    return tuple(sorted(found, key=lambda held: (held.start, held.crew)))


def _held(crew: str, one: Interval, end: float) -> Held:
    finish = end if one.end is None else min(one.end, end)
    return Held(crew, one.start, finish, one.step or "", one.cause or "")


def decisions(progress: Progress) -> tuple[Decided, ...]:
    """Return every decision beside its advice, by time."""
    return tuple(
        Decided(
            number=one.number,
            at=one.at,
            task=one.task,
            choice=one.choice,
            advice=one.advice or "",
            followed=one.choice == one.advice if one.advice in ("keep", "drop") else None,
            figures=dict(one.figures or {}),
            seat=one.seat,
            outcome=progress.tasks[one.task].status if one.task in progress.tasks else "",
        )
        for one in progress.decisions
    )
