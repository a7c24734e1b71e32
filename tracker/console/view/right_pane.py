"""What stands beside the list: the optional tasks, then in the rows that are left what else is asked most.

In this order: what is open, what each choice comes to, what runs down, answers, the last events. A wide
screen has two columns. The page of the optional tasks has the choices too, and why it is advised.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tracker.console.view.consumables import running_down
from tracker.console.view.head import same_choice
from tracker.console.view.lead_2_choices import named
from tracker.console.view.scene import Scene
from tracker.console.view.steps import open_words
from tracker.console.view.styled_text import Ink, Line, Span, blank, block, crop, fit, put, say, tall
from tracker.console.view.words import clock_words, pet, spare_cell
from tracker.forecast.due import matters_until
from tracker.forecast.figures import Choice, Estimate, OptionalFigure
from tracker.forecast.wording import (
    chance_of,
    left_words,
    limit_words,
    mover_words,
    need_of,
    reason_words,
    verdict_words,
)
from tracker.foundation.shown import change, down, duration, pet_down, pet_up
from tracker.foundation.text import percent
from tracker.journal.matters import matter_words, outcome_words, unsettled
from tracker.journal.progress import Progress
from tracker.journal.wording import event_words

TWO_FROM = 100
"""Columns from which on there are two columns."""
EVENTS, ANSWERS, OPEN = 30, 4, 3


MOST_WIDE = 120
"""Columns of the page; further apart, a name and its figures are no longer read together."""


def side(scene: Scene, width: int, height: int) -> list[Line]:
    """Return as many of the sections as there is room for, each as a whole; the first in any case."""
    if width < TWO_FROM:
        sections = [optional_lines(scene, width), still_open(scene, width), choices_beside(scene, width)]
        sections += [running_down(scene, width), answers(scene, width), last_events(scene, width)]
        return _stack(sections, width, height, scene)
    one, two = width // 2, width - width // 2 - 2
    first = [optional_lines(scene, one), still_open(scene, one), choices_beside(scene, one)]
    left = _stack(first, one, height, scene)
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


def still_open(scene: Scene, width: int) -> list[Line]:
    """Return what is open and has no instant at which it comes due, a row each; none where nothing is."""
    progress, made = scene.progress, scene.estimate
    ordered = [
        one for one in unsettled(progress) if made is None or matters_until(progress, made, one) is None
    ]
    more = "" if len(ordered) <= OPEN else f", {OPEN} of {len(ordered)}"
    head = f" open{more}: {scene.key('answer')} and its number settles it"
    lines = [crop((say(head, "dim"),), width)] if ordered else []
    for one in ordered[:OPEN]:
        outcome = outcome_words(scene.progress, one, scene.now)
        room = max(20, width - len(outcome) - 4)
        words = matter_words(scene.progress, one, most=room)
        lines.append(crop((put(f"  {words}", room + 2, "strong"), say(f"  {outcome}", "dim")), width))
    return lines


def answers(scene: Scene, width: int) -> list[Line]:
    """Return what was answered last; none where no question was."""
    asked = (one for one in reversed(scene.progress.raised) if one.what == "question" and one.settled)
    latest = list(asked)[:ANSWERS]
    lines = [crop((say(" answers", "dim"),), width)] if latest else []
    for one in latest:
        words = f"{matter_words(scene.progress, one)}  {outcome_words(scene.progress, one, scene.now)}"
        lines += block(words, width, most=2, indent=2)
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
    if scene.snapshot.news.choices:
        return [crop((say(" choices: being worked out", "dim"),), width)]
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
            put(percent(chance_of(choice, estimate), need), _CHANCE, right=True),
            put(spare_cell(None if choice.first is None else choice.first.to_spare), _SPARE, right=True),
            put(f"  {keys_of(scene, choice)}" if keys else "", keys, "key"),
        )
        lines.append(crop(line, width))
    return [*lines, *block(_measured(estimate.choices), width, "dim", indent=2)]


def _measured(choices: Sequence[Choice]) -> str:
    """Return what the figures of choices are held against: the limit, where all have the same one."""
    limits = {choice.first.id for choice in choices if choice.first is not None}
    against = limit_words(next(iter(limits))) if len(limits) == 1 else "the limit that comes first"
    return f"to spare: from inside to {against}"


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


def optional_lines(scene: Scene, width: int) -> list[Line]:
    """Return a row per optional task, then what else bears on it: being called, clocks, open items."""
    lines = [_head(width)]
    if scene.estimate is None:
        return [*lines, crop((say(" the advice is being worked out", "dim"),), width)]
    lines += [_line(scene, figure, width) for figure in scene.estimate.optional]
    lines += _kept(scene, width)
    if len(lines) == 1:
        lines.append(crop((say(" nothing optional: nothing to decide", "dim"),), width))
    for words, ink in _after(scene, width):
        lines += block(words, width, ink, indent=2)
    return lines


def why_lines(scene: Scene, width: int) -> list[Line]:
    """Return the reason of every piece of advice."""
    figures = scene.estimate.optional if scene.estimate else ()
    reasons = [f"{f.task}{_titled(scene, f)}: {reason_words(f)}" for f in figures if f.reason]
    return [row for words in reasons for row in block(words, width, "dim", indent=2)]


def _titled(scene: Scene, figure: OptionalFigure) -> str:
    title = scene.progress.tasks[figure.task].task.title
    return f" ({title})" if title and title != figure.task else ""


_ADVICE, _START, _SHIFT = 9, 10, 10
_INKS: dict[str, Ink] = {"keep": "going", "decide": "strong", "drop": "dim"}


def _head(width: int) -> Line:
    spans = [put("   optional", _name_room(width), "dim"), put("advice", _ADVICE, "dim")]
    spans += [put("start by", _start_room(width), "dim"), put("INSIDE by", _SHIFT, "dim", right=True)]
    if width >= 72:
        spans.append(put("in time", 9, "dim", right=True))
    return crop(spans, width)


def _start_room(width: int) -> int:
    return 20 if width >= 46 else _START


def _name_room(width: int) -> int:
    return max(8, width - _ADVICE - _start_room(width) - _SHIFT - (9 if width >= 72 else 0) - 1)


def _line(scene: Scene, figure: OptionalFigure, width: int) -> Line:
    """Return a task's letter and name, the advice, by when it is started, and the shift of INSIDE with it."""
    state = scene.progress.tasks[figure.task]
    room = _name_room(width)
    name = f"{figure.task}  {state.task.title}" if width >= 72 and state.task.title else figure.task
    spans = [
        say(" "),
        put(scene.snapshot.letters.get(figure.task, ""), 2, "key"),
        put(name, room - 4),
        Span(" "),
        put(verdict_words(figure), _ADVICE, _INKS.get(verdict_words(figure), "")),
        put(_start(scene, figure, long=width >= 46), _start_room(width)),
        put(change(figure.cost), _SHIFT, "", right=True),
    ]
    if width >= 72:
        in_time = "-" if not figure.begun and figure.last_call is None else percent(figure.in_time)
        spans.append(put(in_time, 9, "", right=True))
    return crop(spans, width)


