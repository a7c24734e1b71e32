"""What an event says, in words, wherever it is told: message line, list of events, what would be written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tracker.foundation.text import plain
from tracker.foundation.times import format_exact, format_pet, format_pet_s
from tracker.journal.folding.setup import STOPS
from tracker.journal.kinds import ABOUT_EVENTS, BY_NAME, Argument, EventKind
from tracker.journal.progress import Progress, Recorded
from tracker.plan.model import store_words

_TOLD = frozenset(
    ("consumable", "window", "limit", "choice", "name", "number", "count", "site", "round", "hardware")
)
"""Types of keys that are told by their value alone; advice stands in brackets further on."""
_CHOSEN = {"keep": "kept", "drop": "chose to drop", "later": "put off", "open": "left open"}
_MARKED = frozenset(("about", "due", "after", "owner", "to", "at"))
"""Words that stand before a value where they are told as they are typed."""


def event_words(progress: Progress, kind: str, body: Mapping[str, Any], *, most: int = 300) -> str:
    """One safe line: `done EV1 Release the four captive fasteners`."""
    known = BY_NAME.get(kind)
    words = [_CHOSEN.get(str(body.get("choice")), known.verb) if known else kind]
    words += [word for word in (_subject(progress, known, body) if known else ()) if word]
    if by := body.get("by"):
        words.append(f"by {by}")
    if text := body.get("text"):
        words[-1] += ":" if "what" in body else ""
        words.append(str(text) if known and known.says_text else f"({text})")
    return plain(" ".join(words), most=most)


def _subject(progress: Progress, kind: EventKind, body: Mapping[str, Any]) -> list[str]:
    if kind.of_all:
        until = body.get("until")
        ends = f"until {format_pet_s(until)}" if isinstance(until, (int, float)) else ""
        return [_people(body.get("crew")) or "all", str(body.get("call", "")), ends]
    if "step" in body:
        return [*_step(progress, str(body["step"])), _counted(progress, body), *_figures(kind, body)]
    if kind.argument("event"):
        return _pointed(progress, body, kind.about_events)
    parts = [_people(body.get("crew"))]
    parts += [
        _told(one, body[one.key])
        for one in kind.arguments
        if (one.type in _TOLD or one.marker in _MARKED) and one.key in body and one.key != "choice"
        if not one.keyed
    ]
    task = body.get("task")
    parts.append(_task(task) if isinstance(task, Mapping) else str(task or ""))
    if isinstance(answers := body.get("answers"), Mapping):
        stores = progress.plan.consumable
        asked = (store_words(item) if item in stores else item for item in answers)
        parts.append(", ".join(map(" ".join, zip(asked, map(str, answers.values()), strict=True))))
    if "advice" in body:
        parts.append(f"(advised {body['advice']})")
    if "value" in body:
        parts.append(f"= {_value(progress, body)}")
    if "before" in body:
        parts.append(f"before {body['before']}")
    return [*parts, "last" if body.get("last") else ""]


def _told(argument: Argument, value: object) -> str:
    """Return the value of a key by itself, behind the word that marks it where it has one."""
    timed = argument.type == "pet" and isinstance(value, (int, float))
    amount = f"{value:.10g}" if isinstance(value, float) else str(value)
    if argument.type in ("consumable", "limit"):
        owner, dot, store = amount.rpartition(".")
        amount = f"{owner} {store_words(store)}" if dot else store_words(store)
    said = format_pet_s(float(str(value))) if timed else amount
    return f"{argument.marker} {said}" if argument.marker else said


def _task(task: Mapping[str, Any]) -> str:
    """Return the title of unplanned work, and of each step who does it and how long."""
    steps = [step for step in task.get("steps", ()) if isinstance(step, Mapping)]
    who = [f"{_people(step.get('crew'))} {_long(step.get('time'))}" for step in steps]
    return f"{task.get('title', task.get('id', ''))} ({', '.join(who)})"


def _long(time: object) -> str:
    if isinstance(time, Mapping):
        return _long(time.get("likely"))
    return format_exact(round(time)) if isinstance(time, (int, float)) else str(time)


def _value(progress: Progress, body: Mapping[str, Any]) -> str:
    """A level with its unit, or a limit as a time."""
    value = body["value"]
    if not isinstance(value, (int, float)):
        return str(value)
    name = str(body.get("consumable") or str(body.get("limit", "")).rpartition(".")[2])
    consumable = progress.plan.consumable.get(name)
    if "limit" in body and consumable is None:
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


def _figures(kind: EventKind, body: Mapping[str, Any]) -> list[str]:
    parts = []
    if "time" in body:
        time = body["time"]
        parts.append(f"to {_long(time)}")
    if kind.argument("crew"):
        parts.append(f"to {_people(body.get('crew'))}")
    return [*parts, "from now" if body.get("left") else ""]


def _pointed(progress: Progress, body: Mapping[str, Any], corrects: bool) -> list[str]:
    """Return the event that another one takes back, corrects or settles."""
    number = body.get("event")
    target = next((e for e in progress.fold.recorded if e.number == number), None)
    if target is None or target.kind in ABOUT_EVENTS:
        what = f"{number}"
    else:
        what = f"{number}: {event_words(progress, target.kind, target.body)}"
    at = body.get("at")
    to = f"to {format_pet_s(at)}" if corrects and isinstance(at, (int, float)) else ""
    return [what, to]


def _people(crew: object) -> str:
    if isinstance(crew, (list, tuple)):
        return " ".join(str(c) for c in crew)
    return "" if crew is None else "shared" if crew == "*" else str(crew)


def stops_words(progress: Progress) -> str:
    """What is said of instants on record beyond the horizon, as earlier programs took them; empty without."""
    found = (f"event {number}: {words}" for number, words in progress.warnings if words.endswith(STOPS))
    return "; ".join(dict.fromkeys(found))


BEHIND_S = 2.0
"""From this difference on it is told that the clocks of two seats are apart."""


def clock_mark(progress: Progress, number: int) -> str:
    """What is told of an event recorded before the one that stands before it; empty where clocks agree.

    The instants are those of the seats' own clocks, to which nothing else can be held.
    """
    recorded = progress.fold.recorded
    place = next((k for k, event in enumerate(recorded) if event.number == number), 0)
    event, before = recorded[place], recorded[max(0, place - 1)]
    behind = (before.recorded - event.recorded).total_seconds()
    if behind <= BEHIND_S:
        return ""
    return f"written {format_exact(round(behind))} before entry {before.number} by the clock of {event.seat}"


def news(progress: Progress, number: int, seat: str) -> str:
    """Return the last that another seat wrote after an event; empty where none did.

    What the crew of a rehearsal says has a place of its own.
    """
    others = (e for e in progress.fold.recorded if e.number > number and e.seat != seat)
    new = [e for e in others if not _spoken(progress, e)]
    if not new:
        return ""
    last = max(new, key=lambda e: e.number)
    mark = clock_mark(progress, last.number)
    said = f"{last.seat} wrote {last.number}: {event_words(progress, last.kind, last.body)}"
    return f"{said}; {mark}" if mark else said


def spoken(progress: Progress) -> list[Recorded]:
    """Return what is said in a rehearsal in which the crew only speaks, the newest last."""
    return [event for event in progress.fold.recorded if _spoken(progress, event)]


def spoken_line(progress: Progress, event: Recorded) -> str:
    """Return what somebody said, with when."""
    return f"{format_pet(event.at)} {heard_words(progress, event)}"


def heard_words(progress: Progress, event: Recorded) -> str:
    """Return an event in words; of what the crew of a rehearsal says, who says what."""
    if _spoken(progress, event):
        return plain(f"{event.seat}: {event.body.get('text', '')}", most=300)
    return event_words(progress, event.kind, event.body)


def said(progress: Progress) -> list[Recorded]:
    """Return what was said, as far as it is on record: notes, what was raised, and what settled it."""
    return [event for event in progress.fold.recorded if event.kind in ("noted", "raised", "settled")]


def _spoken(progress: Progress, event: Recorded) -> bool:
    """Whether an event is what somebody of a rehearsal says, under their name: a desk names its machine."""
    return progress.rehearsal and event.kind == "noted" and "@" not in event.seat
