"""The events of the journal, latest first, to be corrected or taken back; and what was said, to be entered.

What was said is what the desk itself has: words of a rehearsal's crew, notes, what was raised or settled.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, put, say
from tracker.console.view.words import pet_s
from tracker.journal.kinds import NOT_OK
from tracker.journal.progress import Progress, Recorded
from tracker.journal.rounds import checks
from tracker.journal.wording import clock_mark, heard_words, said, spoken, spoken_line
from tracker.plan.model import Round, store_words

EVENTS, SAID = "events", "said"
"""The lists, by the names of their views."""


def listed(scene: Scene, view: str = EVENTS) -> list[Recorded]:
    """Return the events of a list, the latest number first."""
    progress = scene.progress
    events = said(progress) if view == SAID else progress.fold.recorded
    return sorted(events, key=lambda event: -event.number)


def events_list(scene: Scene, width: int, height: int, view: str = EVENTS) -> list[Line]:
    """Return the events with number, PET, who wrote it and what it says; those taken back are marked."""
    events = listed(scene, view)
    force = {event.number for event in scene.progress.events}
    top = _top(scene, events, height)
    below = len(events) - top - (height - 1)
    hidden = ", ".join(f"{n} {where}" for n, where in ((top, "newer"), (below, "older")) if n > 0)
    hint = f"{_HINTS[view]}{f'   ({hidden})' if hidden else ''}"
    lines = [crop((put(f" {view}", 9, "dim"), say(hint, "dim")), width)]
    for event in events[top : top + height - 1]:
        told = _mark(scene, event, event.number in force, view)
        lines.append(_line(scene, event, event.number in force, width, told))
    if not events:
        nothing = "said" if view == SAID else "on record"
        lines.append(crop((say(f" nothing is {nothing} yet", "dim"),), width))
    return (lines + [blank(width)] * height)[:height]


def said_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return what was said: the crew of a rehearsal, notes, what was raised and settled; the latest first."""
    return events_list(scene, width, height, SAID)


_HINTS = {
    EVENTS: "arrows choose   Enter corrects   Backspace takes back",
    SAID: "arrows choose   Enter opens its line, else the next; Enter again writes",
}
LOOKS_BACK_S = 3600.0
"""What was reported longer ago is not asked for any more."""
_EARLIER_S = 600.0
"""By so much earlier than it was said a step may stand as done."""
_GO = "Ready for a go: "
"""How a crew's words begin where a step waits for a go."""


def event_at(scene: Scene, height: int, line: int, view: str = EVENTS) -> str | None:
    """Return the number of the event that is written on a line of the list."""
    events = listed(scene, view)
    place = _top(scene, events, height) + line - 1
    return str(events[place].number) if line >= 1 and place < len(events) else None


def to_enter(progress: Progress) -> list[Recorded]:
    """Return what the crew reported and nobody has entered yet, of the last hour, the oldest first."""
    return [event for event in _lately(said(progress)) if awaits(progress, event)]


def last_heard(progress: Progress, most: int) -> list[str]:
    """Return the last words on the loop, the newest last: also older ones that nobody has entered yet."""
    heard = _lately(spoken(progress))
    # The newest stands though it is on record: who has just ticked still sees what was said.
    told = [event for event in heard[:-1] if awaits(progress, event) is not False] + heard[-1:]
    return [spoken_line(progress, event) for event in told[-most:]]


def _lately(events: list[Recorded]) -> list[Recorded]:
    """Return those of the last hour up to the newest: a long day is not gone through for every frame."""
    return [event for event in events if event.at >= events[-1].at - LOOKS_BACK_S]


def awaits(progress: Progress, event: Recorded) -> bool | None:
    """Return whether what somebody of the crew reported is still to be entered; None of what is no report.

    Answers to a round are, until it is on record as answered; levels, until one of that store is on record
    that is as new; a step, until it has ended; items, until so many are counted; a go, until it is given;
    that they are inside, until they have entered.
    """
    who, text = event.seat, str(event.body.get("text", ""))
    if event.kind != "noted" or not (who in progress.plan.member or progress.rehearsal):
        return None
    if (order := _order(progress, text)) is not None:
        verb, crew, _ = order
        return any(_wants(progress, verb, member, event.at) for member in crew)
    if who not in progress.plan.member:
        return None
    if asked := _asked(progress, text):
        return not any(one.crew == who and one.at >= event.at for one in checks(progress, asked.id))
    if levels := list(_levels(progress, text)):
        known = {one.consumable for one in progress.readings if one.crew in (who, "*") and one.at >= event.at}
        return not known.issuperset(store for store, _ in levels)
    named = [state for state in progress.steps.values() if who in state.crew and state.step.do in text]
    if not named:
        return who not in progress.entered if re.search(r"\binside\b", text) else None
    if text.startswith(_GO):
        return not any(state.gone for state in named)
    if any(state.done is not None and state.done >= event.at - _EARLIER_S for state in named):
        return False
    ahead, counted = [state for state in named if state.ended is None], _items(text)
    return any(not counted or state.counted < int(counted[1]) for state in ahead)


