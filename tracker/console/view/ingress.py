"""When everyone is inside, as it was seen through the day: ranges with their median, against the limit.

What moved the projected ingress, cause by cause, adding up to the whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor

from tracker.console.view.grid import Cells, folded, heading, minutes, region, remark, tick_s
from tracker.console.view.scene import LeadScene, Point
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say
from tracker.console.view.words import pet
from tracker.forecast.values import Range
from tracker.foundation.text import count

_AXIS = 7
"""Columns of the figures at the left."""
_LIMIT = " limit "


@dataclass(frozen=True, slots=True)
class _Frame:
    """The scales: columns are PET of the estimate, rows the projected PET of ingress."""

    cells: Cells
    top: float
    row_s: float
    span_s: float
    """PET at the right end."""

    def row(self, pet_s: float) -> int:
        """Return the row of an instant."""
        return math.floor((self.top - pet_s) / self.row_s + 0.5)

    def half(self, pet_s: float) -> str:
        """Return the half block that lies nearest within the row."""
        place = (self.top - pet_s) / self.row_s + 0.5
        return "▀" if place % 1.0 < 0.5 else "▄"

    def column(self, pet_s: float) -> int:
        """Return the column of an instant."""
        return _AXIS + int(pet_s / self.span_s * (self.cells.width - _AXIS - 1))


def ingress(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the plot with both scales and the figures of the estimate that is shown."""
    later = ", later ." if scene.back else ""
    short = f"one to nine of ten ░, median ▀▄{later}"
    head = heading("when everyone is inside", width, f"through the day: {short}", short)
    points = drawn(scene)
    limit = scene.progress.limits.get("elapsed")
    if not points or limit is None:
        return region(head, [remark("being worked out", width)], width, height)
    frame = _frame(scene, points, limit, width, height - 1)
    _limit(frame, limit)
    _band(scene, frame, points, limit)
    _scales(frame)
    _figures(scene, frame)
    _limit_label(frame, limit)
    return region(head, frame.cells.lines(), width, height)


def drawn(scene: LeadScene) -> list[Point]:
    """Return the estimates through the day, what is shown among them, by PET."""
    estimate = scene.estimate
    points = {point.at: point for point in scene.points if point.inside.p50 is not None}
    if estimate is not None and estimate.inside.p50 is not None:
        points[estimate.at] = Point.of(estimate)
    return [points[at] for at in sorted(points)]


