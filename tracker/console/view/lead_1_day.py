"""The lead's first page: what comes first, what is to be decided by when, what would change it, the day, why.

The head above it says whether they will be inside. The chart of the day has INSIDE with its range, and the
binding limit. Hides what each part takes of the room: the chart has what the rows above and below it leave.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from rich.cells import cell_len

from tracker.console.view.due import due_section
from tracker.console.view.lead_2_choices import (
    SMALL,
    choice_head,
    choice_row,
    distinct,
    named,
    still_open,
    to_decide,
)
from tracker.console.view.scene import TREND_S, LeadScene, Moved, Point
from tracker.console.view.styled_text import (
    Cells,
    Ink,
    Line,
    Span,
    crop,
    folded,
    heading,
    put,
    region,
    remark,
    say,
    tick_s,
    under,
)
from tracker.console.view.words import pet
from tracker.forecast.change_words import shown_causes
from tracker.forecast.figures import Estimate, LimitFigure, Range
from tracker.forecast.wording import first_limit, limit_words, need_of, nine_words, within_words
from tracker.foundation.shown import change, pet_down, pet_up, up
from tracker.foundation.text import percent, plain

_BASES = ("must-only", "committed", "as-advised", "everything", "call-home")
_FIRST = ("call-home", "as-advised", "must-only", "everything", "committed")
"""Of those the ones that keep their rows where there are few."""
_FEW_FIGURES, _LEAST_CHART, _TALL_CHART = 4, 7, 12
"""Rows that the day keeps on a small and on any screen, and those from which on other choices have some."""


def day(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the page: the tables keep their rows, the chart takes what is left."""
    above = [*held_rows(scene, width), *binding_rows(scene, width)]
    above += [*to_decide(scene, width, height), *still_open(scene, width)]
    chart = _LEAST_CHART if height >= SMALL else _FEW_FIGURES
    below = why(scene, width, max(2, min(5, height - len(above) - len(bases(scene, width)) - chart)))
    most = max(2, height - len(below) - chart)
    above += bases(scene, width, most - len(above))
    above += ways_on(scene, width, height - len(above) - len(below) - _TALL_CHART)
    above += due_section(scene, width, min(6, height - len(above) - len(below) - chart))
    above = above[:most]
    return [*above, *ingress(scene, width, height - len(above) - len(below)), *below][:height]


def held_rows(scene: LeadScene, width: int) -> list[Line]:
    """Return who is held, since when, until when and why: a row for those that are held alike."""
    alike: dict[tuple[float, float | None, str], list[str]] = {}
    for crew, hold in scene.progress.holds.items():
        alike.setdefault((hold.since, hold.until, hold.text), []).append(crew)
    rows = []
    for (since, until, text), who in alike.items():
        ends = "until somebody says" if until is None else f"until {pet_down(until)}"
        words = f"{' '.join(who)} since {pet_down(since)}, {ends}: {text or 'no reason given'}"
        rows.append(crop((put(" held", 16, "strong"), say(plain(words), "late")), width))
    return rows


def bases(scene: LeadScene, width: int, height: int = 99) -> list[Line]:
    """Return INSIDE by what is counted, one row a basis; none that comes to the same as one before it.

    Below them the recall, which keeps its row where there are few: it is asked for when the page is fullest.
    """
    of = f"as of {pet_down(scene.choices[0].at)}" if scene.choices else ""
    lines = [choice_head(f"what would change it {of}".strip() if width >= 116 else of or "choices", width)]
    by_id = {choice.id: choice for choice in scene.choices}
    if not by_id:
        return [*lines, remark("closed" if scene.progress.closed is not None else "being worked out", width)]
    told = distinct([by_id[one] for one in _BASES if one in by_id])
    first = sorted(told, key=lambda choice: _FIRST.index(choice.id))[: max(1, height - 1)]
    for choice in (one for one in told if one in first):
        ink: Ink = "strong" if choice.id == "as-advised" else ""
        lines.append(choice_row(scene, choice, named(scene, choice), width, ink))
    return lines


def ways_on(scene: LeadScene, width: int, most: int) -> list[Line]:
    """Return the other choices as rows of the same table, as far as there is room."""
    told = [choice for choice in distinct(scene.choices) if choice.id not in _BASES]
    told.sort(key=lambda choice: choice.id != "call-at-once")
    return [choice_row(scene, choice, named(scene, choice), width) for choice in told[: max(0, most)]]


def binding_rows(scene: LeadScene, width: int) -> list[Line]:
    """Return the row that names the limit that comes first, how sure it is, and how that was."""
    estimate = scene.estimate
    figure = None if estimate is None else first_limit(estimate.limits)
    if estimate is None or figure is None:
        return []
    need = need_of(estimate)[2]
    words = f"{limit_words(figure.id)}, chance {percent(1 - figure.chance, need)}"
    nine = nine_words(figure.margin.p90)
    was = _was(scene, figure, need)
    forms = [f"{words}; {nine}{was}", f"{words}; {nine}", words] if nine else [f"{words}{was}", words]
    said = next((form for form in forms if cell_len(form) < width - 16), words)
    return [crop((put(" comes first", 16, "strong"), say(said)), width)]


def _was(scene: LeadScene, figure: LimitFigure, need: float) -> str:
    """Return how it stood half an hour ago, where that is on record."""
    point = scene.point_at(scene.now - TREND_S)
    if point is None or figure.id not in point.chances or point.at >= scene.now:
        return ""
    return f"; at {pet_down(point.at)}: chance {percent(1 - point.chances[figure.id], need)}"