def report_line(progress: Progress, event: Recorded) -> str:
    """Return what is typed to enter what somebody said, as of the instant at which it was said.

    What they answer to a round, what they read, that they are inside, how many items of a step they have
    done, or that it is done; that it waits for a go has no instant yet. Of anything else, and of what is on
    record, it is the instant alone, before which a deed is typed.
    """
    members, text = [member.id for member in progress.plan.crew], str(event.body.get("text", ""))
    at, who = pet_s(event.at), event.seat
    if not awaits(progress, event):
        return f" {at}"
    if (order := _order(progress, text)) is not None:
        verb, crew, words = order
        return " ".join(filter(None, (verb, *(_digit(members, one) for one in crew), words, at)))
    who = _digit(members, who)
    if asked := _asked(progress, text):
        return f"check {asked.id} {who} {_answers(asked, text)} {at}"
    if levels := " ".join(f"{id} {level}" for id, level in _levels(progress, text)):
        return f"reading {who} {levels} {at}"
    named = [id for id in progress.order.get(event.seat, ()) if progress.steps[id].step.do in text]
    if not named:
        return f"enter {who} {at}"
    if text.startswith(_GO):
        return f"go {named[0]}"
    counted = _items(text)
    if progress.current.get(event.seat) in named:
        return f"{who} {counted[1]} of {counted[2]} {at}" if counted else f"{who} {at}"
    # What is named is not what they are at, which a tick has not left yet: the step goes by its id.
    return f"count {named[0]} {counted[1]} {at}" if counted else f"done {named[0]} {at}"


def _asked(progress: Progress, text: str) -> Round | None:
    """Return the round to which words are the answers: they begin with its id and say all that it asks."""
    rounds = (one for one in progress.plan.rounds if text.startswith(f"{one.id}: "))
    return next((one for one in rounds if _answers(one, text)), None)


def _answers(asked: Round, text: str) -> str:
    """Return the answers to a round as they are typed, or nothing where words do not answer all it asks."""
    items = ", ".join(rf"{re.escape(item)} (.+?)" for item in asked.ask)
    found = re.fullmatch(rf"{re.escape(asked.id)}: {items}\.?", text, re.DOTALL)
    # Commas part the answers; one alone has its own, so that words behind a `no` begin no other answer.
    said = [answer.replace(",", "").replace(f"{NOT_OK}:", "no") for answer in found.groups()] if found else []
    return ", ".join(said) + ("," if len(said) == 1 else "")


def _digit(members: list[str], who: str) -> str:
    """Return the digit of a crew member; beyond the ninth the id."""
    return str(members.index(who) + 1) if members.index(who) < 9 else who


_ORDERS = {
    "hold": re.compile(r"Hold (?P<who>.+?): (?P<words>.+?)\.?$"),
    "resume": re.compile(r"(?P<who>.+?) may go on\.?$"),
    "silent": re.compile(r"(?P<who>.+?) does not answer\.?$"),
}
"""What the lead of a rehearsal says of others, by what is typed for it."""


def _order(progress: Progress, text: str) -> tuple[str, list[str], str] | None:
    """Return the verb, whom and the words of what the lead says of others; None of anything else."""
    for verb, form in _ORDERS.items():
        found = form.match(text)
        crew = str(found["who"]).split(" and ") if found else []
        if found and progress.plan.member.keys() >= set(crew):
            return verb, crew, found.groupdict().get("words") or ""
    return None


def _wants(progress: Progress, verb: str, member: str, at: float) -> bool:
    """Return whether what was said of somebody at an instant is still to be entered."""
    if verb == "resume":
        return member in progress.holds
    kind, since = ("held" if verb == "hold" else "silent"), at - _EARLIER_S
    told = [e.body.get("crew") for e in progress.events if e.kind == kind and e.at >= since]
    return not any(who is None or member == who or member in who for who in told)


def _levels(progress: Progress, text: str) -> Iterator[tuple[str, str]]:
    """Return the stores that were read aloud, each with its level as it was said."""
    for store in progress.plan.consumable:
        called = "|".join(map(re.escape, (store, store_words(store))))
        if level := re.search(rf"\b(?:{called}) ([\d.]*\d)", text):
            yield store, level[1]


def _items(text: str) -> re.Match[str] | None:
    return re.search(r"\b(\d+) of (\d+)\b", text)


def _top(scene: Scene, events: list[Recorded], height: int) -> int:
    """Return the first event to show; the chosen one is in the middle where it can be."""
    chosen = next((i for i, event in enumerate(events) if str(event.number) == scene.chosen), 0)
    return max(0, min(chosen - (height - 1) // 2, len(events) - (height - 1)))


def _mark(scene: Scene, event: Recorded, force: bool, view: str) -> str:
    """Return what is told of an event: that it was taken back, its clock, or whether a report is entered."""
    if not force and event.kind != "withdrawn":
        return "back"
    if view == SAID and (awaited := awaits(scene.progress, event)) is not None:
        return "enter" if awaited else "saved"
    return "clock" if clock_mark(scene.progress, event.number) else ""


def _line(scene: Scene, event: Recorded, force: bool, width: int, mark: str) -> Line:
    seat = 24 if width >= 100 else 0
    line: Line = (
        put(event.number, 6, "dim", right=True),
        put(pet_s(event.at), 10, "" if event.stated else "dim", right=True),
        Span("  "),
        put(mark, 6, "dim" if mark == "saved" else "late"),
        put(
            heard_words(scene.progress, event),
            max(10, width - 24 - seat),
            "" if force else "dim",
        ),
        put(f" {event.seat}" if seat else "", seat, "dim"),
    )
    if scene.chosen == str(event.number):
        line = tuple(Span(span.text, "chosen") for span in line)
    return crop(line, width)
