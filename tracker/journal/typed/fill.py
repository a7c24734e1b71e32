"""Fills the keys of one event from typed words, by place, by marker, or as KEY=VALUE, read by type."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant, parse_instant, parse_pet
from tracker.journal.kinds import Argument, EventKind
from tracker.journal.progress import Progress, letters
from tracker.journal.typed.match import (
    NO_GO,
    check_there,
    crew_or_none,
    current_step,
    find_crew,
    find_id,
    find_step,
    find_subject,
    find_task,
    limit_names,
    meant,
    names_step,
)
from tracker.journal.typed.short import minutes, pet_of_minutes, span_of, unlike_crew, word_of
from tracker.journal.typed.tokens import (
    Entry,
    TimeReference,
    Token,
    is_ago,
    is_time,
    read_instant,
    read_pet,
)
from tracker.plan.model import LOCK

Event = dict[str, Any]

_LIKE_A_TIME = re.compile(r"[-+]?[\d:]*\d:[\d:]*[zZ]?|-\d\S*|\d+[zZ]", re.ASCII)
ALL = ("all", "both", "*")
"""Words for everybody outside."""
COMMON = ("at", "seat", "by", "text")
"""Keys that every kind may have."""


@dataclass(frozen=True, slots=True)
class EntryContext:
    """What an entry is read against."""

    progress: Progress
    times: TimeReference
    seat: str | None = None
    """Whose events `undo` takes back."""
    crew: str | None = None
    """The crew member whose digit began the entry."""

    def of(self, crew: str) -> EntryContext:
        """Return the context of an entry that a crew member's digit began."""
        return replace(self, crew=crew)


def fill(kind: EventKind, entry: Entry, context: EntryContext, said: Event | None = None) -> Event:
    """Return one event of a kind; EventError says what is wrong and shows an example.

    `said`: what the word that began the entry says already.
    """
    event: Event = {"kind": kind.name, **(said or {})}
    if context.crew is not None and kind.argument("step") is not None and not _names_step(entry, context):
        event["step"] = current_step(context.progress, context.crew)
    while entry:
        if not _take_one(kind, entry, context, event):
            rest = plain(entry.take_rest(), most=60)
            raise EventError(f"{kind.name}: what is {rest!r} for? as in `{kind.example}`")
    _fill_in(kind, context, event)
    missing = [one.key for one in kind.arguments if one.required and one.key not in event]
    for one in kind.arguments:
        if one.key in missing:
            check_there("optional" if kind.name == "chose" else one.type, context.progress)
    if missing == ["time"]:
        state = context.progress.steps.get(event["step"])
        at = "" if state is None else f"{' '.join(state.crew)} at {plain(state.step.do, most=60)}: "
        raise EventError(f"{at}how many minutes? 15 from now on, or `of 15` in all")
    if missing:
        asks = " and ".join(_WANTS.get(key, f"which {key}") for key in missing)
        raise EventError(f"{kind.example.split()[0]}: {asks}? as in `{kind.example}`")
    return event


_WANTS = {"crew": "who", "text": "what", "to": "to whom", "call": "home or at once"}
"""What is asked for a key that is wanted."""


def _take_one(kind: EventKind, entry: Entry, context: EntryContext, event: Event) -> bool:
    """Understand the next words; False when nothing here takes them."""
    pending = _pending(kind, event)
    keys = {*COMMON, *(one.key for one in kind.arguments)}
    text = kind.argument("text")
    keyed, free = entry.tokens[0].keyed, text is not None and not text.keyed and "text" not in event
    if keyed is not None and (keyed[0] in keys or not free or not kind.says_text):
        _take_keyed(kind, entry, context, event, keys)
        return True
    marked = next((one for one in kind.arguments if one.marker == entry.head.lower()), None)
    if marked is not None and marked.key not in event and len(entry.tokens) > 1:
        entry.take()
        event[marked.key] = _take(marked, entry, context, event)
        return True
    flag = next((one for one in kind.arguments if one.type == "flag" and one.key == entry.head.lower()), None)
    if flag is not None and flag.key not in event:
        entry.take()
        event[flag.key] = True
        return True
    if _take_time(entry, context, event, pending) or _take_by(kind, entry, context, event):
        return True
    if _take_place(kind, entry, context, event):
        return True
    for one in pending:
        if one.required or _fits(one, entry, context):
            event[one.key] = _take(one, entry, context, event)
            return True
    if free:
        _check_free(kind, entry.tokens[0], context, "crew" in event)
        _check_another(kind, entry, context.progress, event)
        take_text(entry, context, event)
    return free


