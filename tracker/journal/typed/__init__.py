"""What a person types at a desk, or behind `tracker record JOURNAL`, read as events.

An entry is a word of the table of kinds and what it takes, in its order or as KEY=VALUE; or a crew member's
digit and what they did: `1`, `1 -3`, `1 3 of 4`, `1 >mate -3`, `1 hold glove check`. A key and a blank are
its word, and short forms are understood everywhere: `t 1 15`, `k a`, `- 1 3`. Several, parted by `;`, may
also be supposed: events beside those on record, never written.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant, format_pet_s, instant_of
from tracker.journal.kinds import BY_KEY, BY_NAME, BY_WORD, UNTIMED, VOICE, partner_of
from tracker.journal.progress import Progress
from tracker.journal.typed import lines, short
from tracker.journal.typed.fill import COMMON, EntryContext, Event, fill
from tracker.journal.typed.lines import begins_reading, expand_added, readings
from tracker.journal.typed.match import crew_or_none, current_step, find_word
from tracker.journal.typed.tokens import Entry, TimeReference, is_time, read_instant, read_pet


def parse_entry(
    text: str, progress: Progress, *, now: float | None, utc_now: datetime, seat: str | None = None
) -> list[Event]:
    """Return the events that a typed line means, to be recorded together; EventError says what is wrong.

    `now` is the PET on the clock, None where the journal is not live; `seat` says whose events `undo` takes.
    """
    return _parse(Entry.of_line(text), _context(progress, now, utc_now, seat))


def parse_words(
    words: Sequence[str],
    progress: Progress,
    *,
    now: float | None,
    utc_now: datetime,
    seat: str | None = None,
    at: str | None = None,
) -> list[Event]:
    """Return the events that words split by a shell mean, as `parse_entry` does.

    `at` is a typed time for all of them that name none.
    """
    context = _context(progress, now, utc_now, seat)
    events = _parse(Entry.of_words(words), context)
    return events if at is None else [_at(event, at, context) for event in events]


def tick(progress: Progress, crew: str, at: int | None = None) -> Event:
    """Return the event that ticks a crew member's current step off.

    Raises EventError when there is none, or when somebody else of a joint step is not there yet.
    """
    step = current_step(progress, crew)
    missing = progress.missing(step)
    if missing:
        raise EventError(lines.absent(progress, step, missing))
    return {"kind": "done", "step": step} | ({} if at is None else {"at": at})


def _at(event: Event, text: str, context: EntryContext) -> Event:
    """Return the event at a typed time."""
    key = "utc" if event["kind"] == "zero" else "at"
    if key in event:
        raise EventError(f"{event['kind']}: its time is given twice")
    if key == "utc":
        return event | {"utc": format_instant(read_instant(text, context.times))}
    return event | {"at": read_pet(text, context.times)}


def _context(progress: Progress, now: float | None, utc_now: datetime, seat: str | None) -> EntryContext:
    live = now is not None or progress.zero is None
    reference = utc_now if live or progress.zero is None else instant_of(progress.at, progress.zero)
    return EntryContext(progress, TimeReference(progress.zero, now, reference), seat)


def _parse(entry: Entry, context: EntryContext) -> list[Event]:
    if not entry:
        raise EventError("nothing was typed; a crew member's digit ticks, `note TEXT` keeps a note")
    if entry.head == "-":
        late, at = short.late(entry, context.progress, context.times)
        return [tick(context.progress, late, at) | _when_and_where(entry, context.of(late))]
    if entry.head == "+" and len(entry.tokens) > 1:
        entry.tokens[:2] = reversed(entry.tokens[:2])
    short.spelled_out(entry, context.progress)
    first = entry.head
    if first.lower() == lines.REVISE and len(entry.tokens) > 1:
        found = lines.revised(entry, context.progress)
        both = _when_and_where(entry, context)
        return [event | both for event in found]
    if first.lower() in BY_WORD:
        entry.take()
        return _by_word(first, entry, context)
    crew = crew_or_none(context.progress, first)
    if crew is not None and crew != "*":
        entry.take()
        return _by_crew(crew, entry, context)
    if begins_reading(context.progress, entry):
        return readings(entry, context)
    pieces = {one.id for one in context.progress.plan.hardware}
    find_word(first, [token.text for token in entry.tokens if token.text in pieces])
    raise AssertionError("a word that begins no entry was found")


def _by_word(text: str, entry: Entry, context: EntryContext) -> list[Event]:
    kind = BY_WORD[text.lower()]
    if kind.name == "reading":
        return readings(entry, context)
    if kind.name == "checked":
        return lines.checked(entry, context)
    if text.lower() == "undo" and not any(token.text.isdigit() or token.keyed for token in entry.tokens):
        _nothing_more(entry)
        return lines.undo(context)
    if text.lower() == VOICE:
        return lines.voice(entry, context)
    if kind.name == "added":
        expand_added(entry, context)
    said: Event = dict([kind.means[text.lower()]]) if text.lower() in kind.means else {}
    if kind.name == "called" and not said:
        said |= short.call(entry, context.progress)
    if kind.name == "raised":
        said |= lines.addressee(entry)
        said |= lines.reminded(entry, context) if said.get("what") == "reminder" else {}
    if kind.name == "settled":
        said |= lines.only_open(entry, context.progress)
    event = fill(kind, entry, context, said)
    if kind.name == "raised":
        event |= lines.subject(event, context.progress)
    does = partner_of(event)
    return [*lines.each(kind, event), *([does] if does is not None else ())]


def _by_crew(crew: str, entry: Entry, context: EntryContext) -> list[Event]:
    """Read what follows a crew member's digit."""
    mine = context.of(crew)
    head = entry.head
    if not entry or is_time(head) or (entry.tokens[0].keyed or ("",))[0] in ("at", "seat", "by"):
        return [tick(context.progress, crew) | _when_and_where(entry, mine)]
    if head.startswith(">"):
        return lines.sweep(crew, entry, mine)
    counted = lines.counted(crew, entry, context.progress)
    if counted is not None:
        return [counted | _when_and_where(entry, mine)]
    if head.lower() in BY_WORD:
        entry.take()
        if BY_WORD[head.lower()].name == "done" and (not entry or is_time(entry.head)):
            return _by_crew(crew, entry, context)
        return _by_word(head, entry, mine)
    raise EventError(
        f"{crew} {plain(head)}: after a crew member comes a time, `>STEP`, `3 of 4` or a word as `hold`"
    )