def _kept(scene: Scene, width: int) -> list[Line]:
    """Return a row per optional task that a person decided to keep: it stays listed, by its letter."""
    listed = {figure.task for figure in scene.estimate.optional} if scene.estimate else set()
    lines = []
    for task, letter in scene.snapshot.letters.items():
        state = scene.progress.tasks[task]
        if task in listed or not state.committed or state.status not in ("open", "begun"):
            continue
        room = _name_room(width)
        name = f"{task}  {state.task.title}" if width >= 72 and state.task.title else task
        spans = (
            say(" "),
            put(letter, 2, "key"),
            put(name, room - 4),
            Span(" "),
            put("kept", _ADVICE, "going"),
        )
        begun = "begun" if state.status == "begun" else ""
        lines.append(crop((*spans, put(begun, _start_room(width))), width))
    return lines


def _start(scene: Scene, figure: OptionalFigure, *, long: bool) -> str:
    """Return by when a task is started, under its head: `4:40`, with room `4:40, in 2 h 23`.

    Where no start keeps what is needed, the chance with it: `82 %, need 90 %`, `so far 82 %` while it is too
    early to say.
    """
    if figure.begun:
        return "begun"
    if figure.last_call is None:
        return _no_start(scene.estimate, figure, long=long)
    at, now = down(figure.last_call) or 0.0, scene.now
    rest = "passed" if at <= now else "at the end" if figure.advice == "later" else f"in {duration(at - now)}"
    return f"{pet(at)}, {rest}" if long or at <= now else pet(at)


def _no_start(estimate: Estimate | None, figure: OptionalFigure, *, long: bool) -> str:
    """Why there is no instant by which a task is to be started."""
    if estimate is not None and long:
        need = need_of(estimate)[2]
        for choice in estimate.choices or ():
            if choice.id == f"keep:{figure.task}" and verdict_words(figure) == "not yet":
                return f"so far {percent(chance_of(choice, estimate), need)}"
            if choice.id == f"keep:{figure.task}" and (chance := chance_of(choice, estimate)) < need:
                return f"{percent(chance, need)}, need {percent(need)}"
    return "cannot fit" if verdict_words(figure) == "drop" else "-"


def _after(scene: Scene, width: int) -> list[tuple[str, Ink]]:
    """Return being called, words when dropping is not enough, clocks, open items, what is given up."""
    estimate = scene.estimate
    assert estimate is not None
    lines: list[tuple[str, Ink]] = []
    if scene.progress.closed is None and not estimate.called:
        lines.append((if_called_words(scene.progress, estimate), ""))
    # Choices say the same of a newer instant, and two figures for one deed are one too many.
    if not estimate.choices:
        lines += [(words, "strong") for words in estimate.when_short]
    lines += [
        (put(clock_words(scene.progress, estimate, clock), width - 2).text.rstrip(), "")
        for clock in estimate.clocks
    ]
    lines += [(words, "") for words in open_words(scene)]
    left = left_words(scene.progress, estimate.at)
    lines += [(left, "")] if left else []
    given_up = [t for t, state in scene.progress.tasks.items() if state.status == "dropped"]
    return [*lines, (f"given up: {', '.join(given_up)}", "dim")] if given_up else lines


def if_called_words(progress: Progress, estimate: Estimate) -> str:
    """Return when they are inside if called now, and what moves turn home next."""
    words = f"if called now: inside {pet_up(estimate.turn_back.inside_if_now.p50)}"
    mover = mover_words(progress, estimate)
    return f"{words}; {mover}" if mover else words