def take_text(entry: Entry, context: EntryContext, event: Event) -> None:
    """Take the rest as text; its last word is the event's time where it is one that has come already."""
    last = entry.last
    if last is not None and "at" not in event and (at := _past(last.text, context.times)) is not None:
        event["text"], event["at"] = entry.take_rest(but=last), at
    else:
        event["text"] = entry.take_rest()


def _past(text: str, times: TimeReference) -> int | None:
    """Return the PET of a word that is a time by now; None for any other word."""
    if not is_time(text):
        return None
    try:
        at = read_pet(text, times)
    except EventError:
        return None
    still_to_come = times.now is not None and at > times.now
    return None if still_to_come or times.zero is None else at


def _take_place(kind: EventKind, entry: Entry, context: EntryContext, event: Event) -> bool:
    """Take a second task as the one to come before, as in `move a b`."""
    before = kind.argument("before")
    if before is None or "task" not in event or not {"before", "last"}.isdisjoint(event):
        return False
    text, tasks = entry.head, context.progress.tasks
    other = text if text in tasks else word_of(before, text, context.progress)
    if other is None or not isinstance(event["task"], str) or "text" in event:
        return False
    entry.take()
    event["before"] = other
    return True


def _names_step(entry: Entry, context: EntryContext) -> bool:
    """Whether the next word names a step, after a digit that already stands for the current one."""
    return bool(entry) and (
        (entry.tokens[0].keyed or ("",))[0] == "step" or names_step(context.progress, entry.head)
    )


def _check_free(kind: EventKind, token: Token, context: EntryContext, named: bool) -> None:
    """Refuse as free text what was most likely meant as a time or a crew member."""
    head = token.text
    if not kind.says_text and _LIKE_A_TIME.fullmatch(head):
        raise EventError(f"{plain(head)!r} is not a time; a time is -3 (minutes ago), 2:14 or 14:22Z")
    crew = kind.argument("crew")
    near = meant(head, context.progress.plan.member) if crew is not None else ""
    if near:
        raise EventError(f"there is no crew member {plain(head)!r}{near}")
    if crew is not None and not named and (why := unlike_crew(context.progress, head)):
        raise EventError(why)


def _check_another(kind: EventKind, entry: Entry, progress: Progress, event: Event) -> None:
    """Refuse as the text of a task or step what names another one: each is decided or ticked by itself."""
    what = "task" if kind.name in ("dropped", "chose") else "step" if kind.name in ("done", "skipped") else ""
    if not what or what not in event:
        return
    head, known = entry.head, progress.tasks if what == "task" else progress.steps
    lettered = letters(progress) if what == "task" and len(entry.tokens) == 1 else {}
    other = head if head in known else next((task for task, one in lettered.items() if one == head), None)
    if other in (None, event[what]):
        return
    verbs = (word for word, (_, value) in kind.means.items() if value == event.get("choice"))
    verb = next(verbs, kind.words[0] if kind.words else kind.name)
    right = f"`{verb} {event[what]}`, then `{verb} {other}`"
    raise EventError(f"{plain(head)} is another {what}, and each is said by itself: {right}")


def _pending(kind: EventKind, event: Event) -> list[Argument]:
    """Return the arguments that the next words may be, by place: minutes only behind whom they are about."""
    places = [one for one in kind.arguments if not one.keyed and one.type not in ("flag", "text")]
    placed = [one for one in places if one.key not in event]
    return [
        one for one in placed if one.marker is None or one.required or (one.type == "pet" and "crew" in event)
    ]