def why(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what moved INSIDE and the chances since half an hour ago, or since the mark."""
    estimate, moved = scene.estimate, scene.moved
    since = f"why, since {pet_down(scene.since if moved is None else moved.then)}"
    if moved is None or estimate is None:
        word = "being worked out" if scene.started and scene.since < scene.now else "nothing yet"
        return [heading(since, width), remark(word, width)]
    before = scene.point_at(moved.then)
    ends = _ends(moved, estimate, before)
    lines = [
        heading(f"{since}{_from_to(moved, estimate, before, ends)}", width),
        *_causes(moved, ends, width),
    ]
    if before is not None:
        lines += _chances(scene, estimate, before.chances, width)
    return lines[:height]


def _ends(moved: Moved, estimate: Estimate, before: Point | None) -> tuple[int | None, int | None]:
    """Return INSIDE as shown at both instants between which it moved."""
    if moved.inside is None:
        first = None if before is None else up(before.inside.p50, before.at)
        return first, up(estimate.inside.p50, estimate.at)
    return up(moved.inside - sum(seconds for _, seconds in moved.causes)), up(moved.inside)


def _from_to(
    moved: Moved, estimate: Estimate, before: Point | None, ends: tuple[int | None, int | None]
) -> str:
    """Return both ends; where the later one is not what stands above, the instant it is true of."""
    if before is None:
        return ""
    need, safe = need_of(estimate)[2], estimate.safe if moved.safe is None else moved.safe
    chances = percent(before.safe, need), percent(safe, need)
    as_of = f", as of {pet_down(moved.now)}" if ends[1] != up(estimate.inside.p50, estimate.at) else ""
    return f"{as_of}: INSIDE {pet_up(ends[0])} -> {pet_up(ends[1])}, chance {chances[0]} -> {chances[1]}"


def _causes(moved: Moved, ends: tuple[int | None, int | None], width: int) -> list[Line]:
    """Return the causes in minutes, the greatest first, in as many rows as they need."""
    exact = sum(seconds for _, seconds in moved.causes)
    told = shown_causes(
        moved.causes, round(exact / 60) * 60 if None in ends else (ends[1] or 0) - (ends[0] or 0)
    )
    if not told:
        return [remark("nothing moved it", width)]
    spans = [Span(" ")]
    for place, (cause, seconds) in enumerate(told):
        spans.append(say(f"{'   ' if place else ''}{cause} "))
        spans.append(say(change(seconds), "strong"))
    return folded(spans, width, 1)


def _chances(scene: LeadScene, estimate: Estimate, before: Mapping[str, float], width: int) -> list[Line]:
    """Return by how much the chance of each limit moved, where it is seen."""
    need = need_of(estimate)[2]
    pairs = [
        (limit_words(f.id), percent(1 - before[f.id], need), percent(1 - f.chance, need))
        for f in estimate.limits
        if f.id in before
    ]
    told = [f"{name} {a} -> {b}" for name, a, b in pairs if a != b]
    forms = ["chance by limit: " + ", ".join(told[:most]) for most in range(len(told), 0, -1)]
    forms = [f"{words}{f'; {n} more' if n else ''}" for n, words in enumerate(forms)]
    if scene.whole:
        return under(forms[0], width, indent=1) if forms else []
    return [remark(next((f for f in forms if cell_len(f) < width), forms[-1]), width)] if forms else []


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
    if height < DRAWN_FROM:
        head = heading("INSIDE through the day", width, f"elapsed limit at {pet_down(limit)}")
        return region(head, _told(scene, points, width, height - 1, other), width, height)
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


DRAWN_FROM = 11
"""Rows from which on the chart can be read; in fewer its figures are told."""


def _told(
    scene: LeadScene, points: list[Point], width: int, height: int, other: tuple[str, float] | None
) -> list[Line]:
    """Return the chart as a table: the latest instants, the last of them what is shown."""
    named = "" if other is None else limit_words(other[0])
    columns = (*_TOLD, max(0, min(len(named) + 6, width - sum(_TOLD))))
    need = None if scene.estimate is None else need_of(scene.estimate)[2]
    heads = (" at", "inside", "8 in 10 between", "chance", f"{named} at" if named else "")
    lines = [crop([put(*one, "dim", right=True) for one in zip(heads, columns, strict=True)], width)]
    known = [point for point in points if point.at <= scene.now] or points[:1]
    # By the time that has passed and not by the rows there are, which alerts take and give back.
    step = tick_s(known[-1].at + 1.0, _ROWS)
    first_of = {int(point.at // step): point for point in reversed(known)}
    before = [point for _, point in sorted(first_of.items()) if point is not known[-1]]
    for point in [*before[len(before) - max(0, min(len(before), height - 2)) :], known[-1]]:
        ends = point.inside
        reached = None if other is None else point.reached.get(other[0])
        between = within_words(ends, " and ")
        cells = (
            pet_down(point.at),
            pet_up(ends.p50, point.at),
            between,
            percent(point.safe, need),
            "" if reached is None else pet_down(reached),
        )
        lines.append(crop([put(*one, right=True) for one in zip(cells, columns, strict=True)], width))
    return lines


_ROWS = 8
"""In so many rows the day is parted, of which the latest have room."""
_TOLD = (7, 9, 18, 9)
"""Columns of the table in place of the chart; the last takes what they leave."""


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
