"""What stands beside the list: the optional tasks, then in the rows that are left what else is asked most.

In this order: what runs down, the last events. A wide screen has two columns of it.
"""

from __future__ import annotations

from collections.abc import Sequence

from tracker.console.view.consumables import running_down
from tracker.console.view.optional import optional_lines
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, fit, put, say, tall
from tracker.console.view.words import pet
from tracker.journal.wording import event_words

TWO_FROM = 100
"""Columns from which on there are two columns."""
EVENTS = 12


def side(scene: Scene, width: int, height: int) -> list[Line]:
    """Return as many of the sections as there is room for, each as a whole; the first in any case."""
    if width >= TWO_FROM:
        left = width // 2
        first = _stack([optional_lines(scene, left)], left, height, scene)
        second = _stack(
            [running_down(scene, width - left - 2), last_events(scene, width - left - 2)],
            width - left - 2,
            height,
            scene,
        )
        return [crop((*a, Span("  "), *b), width) for a, b in zip(first, second, strict=True)]
    sections = [optional_lines(scene, width), running_down(scene, width), last_events(scene, width)]
    return _stack(sections, width, height, scene)


def _stack(sections: Sequence[list[Line]], width: int, height: int, scene: Scene) -> list[Line]:
    """Return sections one below the other; of the last one as many rows as there is room for."""
    lines = fit(sections[0], width, height, where=f": {scene.key('optional')}")[: len(sections[0])]
    for section in sections[1:]:
        room = height - len(lines)
        if section and len(section) <= room:
            lines += section
        elif section is sections[-1] and room >= 3:
            lines += section[:room]
    return tall(lines, width, height)


def last_events(scene: Scene, width: int) -> list[Line]:
    """Return the last events, the latest first, with their number and PET."""
    head = crop((put(" last events", width - 1, "dim"),), width)
    events = list(reversed(scene.progress.events))[:EVENTS]
    rows = [
        crop(
            (
                put(event.number, 5, "dim", right=True),
                put(pet(event.at), 6, "dim", right=True),
                Span("  "),
                say(event_words(scene.progress, event.kind, event.body)),
            ),
            width,
        )
        for event in events
    ]
    return [head, *rows] if rows else [head, blank(width)]