def _take_time(entry: Entry, context: EntryContext, event: Event, pending: list[Argument]) -> bool:
    """Take a time as the event's own, unless the next argument is itself a time."""
    if not is_time(entry.head) or "at" in event:
        return False
    awaited = next((one.type for one in pending if one.required or one.type == "instant"), None)
    if awaited in ("span", "level", "pet") and not is_ago(entry.head):
        return False
    if awaited == "instant":
        event["utc"] = format_instant(read_instant(entry.take(), context.times))
    else:
        event["at"] = read_pet(entry.take(), context.times)
    return True


def _take_by(kind: EventKind, entry: Entry, context: EntryContext, event: Event) -> bool:
    """Take `by NAME`: who decided it; a note's words are its own."""
    if entry.head.lower() != "by" or "by" in event or len(entry.tokens) < 2 or kind.name == "noted":
        return False
    entry.take()
    name = entry.take()
    event["by"] = crew_or_none(context.progress, name) or name
    return True


def _take_keyed(kind: EventKind, entry: Entry, context: EntryContext, event: Event, keys: set[str]) -> None:
    key, value = entry.tokens[0].keyed or ("", "")
    if key not in keys:
        raise EventError(
            f"{kind.name} has no key {key!r}{meant(key, keys)}; it takes {', '.join(sorted(keys))}"
        )
    if key in event:
        raise EventError(f"{kind.name}: {key} is given twice")
    argument = kind.argument(key)
    if argument is not None and argument.type in ("object", "answers") and value[:1] in ("{", "["):
        event[key] = entry.take_json(len(key) + 1)
        return
    key, value = entry.take_keyed(keys)
    if key == "at" and kind.name == "zero":
        event["utc"] = format_instant(read_instant(value, context.times))
    elif key == "at":
        event["at"] = read_pet(value, context.times)
    elif argument is None or argument.type == "text":
        event[key] = value
    else:
        event[key] = read_value(argument, value, context)


def _take(argument: Argument, entry: Entry, context: EntryContext, event: Event) -> Any:
    """Take the words of one argument by place."""
    if argument.type in ("crews", "each"):
        crew = _read_crews(context.progress, entry.take())
        while entry and _fits(argument, entry, context):
            crew += _read_crews(context.progress, entry.take())
        return list(dict.fromkeys(crew))
    if argument.type == "span":
        return _take_span(argument, entry, context, event)
    if argument.type == "pet" and (at := pet_of_minutes(entry.head, context.times)) is not None:
        entry.take()
        return at
    if (meant_by := word_of(argument, entry.head, context.progress)) is not None:
        entry.take()
        return meant_by
    if argument.type == "object" and entry.head.startswith("{"):
        return entry.take_json()
    if argument.type == "choice" and [token.text.lower() for token in entry.tokens[:2]] == ["at", "once"]:
        entry.take()
        return f"at {entry.take().lower()}"
    return read_value(argument, entry.take(), context)


def _take_span(argument: Argument, entry: Entry, context: EntryContext, event: Event) -> Any:
    """Take how long a step takes: a bare number is minutes from now on, behind `of` minutes in all."""
    whole = entry.head.lower() == "of" and len(entry.tokens) > 1
    if whole:
        entry.take()
    text = entry.take()
    if minutes(text) is not None:
        if not whole:
            event["left"] = True
        if entry.head.lower() in ("min", "minutes"):
            entry.take()
    return read_value(argument, span_of(text), context)


def _fits(argument: Argument, entry: Entry, context: EntryContext) -> bool:
    """Whether the next word can be an argument that may be left out."""
    if argument.type in ("crews", "each"):
        parts = entry.head.split(",")
        return entry.head.lower() in ALL or all(crew_or_none(context.progress, one) for one in parts)
    minutes_end_it = argument.type == "pet" and len(entry.tokens) == 1 and context.times.now is not None
    return minutes_end_it and minutes(entry.head) is not None


def _fill_in(kind: EventKind, context: EntryContext, event: Event) -> None:
    """Fill in what the digit that began the entry, or the moment, says."""
    if kind.name == "went" and "step" not in event:
        _fill_in_go(context.progress, event)
    crew = kind.argument("crew")
    if "crew" not in event and crew is not None and context.crew is not None:
        event["crew"] = [context.crew] if crew.type == "crews" else context.crew


