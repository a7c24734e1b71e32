"""The optional tasks: what is advised, until when, at what cost; then turn-back and open items.

What must be decided, by when, and what it costs: optional tasks and turn-back on one time axis.
"""

from __future__ import annotations

from textwrap import wrap

from tracker.console.view.grid import Cells, heading, region, remark, said_in, tick_s, under
from tracker.console.view.head import turn_back_words
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.steps import open_words
from tracker.console.view.styled_text import Ink, Line, Span, blank, block, crop, fit, put, say
from tracker.console.view.words import pet, title_of
from tracker.forecast.values import ClockFigure, Estimate, OptionalFigure
from tracker.foundation.shown import change, down, duration, pet_down, pet_up
from tracker.foundation.text import percent, plain

MOST_WIDE = 120
"""Columns; further apart, a name and its figures are no longer read together."""


def optional_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return what is advised, and with room in the same view why."""
    lines = optional_lines(scene, width)
    reasons = why_lines(scene, width)
    if reasons and len(lines) + 1 + len(reasons) <= height:
        lines = [*lines, blank(width), *reasons]
    return fit(lines, width, height, where=f": {scene.key('optional')}")


def optional_page(scene: Scene, width: int) -> list[Line]:
    """Return all rows of what is advised, and why."""
    near = min(width, MOST_WIDE)
    lines = [*optional_lines(scene, near), blank(near), *why_lines(scene, near)]
    return [crop(line, width) for line in lines]


def optional_lines(scene: Scene, width: int) -> list[Line]:
    """Return a row per optional task, then what else bears on it: being called, clocks, open items."""
    lines = [_head(width)]
    if scene.estimate is None:
        return [*lines, crop((say(" the advice is being worked out", "dim"),), width)]
    lines += [_line(scene, figure, width) for figure in scene.estimate.optional]
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
        put(figure.advice, _ADVICE, _INKS[figure.advice]),
        put(_start(figure, scene.now, long=width >= 46), _start_room(width)),
        put(change(figure.cost), _SHIFT, "", right=True),
    ]
    if width >= 72:
        spans.append(put(percent(figure.in_time), 9, "", right=True))
    return crop(spans, width)


def _start(figure: OptionalFigure, now: float, *, long: bool) -> str:
    """Return by when a task is started, under its head: `4:40`, with room `4:40, in 2 h 23`."""
    if figure.begun or figure.last_call is None:
        return "begun" if figure.begun else "cannot fit"
    at = down(figure.last_call) or 0.0
    rest = "passed" if at <= now else f"in {duration(at - now)}"
    return f"{pet(at)}, {rest}" if long or at <= now else pet(at)


def last_call_words(figure: OptionalFigure, now: float) -> str:
    """Return `5:02, in 2 h 47`, or that it passed, or that there is none."""
    return _start(figure, now, long=True)


def _after(scene: Scene) -> list[tuple[str, Ink]]:
    """Return being called, words when dropping is not enough, clocks, open items, what is given up."""
    estimate = scene.estimate
    assert estimate is not None
    lines: list[tuple[str, Ink]] = []
    if scene.progress.closed is None and not estimate.called:
        lines.append((if_called_words(estimate), ""))
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


OLD_S = 60.0
"""Advice that is older than the figures beside it by so much says of when it is."""
_NAME, _FIGURES, _CALL = 13, 22, 18


def decide(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the axis, one row per optional task by its last call, turn-back, and what it says in words."""
    estimate, axis = scene.estimate, "start by ┐ and turn home by, on one time axis"
    old = f"as of {pet(estimate.advice.at)}" if estimate is not None and _is_old(estimate) else ""
    head = heading("to decide", width, f"{old}; {axis}" if old else axis, old)
    if estimate is None:
        return region(head, [remark("the advice is being worked out", width)], width, height)
    if scene.progress.closed is not None:
        return region(head, [remark("the excursion is closed", width)], width, height)
    room = width - _NAME - _FIGURES - _CALL
    far = float("inf")
    figures = sorted(estimate.optional, key=lambda f: f.last_call if f.last_call is not None else far)
    lines = [_titles(scene, room, width)]
    for figure in figures:
        row, title = _row(scene, figure, room, width), title_of(scene.progress, figure.task)
        lines.append(row)
        if scene.whole and not (said_in(row, figure.task) and title == figure.task):
            lines += under(f"{figure.task}  {title}", width)
    if not figures:
        lines.append(remark("no optional task is left", width))
    if not estimate.called:
        lines.append(_turn_back(scene, room, width))
    for words, ink in _words(scene):
        lines += [
            crop((Span(" "), Span(part, ink)), width)
            for part in wrap(plain(words), max(10, width - 2), subsequent_indent="  ")
        ]
    return region(head, lines, width, height, scene.key("whole"))


