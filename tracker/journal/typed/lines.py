"""Entries that are more than a word and its keys: sweeps, counts, undo, rounds of readings, added work."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_exact, parse_pet
from tracker.journal.kinds import BY_NAME, NOT_OK, EventKind
from tracker.journal.progress import Progress
from tracker.journal.typed.fill import COMMON, EntryContext, Event, fill, take_text
from tracker.journal.typed.match import check_there, crew_or_none, current_step, find_crew, find_id, find_step
from tracker.journal.typed.short import from_now, minutes, span_of
from tracker.journal.typed.tokens import Entry, Token, is_ago, is_time, read_pet
from tracker.plan.model import Consumable


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
    if state.step.count <= 1:
        raise EventError(f"{step} has no items to count; a digit alone ticks it, as in `1`")
    if of is not None and of != str(state.step.count):
        raise EventError(f"{step} has {state.step.count} items, not {of}")
    count = int(number or 1) + (state.counted if plus else 0)
    return {"kind": "counted", "step": step, "count": count}


def sweep(crew: str, entry: Entry, context: EntryContext) -> list[Event]:
    """Take `>STEP` and perhaps a time: every step of a crew member up to and including the one that fits."""
    first = entry.tokens.pop(0)
    words = [first.text[1:]] if first.text[1:] else []
    while entry and not is_time(entry.head) and entry.tokens[0].keyed is None:
        words.append(entry.take())
    at: Event = {}
    if entry:
        text = entry.take()
        at["at"] = read_pet(text.removeprefix("at="), context.times)
    if entry or not words:
        raise EventError("as in `1 >mate -3`: a step after `>`, then perhaps a time")
    ahead = context.progress.order.get(crew, ())
    last = find_step(context.progress, " ".join(words), among=ahead)
    events = [{"kind": "done", "step": step} | at for step in ahead[: ahead.index(last) + 1]]
    _all_there(context.progress, events)
    return events


def _all_there(progress: Progress, events: list[Event]) -> None:
    """Raise EventError when a joint step in a sweep would be ticked while one of its crew is elsewhere."""
    for event in events:
        missing = progress.missing(event["step"]) if len(progress.steps[event["step"]].crew) > 1 else ()
        if missing:
            raise EventError(absent(progress, event["step"], missing))
        progress = progress.suppose(event)


REVISE = "revise"
"""The word before the path of a plan that was revised meanwhile."""


def revised(entry: Entry, progress: Progress) -> list[Event]:
    """Take `revise` and a plan's path: the events that turn what is left into that plan.

    Raises EventError with the first of what the plan's file or the revision has against it.
    """
    from pathlib import Path

    from tracker.foundation.errors import PlanError
    from tracker.journal.plan_revision import revision
    from tracker.plan.read import read_plan

    entry.take()
    path = entry.take_rest()
    try:
        found = revision(progress, read_plan(Path(path).expanduser()))
    except (PlanError, RuntimeError) as error:
        lines = error.lines if isinstance(error, PlanError) else (f"{path}: {error}",)
        raise EventError(*lines) from error
    if found.refused:
        raise EventError(*found.refused)
    if not found.events:
        raise EventError("what is left is as that plan says; there is nothing to revise")
    return found.events


def addressee(entry: Entry) -> Event:
    """Take `ground:` at the head of what is raised as whom it is for."""
    head = entry.tokens[0] if entry else None
    if head is None or len(entry.tokens) < 2 or not head.text[:-1].isidentifier():
        return {}
    return {"to": entry.take()[:-1]} if head.text.endswith(":") else {}


def reminded(entry: Entry, context: EntryContext) -> Event:
    """Take `EV2 2:40`, `10` or `2 10` at the head of a reminder: whose it is, and when it is due.

    A number by itself is minutes from now, also close to the text; before another one it is a crew member.
    The last word is text.
    """
    close = _CLOSE.fullmatch(entry.head)
    if close is not None and not entry.tokens[0].quoted:
        first = entry.tokens[0]
        parts = Token(close[1], first.start), Token(close[2], first.start + len(close[1]))
        entry.tokens[:1] = parts
    words = [token.text for token in entry.tokens[:3]]
    owner = crew_or_none(context.progress, words[0]) if len(words) > 1 else None
    named: Event = {}
    if owner is not None and (not words[0].isdigit() or (len(words) > 2 and _ahead(words[1]))):
        named["owner"] = owner
        entry.take()
    if len(entry.tokens) > 1 and _ahead(entry.head):
        text = entry.take()
        found = minutes(text)
        named["due"] = read_pet(text, context.times) if found is None else from_now(found, context.times)
        if found is not None and entry.head.lower() in ("min", "minutes") and len(entry.tokens) > 1:
            entry.take()
    return named


def only_open(entry: Entry, progress: Progress) -> Event:
    """Return the number of what is settled where one thing alone is open and no number is typed."""
    numbers = [one.number for one in progress.raised if one.settled is None]
    named = entry.head.isdigit() or (bool(entry) and (entry.tokens[0].keyed or ("",))[0] == "event")
    if not numbers and not named:
        raise EventError("nothing is open that could be answered or settled; `question TEXT` asks")
    return {"event": numbers[0]} if len(numbers) == 1 and not named else {}


_CLOSE = re.compile(r"(\d{1,3})(?!st\b|nd\b|rd\b|th\b)([^\W\d_].*)")
"""Minutes with the text close behind them, as they are typed fast; `3rd` is a word."""


def _ahead(text: str) -> bool:
    """Whether a word is minutes from now, or an instant that is not counted back from now."""
    return minutes(text) is not None or (is_time(text) and not is_ago(text))


def subject(event: Event, progress: Progress) -> Event:
    """Return what something is about where its words name one task or step, and nothing else was said."""
    words = {word.strip(".,:;?!'\"") for word in str(event.get("text", "")).split()}
    named = [id for id in (*progress.tasks, *progress.steps) if id in words]
    return {"about": named[0]} if "about" not in event and len(named) == 1 else {}


def each(kind: EventKind, event: Event) -> list[Event]:
    """Return an event for each crew member named, where a kind is about one at a time."""
    named = next((one.key for one in kind.arguments if one.type == "each"), "")
    members = event.get(named)
    if not isinstance(members, list):
        return [event]
    return [{**event, named: member} for member in members]


def voice(entry: Entry, context: EntryContext) -> list[Event]:
    """Take `voice 2`: voice is lost with a crew member, or back where it was lost."""
    found = fill(BY_NAME["silent"], entry, context)
    lost = context.progress.silent
    back = [crew for crew in found["crew"] if crew in lost]
    gone = [crew for crew in found["crew"] if crew not in lost]
    kinds = (("silent", gone), ("heard", back))
    return [{**found, "kind": kind, "crew": crew} for kind, crew in kinds if crew]


def undo(context: EntryContext) -> list[Event]:
    """Return what takes back the seat's latest entry in force: an event, or all recorded together."""
    taken = context.progress.fold.undo(context.seat)
    if not taken:
        raise EventError("there is nothing of this seat to undo")
    return [{"kind": "withdrawn", "event": event.number} for event in taken]