def _fill_in_go(progress: Progress, event: Event) -> None:
    """Mean the hold point that somebody stands at, or else the first one."""
    asking = [id for id, state in progress.steps.items() if state.ended is None and not state.gone]
    standing = [id for id in asking if id in progress.current.values()]
    if not asking:
        raise EventError(NO_GO)
    event["step"] = (standing or asking)[0]


def read_value(argument: Argument, text: str, context: EntryContext) -> Any:
    """Return the value that one word means for an argument; EventError says what would be right."""
    progress = context.progress
    if text != LOCK:
        check_there(argument.type, progress)
    match argument.type:
        case "step":
            return find_step(progress, text)
        case "task":
            return find_task(progress, text)
        case "crew":
            return find_crew(progress, text)
        case "crews":
            return _read_crews(progress, text)
        case "each":
            return find_crew(progress, text)
        case "window":
            return find_id(progress.plan.window, text, "window")
        case "consumable":
            return find_id(progress.plan.consumable, text, "consumable")
        case "limit":
            return find_id(limit_names(progress), text, "limit")
        case "subject":
            return find_subject(progress, text)
        case "site":
            return find_id((*progress.plan.sites, LOCK), text, "site")
        case "round":
            return find_id((one.id for one in progress.plan.rounds), text, "round")
        case "hardware":
            return find_id((one.id for one in progress.plan.hardware), text, "piece of hardware")
        case "pet":
            return read_pet(text, context.times)
        case "instant":
            return format_instant(read_instant(text, context.times))
        case _:
            return _read_plain(argument, text)


def _read_plain(argument: Argument, text: str) -> Any:
    """Return a value that needs no progress to be understood."""
    match argument.type:
        case "count" | "event":
            return _whole(argument.key, text)
        case "number":
            return _number(argument.key, text)
        case "level":
            return _level(argument.key, text)
        case "span":
            return _span(text)
        case "choice":
            return _choice(argument, text)
        case "flag":
            return _flag(argument.key, text)
        case "object" | "answers":
            return _object(argument.key, text)
        case _:
            return text


def _read_crews(progress: Progress, text: str) -> list[str]:
    if text.startswith("["):
        named = _object("crew", text)
    elif text.lower() in ALL:
        return list(progress.plan.outside)
    elif text.isascii() and text.isdigit() and crew_or_none(progress, text) is None:
        named = list(text)  # Digits of the crew's places, typed without blanks.
    else:
        named = text.split(",")
    if not isinstance(named, list) or not named:
        raise EventError(f"crew: {text!r} is no list; write EV1,EV2")
    return [find_crew(progress, str(one).strip()) for one in named]


def _whole(key: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise EventError(f"{key}: {text!r} is not a whole number, as 3")
    return int(text)


def _number(key: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e12 or "_" in text:
        raise EventError(f"{key}: {text!r} is not a number, as 0.52")
    return number


def _level(key: str, text: str) -> float | int | str:
    """Read the value of a limit: a PET, an instant, or the number of a reserve or a reading."""
    if is_time(text) and not is_ago(text):
        try:
            return parse_pet(text) if "T" not in text.upper() else format_instant(parse_instant(text))
        except ValueError as error:
            raise EventError(f"{key}: {error}") from error
    return _number(key, text)


def _span(text: str) -> Any:
    if text.startswith("{"):
        return _object("time", text)
    try:
        parse_pet(text)
    except ValueError as error:
        raise EventError(f"time: {error}") from error
    return text


def _choice(argument: Argument, text: str) -> str:
    if text.lower() not in argument.choices:
        choices = " or ".join(argument.choices)
        raise EventError(f"{argument.key}: {text!r} is not {choices}{meant(text.lower(), argument.choices)}")
    return text.lower()


def _flag(key: str, text: str) -> bool:
    if text.lower() not in ("true", "false"):
        raise EventError(f"{key}: {text!r} is neither true nor false")
    return text.lower() == "true"


def _object(key: str, text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise EventError(f"{key}: {plain(text, most=40)!r} is not JSON: {error}") from error
