"""What stands beside the list: the optional tasks, then in the rows that are left what else is asked most.

In this order: what each choice comes to, what runs down, questions and answers, the last events. A wide
screen has two columns. The page of the optional tasks has the choices too, and why it is advised.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tracker.console.view.consumables import running_down
from tracker.console.view.head import same_choice
from tracker.console.view.lead_2_choices import named
from tracker.console.view.optional import optional_lines, why_lines
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Ink, Line, Span, blank, block, crop, fit, put, say, tall
from tracker.console.view.words import pet, spare_cell
from tracker.forecast.values import Choice
from tracker.forecast.wording import need_of
from tracker.foundation.shown import pet_down, pet_up
from tracker.foundation.text import percent
from tracker.journal.wording import event_words

TWO_FROM = 100
"""Columns from which on there are two columns."""
EVENTS, QUESTIONS = 30, 4


MOST_WIDE = 120
"""Columns of the page; further apart, a name and its figures are no longer read together."""


def side(scene: Scene, width: int, height: int) -> list[Line]:
    """Return as many of the sections as there is room for, each as a whole; the first in any case."""
    if width < TWO_FROM:
        sections = [optional_lines(scene, width), choices_beside(scene, width)]
        sections += [running_down(scene, width), answers(scene, width), last_events(scene, width)]
        return _stack(sections, width, height, scene)
    one, two = width // 2, width - width // 2 - 2
    left = _stack([optional_lines(scene, one), choices_beside(scene, one)], one, height, scene)
    rest = [running_down(scene, two), answers(scene, two), last_events(scene, two)]
    right = _stack(rest, two, height, scene)
    return [crop((*a, Span("  "), *b), width) for a, b in zip(left, right, strict=True)]


def optional_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return what is advised, and with room in the same view what each choice comes to, and why."""
    return fit(optional_page(scene, width), width, height, where=f": {scene.key('optional')}")


def optional_page(scene: Scene, width: int) -> list[Line]:
    """Return all rows of what is advised, what each choice comes to, and why it is advised."""
    near = min(width, MOST_WIDE)
    lines = optional_lines(scene, near)
    for section in (choices_beside(scene, near), why_lines(scene, near)):
        lines += [blank(near), *section] if section else []
    return [crop(line, width) for line in lines]


def answers(scene: Scene, width: int) -> list[Line]:
    """Return the questions, the latest first, and what was answered; none where nothing was asked."""
    asked = [one for one in reversed(scene.progress.raised) if one.what == "question"][:QUESTIONS]
    lines = [crop((say(" questions and answers", "dim"),), width)] if asked else []
    for one in asked:
        words = f"at {pet_down(one.at)} {one.text} -> {one.settled.text if one.settled else 'no answer'}"
        lines += block(words, width, "" if one.settled else "strong", most=2, indent=2)
    return lines


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
    head = crop(
        (put("no.", 5, "dim", right=True), put("at", 6, "dim", right=True), say("  last events", "dim")),
        width,
    )
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
    return [head, *rows] if rows else []


_CHANCE, _SPARE, _KEYS = 7, 13, 6


def choices_beside(scene: Scene, width: int) -> list[Line]:
    """Return what each choice comes to, and with room the keys that choose it; none that come to the same."""
    estimate = scene.estimate
    if estimate is None or not estimate.choices:
        return []
    keys = _KEYS if width >= 50 else 0
    room = width - 7 - _CHANCE - _SPARE - keys
    head = (
        put(f" choices at {pet_down(estimate.choices[0].at)}", room, "dim"),
        *(put(words, cells, "dim", right=True) for words, cells in _COLUMNS),
        put("  keys" if keys else "", keys, "dim"),
    )
    need = need_of(estimate)[2]
    lines = [crop(head, width)]
    for choice in _different(estimate.choices):
        mark = "* " if choice.id == "as-advised" else "  "
        ink: Ink = "strong" if choice.id == "as-advised" else ""
        line = (
            put(f" {mark}{named(scene, choice)}", room, ink),
            put(pet_up(choice.inside.p50), 7, right=True),
            put(percent(choice.safe, need), _CHANCE, right=True),
            put(spare_cell(choice.to_spare), _SPARE, right=True),
            put(f"  {keys_of(scene, choice)}" if keys else "", keys, "key"),
        )
        lines.append(crop(line, width))
    return lines


_COLUMNS = (("inside", 7), ("chance", _CHANCE), ("to spare", _SPARE))


def _different(choices: Sequence[Choice]) -> Iterator[Choice]:
    """Yield the choices that come to something else than one before them; as advised in any case."""
    seen: list[Choice] = []
    for choice in choices:
        if choice.id == "as-advised" or not any(same_choice(choice, other) for other in seen):
            yield choice
        seen.append(choice)


def keys_of(scene: Scene, choice: Choice) -> str:
    """Return the keys that choose: `k c`, `d a`, `c c`; empty where there are none."""
    deed, _, task = choice.id.partition(":")
    letter = scene.snapshot.letters.get(task, "")
    if deed in ("keep", "drop") and letter:
        return f"{scene.key(deed)} {letter}"
    return f"{scene.key('recall')} {scene.key('recall')}" if deed == "call-home" else ""
