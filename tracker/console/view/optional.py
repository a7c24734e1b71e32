"""The optional tasks: what is advised, until when, at what cost; then turn-back and open items."""

from __future__ import annotations

from tracker.console.view.head import turn_back_words
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Ink, Line, Span, blank, block, crop, fit, put, say
from tracker.console.view.words import difference, percent, pet
from tracker.forecast.values import OptionalFigure

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
    """Return one row per optional task, then turn-back, what stays short, and open items."""
    lines = [_head(width)]
    if scene.estimate is None:
        return [*lines, crop((say(" the advice is being worked out", "dim"),), width)]
    lines += [_line(scene, figure, width) for figure in scene.estimate.optional]
    lines += _dropped(scene, width)
    if len(lines) == 1:
        lines.append(crop((say(" no optional task is left", "dim"),), width))
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


def _head(width: int) -> Line:
    spans = [put(" optional", _name_room(width), "dim"), put("advice", 8, "dim")]
    spans.append(put("last call", _call_room(width), "dim"))
    if width >= 62:
        spans.append(put("costs", 7, "dim", right=True))
    if width >= 72:
        spans.append(put("in time", 9, "dim", right=True))
    return crop(spans, width)


def _call_room(width: int) -> int:
    return 18 if width >= 40 else 15


def _name_room(width: int) -> int:
    return max(12, width - 8 - _call_room(width) - (7 if width >= 62 else 0) - (9 if width >= 72 else 0) - 1)


def _line(scene: Scene, figure: OptionalFigure, width: int) -> Line:
    state = scene.progress.tasks[figure.task]
    inks: dict[str, Ink] = {"keep": "going", "decide": "late", "drop": "dim"}
    assert scene.estimate is not None
    ids = max(len(f.task) for f in scene.estimate.optional)
    name = figure.task if width < 72 else f"{figure.task:<{ids}}  {state.task.title}"
    begun = " (begun)" if figure.begun else ""
    spans = [
        put(f" {name}{begun}", _name_room(width) - 1),
        Span(" "),
        put(figure.advice, 8, inks[figure.advice]),
        put(last_call_words(figure, scene.now), _call_room(width)),
    ]
    if width >= 62:
        spans.append(put(difference(figure.cost), 7, "", right=True))
    if width >= 72:
        spans.append(put(percent(figure.in_time), 9, "", right=True))
    return crop(spans, width)


def last_call_words(figure: OptionalFigure, now: float) -> str:
    """Return `5:02  in 2:47`, or that it passed, or that there is none."""
    if figure.begun:
        return "begun"
    if figure.last_call is None:
        return "none"
    if figure.last_call <= now:
        return f"{pet(figure.last_call)}  passed"
    return f"{pet(figure.last_call)}  in {pet(figure.last_call - now)}"


def _dropped(scene: Scene, width: int) -> list[Line]:
    dropped = [t for t, state in scene.progress.tasks.items() if state.status == "dropped"]
    return block(f"dropped: {', '.join(dropped)}", width, "dim", indent=2) if dropped else []


def _after(scene: Scene) -> list[tuple[str, Ink]]:
    """Return turn-back, plain words when dropping is not enough, hardware clocks and open items."""
    estimate = scene.estimate
    assert estimate is not None
    lines: list[tuple[str, Ink]] = []
    if scene.progress.closed is None:
        lines.append((turn_back_words(estimate), ""))
    lines += [(words, "late") for words in estimate.when_short]
    for clock in estimate.clocks:
        due = f"due {pet(clock.due)}" if clock.due is not None else f"after {clock.of}"
        late: Ink = "late" if clock.late > 0.1 else ""
        lines.append((f"clock: {clock.step} {due}, late in {percent(clock.late)}", late))
    if scene.progress.open_items:
        items = ", ".join(f"{item.item} (until {item.closed_by})" for item in scene.progress.open_items)
        lines.append((f"open: {items}", ""))
    return lines
