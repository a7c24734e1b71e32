"""The optional tasks: what is advised, until when, at what cost; then turn-back and open items."""

from __future__ import annotations

from tracker.console.view.scene import Scene
from tracker.console.view.steps import open_words
from tracker.console.view.styled_text import Ink, Line, Span, block, crop, put, say
from tracker.console.view.words import pet
from tracker.forecast.values import ClockFigure, Estimate, OptionalFigure
from tracker.forecast.wording import advice_word
from tracker.foundation.shown import change, down, duration, pet_down, pet_up
from tracker.foundation.text import percent


def optional_lines(scene: Scene, width: int) -> list[Line]:
    """Return a row per optional task, then what else bears on it: being called, clocks, open items."""
    lines = [_head(width)]
    if scene.estimate is None:
        return [*lines, crop((say(" the advice is being worked out", "dim"),), width)]
    lines += [_line(scene, figure, width) for figure in scene.estimate.optional]
    lines += _kept(scene, width)
    if len(lines) == 1:
        lines.append(crop((say(" nothing optional: nothing to decide", "dim"),), width))
    for words, ink in _after(scene):
        lines += block(words, width, ink, indent=2)
    return lines


def why_lines(scene: Scene, width: int) -> list[Line]:
    """Return the reason of every piece of advice."""
    figures = scene.estimate.optional if scene.estimate else ()
    reasons = [f"{f.task}{_titled(scene, f)}: {f.reason}" for f in figures if f.reason]
    return [row for words in reasons for row in block(words, width, "dim", indent=2)]


def _titled(scene: Scene, figure: OptionalFigure) -> str:
    title = scene.progress.tasks[figure.task].task.title
    return f" ({title})" if title and title != figure.task else ""


_ADVICE, _START, _SHIFT = 8, 10, 7
_INKS: dict[str, Ink] = {"keep": "going", "decide": "strong", "drop": "dim"}


def _head(width: int) -> Line:
    spans = [put("   optional", _name_room(width), "dim"), put("advice", _ADVICE, "dim")]
    spans += [put("start by", _start_room(width), "dim"), put("shift", _SHIFT, "dim", right=True)]
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
        put(advice_word(figure), _ADVICE, _INKS.get(advice_word(figure), "")),
        put(_start(figure, scene.now, long=width >= 46), _start_room(width)),
        put(change(figure.cost), _SHIFT, "", right=True),
    ]
    if width >= 72:
        spans.append(put(percent(figure.in_time), 9, "", right=True))
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


def _start(figure: OptionalFigure, now: float, *, long: bool) -> str:
    """Return by when a task is started, under its head: `4:40`, with room `4:40, in 2 h 23`."""
    if figure.begun or figure.last_call is None:
        return "begun" if figure.begun else "cannot fit"
    at = down(figure.last_call) or 0.0
    rest = "passed" if at <= now else "at the end" if figure.advice == "later" else f"in {duration(at - now)}"
    return f"{pet(at)}, {rest}" if long or at <= now else pet(at)


def _after(scene: Scene) -> list[tuple[str, Ink]]:
    """Return being called, words when dropping is not enough, clocks, open items, what is given up."""
    estimate = scene.estimate
    assert estimate is not None
    lines: list[tuple[str, Ink]] = []
    if scene.progress.closed is None and not estimate.called:
        lines.append((if_called_words(estimate), ""))
    # Choices say the same of a newer instant, and two figures for one deed are one too many.
    if not estimate.choices:
        lines += [(words, "strong") for words in estimate.when_short]
    lines += [(clock_words(clock), "") for clock in estimate.clocks]
    lines += [(words, "") for words in open_words(scene)]
    given_up = [t for t, state in scene.progress.tasks.items() if state.status == "dropped"]
    return [*lines, (f"given up: {', '.join(given_up)}", "dim")] if given_up else lines


def if_called_words(estimate: Estimate) -> str:
    """Return when they are inside if called now, and what moves turn home next."""
    turn = estimate.turn_back
    words = f"if called now: inside {pet_up(turn.inside_if_now.p50)}"
    moved = down(turn.moved_to)
    if turn.mover is not None and not turn.homebound and (moved is None or moved != down(turn.latest)):
        words += f"; {turn.mover} " + (
            f"moves turn home to by {pet(moved)}" if moved is not None else "ends it"
        )
    return words


def clock_words(clock: ClockFigure) -> str:
    """Return a hardware clock: by when it is due, and the chance that it is kept."""
    due = f"due by {pet_down(clock.due)}" if clock.due is not None else f"runs from {clock.of}"
    return f"clock {clock.step} {due}, chance {percent(1 - clock.late)}"
