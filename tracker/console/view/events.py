"""The events of the journal, latest first, to be corrected or taken back; and what was said, to be entered.

What was said is what the desk itself has: words of a rehearsal's crew, notes, what was raised or settled.
"""

from __future__ import annotations

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, put, say
from tracker.console.view.words import pet_s
from tracker.journal.progress import Recorded
from tracker.journal.wording import clock_mark, heard_words, said

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
        lines.append(_line(scene, event, event.number in force, width))
    if not events:
        nothing = "said" if view == SAID else "on record"
        lines.append(crop((say(f" nothing is {nothing} yet", "dim"),), width))
    return (lines + [blank(width)] * height)[:height]


def said_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return what was said: the crew of a rehearsal, notes, what was raised and settled; the latest first."""
    return events_list(scene, width, height, SAID)


_HINTS = {
    EVENTS: "arrows choose   Enter corrects   Backspace takes back",
    SAID: "arrows choose   Enter enters it as of then",
}


def event_at(scene: Scene, height: int, line: int, view: str = EVENTS) -> str | None:
    """Return the number of the event that is written on a line of the list."""
    events = listed(scene, view)
    place = _top(scene, events, height) + line - 1
    return str(events[place].number) if line >= 1 and place < len(events) else None


def _top(scene: Scene, events: list[Recorded], height: int) -> int:
    """Return the first event to show; the chosen one is in the middle where it can be."""
    chosen = next((i for i, event in enumerate(events) if str(event.number) == scene.chosen), 0)
    return max(0, min(chosen - (height - 1) // 2, len(events) - (height - 1)))


def _line(scene: Scene, event: Recorded, force: bool, width: int) -> Line:
    seat = 24 if width >= 100 else 0
    behind = "clock" if clock_mark(scene.progress, event.number) else ""
    line: Line = (
        put(event.number, 6, "dim", right=True),
        put(pet_s(event.at), 10, "" if event.stated else "dim", right=True),
        Span("  "),
        put(behind if force or event.kind == "withdrawn" else "back", 6, "late"),
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