_ACCOUNT = re.compile(r"([A-Za-z*][\w-]*)\.([A-Za-z][\w-]*)(?:=(.+))?")


def begins_reading(progress: Progress, entry: Entry) -> bool:
    """Whether an entry without a verb is a round of readings: `EV1.oxygen=0.52`, `oxygen 0.52 0.49`."""
    found = _ACCOUNT.fullmatch(entry.head)
    if found is not None:
        return found.group(2) in progress.plan.consumable
    return entry.head in progress.plan.consumable


def readings(entry: Entry, context: EntryContext) -> list[Event]:
    """Take a round of readings, of one consumable for its crew in their order, or each by name."""
    check_there("consumable", context.progress)
    values, common = list(_reading_values(entry, context)), _common(entry, context)
    if not values:
        raise EventError("reading: as in `reading oxygen 0.52 0.49`, or `reading EV1.oxygen=0.52`")
    return [
        {"kind": "reading", "crew": crew, "consumable": consumable, "value": value} | common
        for crew, consumable, value in values
    ]


def _reading_values(entry: Entry, context: EntryContext) -> Iterator[tuple[str, str, float]]:
    plan, crew = context.progress.plan, context.crew
    by_key: dict[str, str] = {}
    while entry and not is_time(entry.head) and not _is_common(entry.tokens[0]):
        keyed, account = entry.tokens[0].keyed, _ACCOUNT.fullmatch(entry.head)
        named = crew_or_none(context.progress, entry.head)
        if keyed is not None and keyed[0] in ("crew", "consumable", "value"):
            by_key[keyed[0]] = keyed[1]
            entry.take()
        elif account is not None:
            entry.take()
            consumable = plan.consumable[find_id(plan.consumable, account.group(2), "consumable")]
            value = entry.take() if account.group(3) is None else account.group(3)
            yield find_crew(context.progress, account.group(1)), consumable.id, _value(consumable, value)
        elif named is not None:
            crew = named
            entry.take()
        else:
            consumable = plan.consumable[find_id(plan.consumable, entry.take(), "consumable")]
            yield from _round(consumable, entry, crew)
    if by_key:
        yield _by_key(by_key, context)