def _when_and_where(entry: Entry, context: EntryContext) -> Event:
    """Read the time and the seat that may end a short entry."""
    event: Event = {}
    if entry and is_time(entry.head):
        event["at"] = read_pet(entry.take(), context.times)
    while entry and entry.tokens[0].keyed is not None:
        key, value = entry.take_keyed(COMMON)
        if key not in COMMON:
            raise EventError(f"{key}: only at, seat, by and text can follow here")
        event[key] = read_pet(value, context.times) if key == "at" else value
    _nothing_more(entry)
    return event


def _nothing_more(entry: Entry) -> None:
    if entry:
        raise EventError(f"what is {plain(entry.take_rest())!r} for? a time is -3, 2:14 or 14:22Z")


def with_supposed(text: str, shown: Progress, now: float, utc: datetime) -> tuple[Progress, list[Event]]:
    """Return the progress with what a line supposes, and its events; EventError says why it cannot be.

    Nothing that is supposed may lie beyond PET `now`, for which the estimate is made.
    """
    events = supposed_events(text, shown, now, utc)
    supposed = shown.suppose(*events)
    if shown.zero is not None and supposed.at > max(now, shown.at) + 1:
        at, latest = (format_pet_s(one) for one in (supposed.at, now))
        raise EventError(f"{at} is not yet; what is supposed happens by {latest}")
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
    found: list[tuple[Event, Event]] = []
    for part in parted(text):
        so_far = progress.suppose(*(event for _, event in found)) if found else progress
        part = part if crew_or_none(progress, part) is not None else BY_KEY.get(part, part)
        # Nobody is called by it yet, so a recall need not be said twice.
        part = f"{part} home" if part in BY_NAME["called"].words else part
        for event in parse_entry(part, so_far, now=now, utc_now=utc):
            state = so_far.steps.get(str(event.get("step")))
            if state is not None and state.ended is not None:
                raise EventError(f"{event['step']} has ended, {state.ended}: nothing can be supposed of it")
            timed = progress.zero is not None and event.get("kind") not in UNTIMED
            at = {"at": int(max(now, so_far.at))} if timed else {}
            found.append((dict(event), {**at, **event}))
    return found


def naming_steps(text: str, progress: Progress, now: float, utc: datetime) -> str:
    """Return a line with its steps by their ids, also where a digit stood for what somebody is at.

    What is supposed is of the step that was meant when it was typed, whatever the crew goes on to, and of the
    instant where one was typed. A line that says something else by it stays as it is.
    """
    named: list[str] = []
    for part in parted(text):
        so_far = progress.suppose(*supposed_events("; ".join(named), progress, now, utc))
        events = supposed_events(part, so_far, now, utc)
        said = _naming(part, [typed for typed, _ in _each(part, so_far, now, utc)])
        named.append(next((one for one in said if _means(one, so_far, now, utc) == events), part))
    return "; ".join(named)


def _naming(part: str, events: Sequence[Event]) -> Iterator[str]:
    """Yield ways to say an entry in which every step goes by its id, the nearest to what was typed first."""
    words, steps = part.split(), [str(event["step"]) for event in events if "step" in event]
    if set(steps).issubset(words) and all(event["kind"] != "withdrawn" for event in events):
        return
    if ">" in part:
        yield f"{words[0]} >{steps[-1]} {_keyed(events[-1])}".strip()
    if events[0]["kind"] != "done":
        if len(words) > 1 and words[1].lower() in BY_WORD:
            yield " ".join([words[1], *steps[:1], *words[2:]])
        for place in range(len(words)):
            yield from (" ".join([*words[:place], one, *words[place + 1 :]]) for one in dict.fromkeys(steps))
    yield "; ".join(_spelled(event) for event in events)


def _spelled(event: Event) -> str:
    """Return an event as its word, what it is about, and the rest by their keys."""
    about = event.get("step", event.get("event", ""))
    return f"{BY_NAME[event['kind']].words[0]} {about} {_keyed(event)}".strip()


def _keyed(event: Event) -> str:
    said = {key: event[key] for key in event if key not in ("kind", "step", "event")}
    said |= {"at": format_pet_s(said["at"])} if "at" in said else {}
    return " ".join(f"{key}={json.dumps(value) if key != 'at' else value}" for key, value in said.items())


def _means(text: str, progress: Progress, now: float, utc: datetime) -> list[Event] | None:
    try:
        return supposed_events(text, progress, now, utc)
    except EventError:
        return None


def parted(text: str) -> list[str]:
    """Return the entries of a line that are parted by `;`."""
    return [part.strip() for part in text.split(";") if part.strip()]