def _is_old(estimate: Estimate) -> bool:
    """Return whether the advice is not of the instant of the figures: new advice is being worked out."""
    return estimate.at - estimate.advice.at >= OLD_S


def _end(scene: LeadScene) -> float:
    return max(scene.progress.limits.get("elapsed", 0.0), scene.now + 600.0)


def _column(scene: LeadScene, at: float, room: int) -> int:
    share = (at - scene.now) / (_end(scene) - scene.now)
    return min(room - 2, max(0, int(share * (room - 2))))


def _titles(scene: LeadScene, room: int, width: int) -> Line:
    """Return the titles of the columns, with the scale from the present to the limit."""
    cells = Cells(room, 1)
    step = tick_s(_end(scene) - scene.now, max(1, room // 9))
    at = (scene.now // step + 1) * step
    while at <= _end(scene):
        text = pet(at)
        cells.write(_column(scene, at, room) + 1 - len(text), 0, text, "dim", over=False)
        at += step
    figures = (
        put(" optional", _NAME, "dim"), put("advice", 7, "dim"),
        put("shift", 6, "dim", right=True), put("in time", 8, "dim", right=True), Span(" "),
    )  # fmt: skip
    return crop((*figures, *cells.lines()[0], put(" start by", _CALL, "dim")), width)


def _row(scene: LeadScene, figure: OptionalFigure, room: int, width: int) -> Line:
    spans = (
        put(f" {figure.task}", _NAME - 1),
        Span(" "),
        put(figure.advice, 7, _INKS[figure.advice]),
        put(change(figure.cost), 6, right=True),
        put(percent(figure.in_time), 8, right=True),
        Span(" "),
    )
    last = None if figure.begun else figure.last_call
    ink: Ink = "strong" if last is not None and 0 <= last - scene.now < 900 else "accent"
    return crop(
        (*spans, *_axis(scene, last, room, "┐", ink), say(f" {last_call_words(figure, scene.now)}")), width
    )


def _axis(scene: LeadScene, at: float | None, room: int, mark: str, ink: Ink) -> Line:
    """Return the time that is left to decide, up to its mark; nothing where it is past or there is none."""
    cells = Cells(room, 1)
    if at is not None and at > scene.now:
        column = _column(scene, at, room)
        cells.across(0, ".", "dim", end=column)
        cells.put(column, 0, mark, ink)
    cells.put(room - 1, 0, "║", "accent")
    return cells.lines()[0]


def _turn_back(scene: LeadScene, room: int, width: int) -> Line:
    estimate = scene.estimate
    assert estimate is not None
    latest = down(estimate.turn_back.latest)
    words = " NOW" if latest is None else f" {pet(latest)}, in {duration(latest - scene.now)}"
    name = put(" turn home by", _NAME + _FIGURES, "strong")
    late: Ink = "alarm" if latest is None else "strong"
    return crop((name, *_axis(scene, latest, room, "┐", "late"), say(words, late)), width)


def _words(scene: LeadScene) -> list[tuple[str, Ink]]:
    """Return what moves turn-back next, what stays short, clocks, open items, and why."""
    estimate = scene.estimate
    assert estimate is not None
    lines: list[tuple[str, Ink]] = []
    if not estimate.called:
        lines.append((turn_back_words(estimate), ""))
    lines += [(words, "late") for words in estimate.when_short]
    for clock in estimate.clocks:
        lines.append((clock_words(clock), "strong" if clock.late > 0.1 else ""))
    lines += [(words, "") for words in open_words(scene)]
    dropped = [task for task, state in scene.progress.tasks.items() if state.status == "dropped"]
    if dropped:
        lines.append((f"given up: {', '.join(dropped)}", "dim"))
    told = (f for f in estimate.optional if f.reason and (scene.whole or f.advice != "keep"))
    lines += [(f"{f.task}: {f.reason}", "dim") for f in told]
    return lines
