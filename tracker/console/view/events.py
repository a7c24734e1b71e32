"""The events of the journal, latest first, each to be corrected or taken back."""

from __future__ import annotations

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, put, say
from tracker.console.view.words import pet_s
from tracker.journal.progress import Recorded
from tracker.journal.wording import event_words


def listed(scene: Scene) -> list[Recorded]:
    """Return every event, the latest number first."""
    return sorted(scene.progress.fold.recorded, key=lambda event: -event.number)


def events_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the events with number, PET, who wrote it and what it says; those taken back are marked."""
    events = listed(scene)
    force = {event.number for event in scene.progress.events}
    top = _top(scene, events, height)
    below = len(events) - top - (height - 1)
    hidden = ", ".join(f"{n} {where}" for n, where in ((top, "newer"), (below, "older")) if n > 0)
    hint = f"arrows choose   Enter corrects   Backspace takes back{f'   ({hidden})' if hidden else ''}"
    lines = [crop((put(" events", 9, "dim"), say(hint, "dim")), width)]
    for event in events[top : top + height - 1]:
        lines.append(_line(scene, event, event.number in force, width))
    if not events:
        lines.append(crop((say(" nothing is on record yet", "dim"),), width))
    return (lines + [blank(width)] * height)[:height]


def event_at(scene: Scene, height: int, line: int) -> str | None:
    """Return the number of the event that is written on a line of the list."""
    events = listed(scene)
    place = _top(scene, events, height) + line - 1
    return str(events[place].number) if line >= 1 and place < len(events) else None


def _top(scene: Scene, events: list[Recorded], height: int) -> int:
    """Return the first event to show; the chosen one is in the middle where it can be."""
    chosen = next((i for i, event in enumerate(events) if str(event.number) == scene.chosen), 0)
    return max(0, min(chosen - (height - 1) // 2, len(events) - (height - 1)))


def _line(scene: Scene, event: Recorded, force: bool, width: int) -> Line:
    seat = 24 if width >= 100 else 0
    line: Line = (
        put(event.number, 6, "dim", right=True),
        put(pet_s(event.at), 10, "" if event.stated else "dim", right=True),
        Span("  "),
        put("" if force or event.kind == "withdrawn" else "back", 6, "late"),
        put(
            event_words(scene.progress, event.kind, event.body),
            max(10, width - 24 - seat),
            "" if force else "dim",
        ),
        put(f" {event.seat}" if seat else "", seat, "dim"),
    )
    if scene.chosen == str(event.number):
        line = tuple(Span(span.text, "chosen") for span in line)
    return crop(line, width)
