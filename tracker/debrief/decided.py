"""What was decided on the way: choices beside their advice, work given up and restored, recalls.

Hides that one decision may be two events, and that a recall which was taken back is none in force.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tracker.foundation.times import format_pet_s
from tracker.journal.progress import Progress, Recorded


@dataclass(frozen=True, slots=True)
class Decided:
    """One decision beside the advice of its moment, where that is on record."""

    number: int
    at: float
    task: str
    """Empty of a recall."""
    choice: str
    """`keep`, `drop`, `later` or `open`; `restore`; of a recall `call home` or `call at once`."""
    advice: str
    followed: bool | None
    """Whether the choice was the one advised; None where none of them says."""
    figures: dict[str, Any]
    seat: str
    outcome: str
    """What became of the task; of a recall until when it stood, where it was taken back."""
    event: str = "chose"
    """Its kind: `chose`, `dropped`, `restored` or `called`."""
    words: str = ""
    """That must work was given up; of a recall who was called."""


def decisions(progress: Progress) -> tuple[Decided, ...]:
    """Return all that was decided about tasks beside its advice, and every recall, by time.

    What was given up or restored by the entry of a choice is that choice.
    """
    chosen = [
        Decided(
            number=one.number,
            at=one.at,
            task=one.task,
            choice=one.choice,
            advice=one.advice or "",
            followed=one.choice == one.advice if one.advice in ("keep", "drop") else None,
            figures=dict(one.figures or {}),
            seat=one.seat,
            outcome=_outcome(progress, one.task),
            words=_given_up(progress, one.task) if one.choice == "drop" else "",
        )
        for one in progress.decisions
    ]
    known = {(one.task, one.at) for one in chosen if one.choice != "later"}
    done = [
        Decided(
            number=one.number,
            at=one.at,
            task=str(one.body["task"]),
            choice=_CHOICES[one.kind],
            advice="",
            followed=None,
            figures={},
            seat=one.seat,
            outcome=_outcome(progress, str(one.body["task"])),
            event=one.kind,
            words=_given_up(progress, str(one.body["task"])) if one.kind == "dropped" else "",
        )
        for one in progress.events
        if one.kind in _CHOICES and (one.body["task"], one.at) not in known
    ]
    return tuple(sorted([*chosen, *done, *_recalls(progress)], key=lambda one: (one.at, one.number)))


_CHOICES = {"dropped": "drop", "restored": "restore"}


def _outcome(progress: Progress, task: str) -> str:
    return progress.tasks[task].status if task in progress.tasks else ""


def _given_up(progress: Progress, task: str) -> str:
    state = progress.tasks.get(task)
    return "must work given up" if state is not None and not state.task.optional else ""


def _recalls(progress: Progress) -> Iterator[Decided]:
    """Yield every recall in force, and those that were taken back once they had stood."""
    for one, until in _calls(progress):
        yield Decided(
            number=one.number,
            at=one.at,
            task="",
            choice=f"call {one.body['call']}",
            advice="",
            followed=None,
            figures={},
            seat=one.seat,
            outcome="" if until is None else f"taken back {format_pet_s(until)}",
            event="called",
            words=" ".join(_who(progress, one)),
        )


def _calls(progress: Progress) -> Iterator[tuple[Recorded, float | None]]:
    """Yield every recall that stood, with the PET at which it was taken back; None of one in force."""
    force = {event.number: event for event in progress.events}
    back = {e.body["event"]: e.at for e in progress.fold.recorded if e.kind == "withdrawn"}
    for recorded in progress.fold.recorded:
        one = force.get(recorded.number, recorded)
        until = None if one.number in force else back.get(one.number, one.at)
        if one.kind == "called" and (until is None or until > one.at):
            yield one, until


def _who(progress: Progress, call: Recorded) -> tuple[str, ...]:
    return tuple(map(str, call.body.get("crew") or progress.plan.outside))


def called_in_vain(progress: Progress, crew: str) -> tuple[tuple[float, float], ...]:
    """Return from when to when somebody was called home by recalls that were taken back, without overlaps."""
    spans = ((one.at, until) for one, until in _calls(progress) if crew in _who(progress, one) and until)
    found: list[tuple[float, float]] = []
    for since, until in sorted(spans):
        since = max(since, found[-1][1]) if found else since
        found += [(since, until)] if until > since else []
    return tuple(found)
