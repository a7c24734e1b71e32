"""What an event says, in words: for the message line, the preview and the list of events."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tracker.foundation.text import plain
from tracker.foundation.times import format_exact, format_pet
from tracker.journal.progress import Progress

_VERBS = {
    "zero": "the clock starts", "began": "began", "counted": "counted", "done": "done", "skipped": "skipped",
    "dropped": "dropped", "restored": "restored", "held": "held", "resumed": "resumed", "went": "go for",
    "handed": "handed", "moved": "moved", "added": "added", "retimed": "retimed", "limited": "limit",
    "reading": "reading", "replaced": "replaced", "seen": "seen", "entered": "inside", "called": "called",
    "silent": "silent", "heard": "heard", "noted": "note", "chose": "chose", "acknowledged": "seen",
    "withdrawn": "takes back", "amended": "corrects", "closed": "the excursion is closed",
}  # fmt: skip


def event_words(progress: Progress, kind: str, body: Mapping[str, Any], *, most: int = 300) -> str:
    """Return one safe line: `done EV1 Release the four captive fasteners`."""
    words = [_VERBS.get(kind, kind), *_subject(progress, kind, body)]
    text = body.get("text")
    if text:
        words.append(f"({text})" if kind != "noted" else str(text))
    return plain(" ".join(word for word in words if word), most=most)


def _subject(progress: Progress, kind: str, body: Mapping[str, Any]) -> list[str]:
    if kind in ("held", "resumed", "called"):
        whom = _people(body.get("crew")) or "all"
        until = body.get("until")
        ends = f"until {format_pet(until, with_seconds=True)}" if isinstance(until, (int, float)) else ""
        return [whom, str(body.get("call", "")), ends]
    if "step" in body:
        return [*_step(progress, str(body["step"])), _counted(progress, body), *_figures(kind, body)]
    if kind in ("withdrawn", "amended"):
        return _pointed(progress, body)
    parts = [_people(body.get("crew"))]
    parts += [str(body[key]) for key in ("consumable", "window", "limit", "choice", "alert") if key in body]
    task = body.get("task")
    parts.append(_task(task) if isinstance(task, Mapping) else str(task or ""))
    if "advice" in body:
        parts.append(f"(advised {body['advice']})")
    if "value" in body:
        parts.append(f"= {_value(progress, kind, body)}")
    if "before" in body:
        parts.append(f"before {body['before']}")
    return [*parts, "last" if body.get("last") else ""]


def _task(task: Mapping[str, Any]) -> str:
    """Return the title of unplanned work, and of each step who does it and how long."""
    steps = [step for step in task.get("steps", ()) if isinstance(step, Mapping)]
    who = [f"{_people(step.get('crew'))} {_long(step.get('time'))}" for step in steps]
    return f"{task.get('title', task.get('id', ''))} ({', '.join(who)})"


def _long(time: object) -> str:
    if isinstance(time, Mapping):
        return _long(time.get("likely"))
    return format_exact(round(time)) if isinstance(time, (int, float)) else str(time)


def _value(progress: Progress, kind: str, body: Mapping[str, Any]) -> str:
    """Return a level with its unit, or a limit as a time."""
    value = body["value"]
    if not isinstance(value, (int, float)):
        return str(value)
    name = str(body.get("consumable") or str(body.get("limit", "")).rpartition(".")[2])
    consumable = progress.plan.consumable.get(name)
    if kind == "limited" and consumable is None:
        return format_pet(value)
    return f"{value:.10g} {consumable.unit}" if consumable else f"{value:.10g}"


def _step(progress: Progress, step: str) -> list[str]:
    state = progress.steps.get(step)
    return [step] if state is None else [" ".join(state.crew), state.step.do]


def _counted(progress: Progress, body: Mapping[str, Any]) -> str:
    """Return `3 of 4` of an event that counts."""
    if "count" not in body:
        return ""
    state = progress.steps.get(str(body["step"]))
    return f"{body['count']}" if state is None else f"{body['count']} of {state.step.count}"


def _figures(kind: str, body: Mapping[str, Any]) -> list[str]:
    parts = []
    if "time" in body:
        time = body["time"]
        parts.append(f"to {_long(time)}")
    if kind == "handed":
        parts.append(f"to {_people(body.get('crew'))}")
    return [*parts, "from now" if body.get("left") else ""]


def _pointed(progress: Progress, body: Mapping[str, Any]) -> list[str]:
    """Return the event that another one takes back or corrects."""
    number = body.get("event")
    target = next((e for e in progress.fold.recorded if e.number == number), None)
    if target is None or target.kind in ("withdrawn", "amended"):
        what = f"{number}"
    else:
        what = f"{number}: {event_words(progress, target.kind, target.body)}"
    at = body.get("at")
    return [what, f"to {format_pet(at, with_seconds=True)}" if isinstance(at, (int, float)) else ""]


def _people(crew: object) -> str:
    if isinstance(crew, (list, tuple)):
        return " ".join(str(c) for c in crew)
    return "" if crew is None else "shared" if crew == "*" else str(crew)


def news(progress: Progress, number: int, seat: str) -> str:
    """Return the last that another seat wrote after an event; empty where none did."""
    new = [e for e in progress.fold.recorded if e.number > number and e.seat != seat]
    if not new:
        return ""
    last = max(new, key=lambda e: e.number)
    return f"{last.seat} wrote {last.number}: {event_words(progress, last.kind, last.body)}"