def _frame(scene: LeadScene, points: list[Point], limit: float, width: int, height: int) -> _Frame:
    """Return scales on which every range and the limit have a place."""
    low = min(p.inside.p10 if p.inside.p10 is not None else p.inside.p50 or limit for p in points)
    high = max([limit, *(p.inside.p90 or p.inside.p50 or 0.0 for p in points)])
    high = min(high, 2.0 * limit)
    rows = max(2, height - 3)
    row_s = tick_s((high - low) * 1.02 + 1.0, rows)
    top = -(-high // row_s) * row_s + row_s * ((rows - (high - low) / row_s) // 2)
    span = max(limit, scene.present, points[-1].at, 60.0)
    return _Frame(Cells(width, height), top, row_s, span)


def _limit(frame: _Frame, limit: float) -> None:
    frame.cells.across(frame.row(limit), "═", "accent", start=_AXIS)


def _band(scene: LeadScene, frame: _Frame, points: list[Point], limit: float) -> None:
    """Draw every column with the last estimate before it."""
    gap = max((b.at - a.at for a, b in pairwise(points)), default=0.0)
    step = min(max(gap, 900.0), 3600.0)
    for place, point in enumerate(points):
        shown = scene.back and point.at >= scene.now
        until = points[place + 1].at if place + 1 < len(points) and not shown else point.at
        first, last = frame.column(point.at), frame.column(min(until, point.at + step))
        for column in range(first, max(first + 1, last)):
            _column(scene, frame, column, point, limit)


def _column(scene: LeadScene, frame: _Frame, column: int, point: Point, limit: float) -> None:
    later = scene.back and point.at > scene.now
    middle = frame.row(point.inside.p50 or 0.0)
    low = frame.row(point.inside.p10 if point.inside.p10 is not None else point.inside.p50 or 0.0)
    high = frame.row(point.inside.p90 if point.inside.p90 is not None else point.inside.p50 or 0.0)
    edge = frame.row(limit)
    if not later:
        for row in range(high, low + 1):
            over = row < edge
            frame.cells.put(column, row, "▒" if over else "░", "late" if over else "dim")
    ink: Ink = "dim" if later else "late" if middle < edge else "strong"
    frame.cells.put(column, middle, "." if later else frame.half(point.inside.p50 or 0.0), ink)


def _scales(frame: _Frame) -> None:
    """Write the figures at the left and below."""
    cells, bottom = frame.cells, frame.cells.height - 2
    every = max(1, round(tick_s(bottom * frame.row_s, max(2, bottom // 2)) / frame.row_s))
    first = round(frame.top / frame.row_s)
    for row in range(bottom):
        if (first - row) % every == 0:
            cells.write(0, row, f"{pet(frame.top - row * frame.row_s):>5} ", "dim")
        cells.put(_AXIS - 1, row, "│", "dim")
    cells.put(_AXIS - 1, bottom, "└", "dim")
    cells.across(bottom, "─", "dim", start=_AXIS)
    step = tick_s(frame.span_s, max(1, (cells.width - _AXIS) // 11))
    at = 0.0
    while at <= frame.span_s:
        column, text = frame.column(at), pet(at)
        cells.put(column, bottom, "┴", "dim")
        cells.write(min(column, cells.width - len(text)), bottom + 1, text, "dim", over=False)
        at += step
    cells.write(0, bottom + 1, "   PET", "dim", over=False)


def _figures(scene: LeadScene, frame: _Frame) -> None:
    """Write the figures of what is shown beside its column, and mark the instant on the scale."""
    estimate = scene.estimate
    if estimate is None:
        return
    column = frame.column(estimate.at)
    frame.cells.put(column, frame.cells.height - 2, "▲", "accent")
    middle = frame.row(estimate.inside.p50 or 0.0)
    for value, name in _said(estimate.inside):
        text = f" {pet(value)} {name} "
        rows = _rows(frame, frame.row(value), middle, name)
        places = [(x, row) for row in rows for x in (column + 1, column - 1 - len(text)) if x >= _AXIS]
        frame.cells.label(places, text, "" if name.endswith("ten") else "strong")


def _rows(frame: _Frame, own: int, middle: int, name: str) -> list[int]:
    """Return the rows for a figure, the best first: its own, else the next away from the median."""
    every = range(frame.cells.height - 2)
    if name == "nine of ten":
        best = [row for row in reversed(every) if row <= own and row < middle]
    elif name == "one of ten":
        best = [row for row in every if row >= own and row > middle]
    else:
        best = []
    return [*best, *sorted(every, key=lambda row: abs(row - own))]


def _said(inside: Range) -> list[tuple[float, str]]:
    """Return the figures with their names, the one first that must stand in its own row; a fact is one."""
    if inside.p10 == inside.p90:
        figures = [(inside.p50, "inside")]
    else:
        figures = [(inside.p50, "median"), (inside.p90, "nine of ten"), (inside.p10, "one of ten")]
    return [(value, name) for value, name in figures if value is not None]


def _limit_label(frame: _Frame, limit: float) -> None:
    """Name the limit at the right end of its line, or where there is room on it."""
    row = frame.row(limit)
    last = frame.cells.width - len(_LIMIT)
    frame.cells.label([(column, row) for column in range(last, _AXIS - 1, -1)], _LIMIT, "accent")


_BAR = 12


def moved_by(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the whole change of the median in minutes, then its causes, the greatest first."""
    head = heading("what moved it", width, f"since {pet(scene.since)}, minutes", f"since {pet(scene.since)}")
    if scene.moved is None:
        word = "being worked out" if scene.started and scene.since < scene.now else "nothing yet"
        return region(head, [remark(word, width)], width, height)
    whole, causes = in_tenths(scene.moved.causes)
    lines = [crop((put(signed(whole), 8, "strong", right=True), say("  in all", "strong")), width)]
    if not causes:
        lines.append(remark("nothing moved it by as much as a tenth of a minute", width))
    room = height - 2
    shown = causes if len(causes) <= room else causes[: max(0, room - 1)]
    most = max((abs(tenths) for _, tenths in causes), default=0)
    for cause, tenths in shown:
        lines += _lines(scene, cause, tenths, most, width)
    rest = causes[len(shown) :]
    if rest:
        words = f"{count(len(rest), 'more cause')} together"
        lines += _lines(scene, words, sum(tenths for _, tenths in rest), most, width)
    return region(head, lines, width, height, scene.key("whole"))


def in_tenths(causes: Sequence[tuple[str, float]]) -> tuple[int, list[tuple[str, int]]]:
    """Return the whole and the causes in tenths of a minute, the greatest first, as they are shown.

    The figures add up as they stand there: what rounding leaves over goes where it changes least (the method
    of the largest remainder). A cause of no tenth is left out.
    """
    exact = [seconds / 6 for _, seconds in causes]
    whole, tenths = round(sum(exact)), [floor(one) for one in exact]
    left = whole - sum(tenths)
    for place in sorted(range(len(exact)), key=lambda k: tenths[k] - exact[k])[:left]:
        tenths[place] += 1
    named = [(name, one) for (name, _), one in zip(causes, tenths, strict=True) if one]
    return whole, sorted(named, key=lambda cause: -abs(cause[1]))


def signed(tenths: int) -> str:
    """Return tenths of a minute as minutes with their sign."""
    return minutes(tenths * 6.0)


def _lines(scene: LeadScene, cause: str, tenths: int, most: int, width: int) -> list[Line]:
    """Return one cause: minutes, words, and a bar where there is room for it."""
    figure = (put(signed(tenths), 8, right=True), Span("  "))
    room = width - 10
    if scene.whole:
        return folded((*figure, say(cause)), width, 10)
    if room < 24 + _BAR:
        return [crop((*figure, say(cause)), width)]
    size = round(abs(tenths) / most * _BAR) if most else 0
    bar = ("+" if tenths > 0 else "-") * size
    return [crop((*figure, put(cause, room - _BAR), say(bar, "late" if tenths > 0 else "going")), width)]