def _by_key(keys: dict[str, str], context: EntryContext) -> tuple[str, str, float]:
    plan = context.progress.plan
    missing = [key for key in ("crew", "consumable", "value") if key not in keys]
    if missing:
        wanted = {"crew": "whose", "consumable": "which store", "value": "how much"}
        asks = " and ".join(wanted[key] for key in missing)
        raise EventError(f"reading: {asks}? as in `reading EV1.oxygen=0.52`")
    consumable = plan.consumable[find_id(plan.consumable, keys["consumable"], "consumable")]
    return find_crew(context.progress, keys["crew"]), consumable.id, _value(consumable, keys["value"])


def _round(consumable: Consumable, entry: Entry, crew: str | None) -> Iterator[tuple[str, str, float]]:
    """Take one value for the crew member named, or one for everybody; `_` leaves somebody out."""
    owners = consumable.owners if consumable.shared or crew is None else (crew,)
    given: list[str] = []
    while entry and len(given) < len(owners) and (entry.head == "_" or _looks_like_value(entry.head)):
        given.append(entry.take())
    if len(given) < len(owners):
        wanted = " ".join(owners)
        raise EventError(f"reading {consumable.id}: a value for each of {wanted}, or `_`; {len(given)} given")
    for owner, text in zip(owners, given, strict=True):
        if text != "_":
            yield owner, consumable.id, _value(consumable, text)


def _looks_like_value(text: str) -> bool:
    return re.match(r"[-+]?[\d.]", text) is not None and not is_time(text)


def _value(consumable: Consumable, text: str) -> float:
    number = text.removesuffix(consumable.unit).strip() if consumable.unit else text
    try:
        value = float(number)
    except ValueError as error:
        raise EventError(f"reading {consumable.id}: {plain(text)!r} is not a number, as 0.52") from error
    if not abs(value) < 1e12:
        raise EventError(f"reading {consumable.id}: {plain(text)!r} is not a number, as 0.52")
    return value


def _is_common(token: Token) -> bool:
    return token.keyed is not None and token.keyed[0] in COMMON


def _common(entry: Entry, context: EntryContext) -> Event:
    """Take the time, seat and text that all events of an entry share."""
    event: Event = {}
    while entry:
        if is_time(entry.head) and "at" not in event:
            event["at"] = read_pet(entry.take(), context.times)
        elif _is_common(entry.tokens[0]):
            key, value = entry.take_keyed(COMMON)
            event[key] = read_pet(value, context.times) if key == "at" else value
        else:
            raise EventError(f"what is {plain(entry.take_rest())!r} for?")
    return event


_OK = ("o", "ok")
_NO = ("n", "no", "not")
_ANSWER = re.compile(r"[-+]?\.?\d.*")


def checked(entry: Entry, context: EntryContext) -> list[Event]:
    """Take `check status 1 ok .52 no left glove torn, ok`: a round's answers of one person, as it asks.

    A round may be left out where the plan has one. For each answer that is not ok comes a deviation, so that
    both go on record together.
    """
    check_there("round", context.progress)
    event: Event = {"kind": "checked"}
    if any((token.keyed or ("",))[0] == "answers" for token in entry.tokens):
        event = fill(BY_NAME["checked"], entry, context)
    rounds = {one.id: one for one in context.progress.plan.rounds}
    if "round" not in event:
        named = bool(entry) and crew_or_none(context.progress, entry.head) is None
        named = named and not _begins_answer(entry.head)
        event["round"] = find_id(rounds, entry.take(), "round") if named else next(iter(rounds))
    if "crew" not in event:
        event["crew"] = context.crew or find_crew(context.progress, entry.take())
        event["answers"] = _answers(entry, rounds[event["round"]].ask, context)
        event |= _common(entry, context)
    shared = {key: event[key] for key in ("at", "seat", "by") if key in event}
    wrong = [(item, said) for item, said in event["answers"].items() if str(said).startswith(NOT_OK)]
    return [event, *({**deviation(event["crew"], item, str(said)), **shared} for item, said in wrong)]


