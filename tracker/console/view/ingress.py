"""When everyone is inside, as it was seen through the day: ranges with their median, against what binds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from tracker.console.view.grid import Cells, heading, region, remark, tick_s
from tracker.console.view.scene import LeadScene, Point
from tracker.console.view.styled_text import Ink, Line
from tracker.console.view.words import pet
from tracker.forecast.values import Range
from tracker.forecast.wording import limit_words
from tracker.foundation.shown import pet_down, pet_up

_AXIS = 7
"""Columns of the figures at the left."""


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
    short = f"8 in 10 between ░, median ▀▄{later}"
    head = heading("INSIDE through the day", width, f"{short}; ═ elapsed limit, ─ what else binds", short)
    points = drawn(scene)
    limit = scene.progress.limits.get("elapsed")
    if not points or limit is None:
        return region(head, [remark("being worked out", width)], width, height)
    other = binding_beside(scene)
    frame = _frame(scene, points, limit, width, height - 1, other)
    frame.cells.across(frame.row(limit), "═", "accent", start=_AXIS)
    _band(scene, frame, points, limit)
    if other is not None:
        _other(scene, frame, points, other[0])
    _scales(frame)
    _figures(scene, frame)
    _limit_label(frame, limit, f" elapsed {pet_down(limit)} ", "accent")
    if other is not None:
        _limit_label(frame, other[1], f" {limit_words(other[0])} {pet_down(other[1])} ", "strong")
    return region(head, frame.cells.lines(), width, height)


def drawn(scene: LeadScene) -> list[Point]:
    """Return the estimates through the day, what is shown among them, by PET."""
    estimate = scene.estimate
    points = {point.at: point for point in scene.points if point.inside.p50 is not None}
    if estimate is not None and estimate.inside.p50 is not None:
        points[estimate.at] = Point.of(estimate)
    return [points[at] for at in sorted(points)]


def binding_beside(scene: LeadScene) -> tuple[str, float] | None:
    """Return the limit besides `elapsed` that binds, else the one that comes first, and its instant."""
    estimate = scene.estimate
    if estimate is None:
        return None
    binding = None if estimate.binding is None else estimate.binding.id
    found = [(f.id, f.reached.p50) for f in estimate.limits if f.id != "elapsed" and f.reached is not None]
    known = [(name, at) for name, at in found if at is not None]
    return min(known, key=lambda one: (one[0] != binding, one[1]), default=None)


def _other(scene: LeadScene, frame: _Frame, points: list[Point], name: str) -> None:
    """Draw when another limit was reached as it stood through the day."""
    known = [(p.at, r) for p in points if p.at <= scene.now and (r := p.reached.get(name)) is not None]
    for place, (then, reached) in enumerate(known):
        until = known[place + 1][0] if place + 1 < len(known) else then
        for column in range(frame.column(then), max(frame.column(then) + 1, frame.column(until)), 2):
            if frame.cells.at(column, frame.row(reached)) == " ":
                frame.cells.put(column, frame.row(reached), "─", "strong")


def _frame(
    scene: LeadScene,
    points: list[Point],
    limit: float,
    width: int,
    height: int,
    other: tuple[str, float] | None,
) -> _Frame:
    """Return scales on which every range, the limit and what binds besides have a place."""
    low = min(p.inside.p10 if p.inside.p10 is not None else p.inside.p50 or limit for p in points)
    beside = [] if other is None else [at for at in (other[1],) if at <= 1.25 * limit]
    low = min([low, *beside])
    high = max([limit, *beside, *(p.inside.p90 or p.inside.p50 or 0.0 for p in points)])
    high = min(high, 2.0 * limit)
    rows = max(2, height - 3)
    row_s = tick_s((high - low) * 1.02 + 1.0, rows)
    top = -(-high // row_s) * row_s + row_s * ((rows - (high - low) / row_s) // 2)
    span = max(limit, scene.present, points[-1].at, 60.0)
    return _Frame(Cells(width, height), top, row_s, span)


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
    for value, end in _said(estimate.inside):
        text = f" {_WORDS[end]} {pet_up(value)} "
        rows = _rows(frame, frame.row(value), middle, end)
        places = [(x, row) for row in rows for x in (column + 1, column - 1 - len(text)) if x >= _AXIS]
        frame.cells.label(places, text, "strong" if end == "median" else "")


_WORDS = {"median": "INSIDE", "high": "until", "low": "from"}


def _rows(frame: _Frame, own: int, middle: int, end: str) -> list[int]:
    """Return the rows for a figure, the best first: its own, else the next away from the median."""
    every = range(frame.cells.height - 2)
    best: list[int] = []
    if end == "high":
        best = [row for row in reversed(every) if row <= own and row < middle]
    elif end == "low":
        best = [row for row in every if row >= own and row > middle]
    return [*best, *sorted(every, key=lambda row: abs(row - own))]


def _said(inside: Range) -> list[tuple[float, str]]:
    """Return the figures, the one first that must stand in its own row; a fact is one."""
    if inside.p10 == inside.p90:
        figures = [(inside.p50, "median")]
    else:
        figures = [(inside.p50, "median"), (inside.p90, "high"), (inside.p10, "low")]
    return [(value, end) for value, end in figures if value is not None]


def _limit_label(frame: _Frame, limit: float, words: str, ink: Ink) -> None:
    """Name a limit at the right end of its line, or where there is room on it or near it."""
    row, last = frame.row(limit), frame.cells.width - len(words)
    rows = sorted(range(frame.cells.height - 2), key=lambda one: abs(one - row))[:3]
    frame.cells.label([(column, r) for r in rows for column in range(last, _AXIS - 1, -1)], words, ink)