def deviation(crew: str, item: str, said: str) -> Event:
    """Return what is raised of an answer that is not ok."""
    return {"kind": "raised", "what": "deviation", "about": crew, "text": f"{crew} {item} {said}"}


def _answers(entry: Entry, asked: Sequence[str], context: EntryContext) -> Event:
    """Return an answer for each thing asked, in order; commas part them where one is more than a word."""
    parts: list[str] = []
    commas = any(token.text.endswith(",") for token in entry.tokens)
    while entry and not _is_common(entry.tokens[0]) and not (is_time(entry.head) and len(entry.tokens) == 1):
        # From a shell every word comes as if it had been quoted.
        quoted, text = entry.tokens[0].quoted and " " in entry.head, entry.take()
        begins = _begins_answer(text) and not (parts and text.lower() == "ok" and parts[-1] == "not")
        ended = not parts or (parts[-1].endswith(",") if commas else begins or quoted)
        parts = [*parts, text] if ended else [*parts[:-1], f"{parts[-1]} {text}"]
    if len(parts) != len(asked):
        raise EventError(
            f"check: answers to {', '.join(asked)}: ok, no and why, or a number; {len(parts)} given"
        )
    return {
        item: _answer(item, one.removesuffix(","), context) for item, one in zip(asked, parts, strict=True)
    }


def _begins_answer(text: str) -> bool:
    word = text.lower().partition(":")[0]
    return word in _OK or word in _NO or _ANSWER.fullmatch(word) is not None


def _answer(item: str, text: str, context: EntryContext) -> str | float:
    """Return one answer as it goes on record."""
    store = context.progress.plan.consumable.get(item)
    found = re.fullmatch(r"(?:not ok|not|no|n)\b:?\s*(.*)", text, re.IGNORECASE | re.DOTALL)
    if text.lower() in _OK:
        return "ok"
    if found is not None:
        return f"{NOT_OK}: {found[1]}" if found[1] else NOT_OK
    if store is None:
        raise EventError(f"check: {item} is {plain(text, most=40)!r}; write ok, or no and why")
    return _value(store, text)


AS_IN = "as in `add EV1 0:10 Inspect the hinge`"

_PRIORITIES = ("must", "should", "get-ahead")


def expand_added(entry: Entry, context: EntryContext) -> None:
    """Turn `add EV1 0:10 before mast Inspect the hinge` into the task that it describes, in place."""
    if not entry or entry.head.startswith("{") or any(token.keyed is not None for token in entry.tokens):
        return
    crew_at = next((n for n, token in enumerate(entry.tokens) if _is_crew(token, context)), None)
    priority = entry.head.lower() if crew_at == 1 else "must"
    if crew_at is None or crew_at > 1 or len(entry.tokens) < crew_at + 3 or priority not in _PRIORITIES:
        raise EventError(f"add: who, how long, and what is to be done, {AS_IN}")
    del entry.tokens[:crew_at]
    crew = [find_crew(context.progress, one) for one in entry.take().split(",")]
    time = span_of(entry.take())
    try:
        parse_pet(time)
    except ValueError as error:
        raise EventError(f"add: {error}, {AS_IN}") from error
    place = _place(entry)
    said: Event = {}
    if entry:
        take_text(entry, context, said)
    title = said.get("text", "")
    place += [f"at={format_exact(said['at'])}"] if "at" in said else []
    if not title:
        raise EventError(f"add: what is to be done? {AS_IN}")
    step = {"do": title, "crew": crew, "time": time}
    task = {"title": title, "priority": priority, "steps": [step]}
    again = Entry.of_words([*place, "task=" + json.dumps(task, ensure_ascii=False)])
    entry.text, entry.tokens = again.text, again.tokens


def _place(entry: Entry) -> list[str]:
    if entry.head.lower() == "last":
        return [entry.take()]
    if entry.head.lower() == "before" and len(entry.tokens) > 1:
        return [entry.take(), entry.take()]
    if is_time(entry.head):
        return [entry.take(), *_place(entry)]
    return []


def _is_crew(token: Token, context: EntryContext) -> bool:
    return all(crew_or_none(context.progress, one) for one in token.text.split(","))
