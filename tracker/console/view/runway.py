"""What is left towards the limit, to scale: remaining work, then slack, then the edge.

The right end of the rule is the limit and stays where it is; the work reaches towards it from the
present. So a delay moves the end of the work, never the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from tracker.console.view.scene import SMALL, Scene
from tracker.console.view.styled_text import Ink, Line, Span, blank, crop, put, say
from tracker.console.view.words import limit_name, pet

_STEPS_MIN = (0.25, 0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 60)
"""Minutes that one cell may stand for."""

_SHORTEST = 3
"""Cells of a name of which anything is shown."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Time left to cells: the last cell is the limit."""

    limit: float
    cells: int
    cell_s: float

    def column(self, pet_s: float) -> int:
        """Return the cell of an instant; `cells` is the edge."""
        return self.cells - round((self.limit - pet_s) / self.cell_s)


def scale_for(limit: float, now: float, cells: int) -> Scale:
    """Return the finest scale on which all that is left of the time fits into the cells."""
    left = max(60.0, limit - now)
    fits = [m for m in _STEPS_MIN if left / (m * 60) <= cells]
    return Scale(limit, cells, (fits[0] if fits else left / 60 / max(1, cells)) * 60)


def runway(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the rule, the last calls on it, and one line per crew member outside."""
    progress = scene.progress
    limit = progress.limits.get("elapsed")
    if limit is None:
        return [blank(width)] * height
    side = 20 if width < SMALL else 42 if width >= 120 else 34
    scale = scale_for(limit, scene.now, width - 6 - side - 2)
    lines = [_marks(scene, scale, width, limit), _calls(scene, scale, width)]
    for crew in progress.plan.outside:
        lines.append(_row(scene, crew, scale, width, side))
    return (lines + [blank(width)] * height)[:height]


def _marks(scene: Scene, scale: Scale, width: int, limit: float) -> Line:
    """Return the time left, from the left to 0 at the edge."""
    cells = [" "] * (scale.cells + 1)
    every = next((m for m in (15, 30, 60, 120, 240, 480) if m * 60 / scale.cell_s >= 11), 960) * 60
    left = 0
    while left <= limit - scene.now + 1 and scale.column(limit - left) >= 0:
        text = "0" if left == 0 else pet(left)
        column = scale.column(limit - left)
        for offset, char in enumerate(text):
            if 0 <= column - len(text) + 1 + offset < len(cells):
                cells[column - len(text) + 1 + offset] = char
        left += every
    tail = f"  left to the limit {pet(limit)}" if width >= SMALL else f"  limit {pet(limit)}"
    return crop((put(" left", 6, "dim"), say("".join(cells), "dim"), say(tail, "dim")), width)


def _calls(scene: Scene, scale: Scale, width: int) -> Line:
    """Return the last calls as ticks with the task's name before them."""
    cells = [" "] * (scale.cells + 1)
    estimate = scene.estimate
    figures = [f for f in estimate.optional if f.last_call is not None] if estimate else []
    figures.sort(key=lambda f: f.last_call or 0.0, reverse=True)
    calls = [(scale.column(f.last_call or 0.0), f.task) for f in figures]
    for columns, names in _near([call for call in calls if 0 <= call[0] <= scale.cells]):
        text = " ".join(names)
        begin = min(columns) - len(text)
        if begin < 0:
            begin, text = 0, f"~{text[1 - begin :]}"
        cells[begin : begin + len(text)] = text
        for column in columns:
            cells[column] = "┐"
    cells[scale.cells] = "║"
    tail = "  ┐ last call" if figures else "  no last call"
    return crop((put(" rule", 6, "dim"), say("".join(cells), "accent"), say(tail, "dim")), width)


def _near(calls: Sequence[tuple[int, str]]) -> list[tuple[list[int], list[str]]]:
    """Return last calls, the latest first, with those together whose names would run into one another."""
    groups: list[tuple[list[int], list[str]]] = []
    for column, name in calls:
        if groups:
            columns, names = groups[-1]
            if column >= min(columns) - len(" ".join(names)) - 1:
                columns.append(column)
                names.insert(0, name)
                continue
        groups.append(([column], [name]))
    return groups


def _row(scene: Scene, crew: str, scale: Scale, width: int, side: int) -> Line:
    progress = scene.progress
    end = scene.snapshot.ingress.get(crew)
    edge = _edge(scene, crew, scale)
    cells = _cells(scene, crew, scale)
    name = put(f" {crew}", 6, "strong")
    if crew in progress.entered or not cells:
        return crop((name, *_pad([], scale, edge), say(f"  {_inside_words(scene, crew)}", "dim")), width)
    words, ink = _spare(scene, crew, end, edge, scale)
    return crop((name, *_pad(cells, scale, edge), put(f"  {words}", side, ink)), width)


def _inside_words(scene: Scene, crew: str) -> str:
    entered = scene.progress.entered.get(crew)
    return f"inside {pet(entered)}" if entered is not None else "no step is left"


def _cells(scene: Scene, crew: str, scale: Scale) -> list[tuple[str, Ink]]:
    """Return one (glyph, ink) per cell from the left of the rule to the end of this one's work."""
    progress, course = scene.progress, scene.snapshot.course
    steps = [s for s in progress.order.get(crew, ()) if s in course]
    steps = [s for s in steps if progress.steps[s].step.task not in scene.snapshot.passed_over]
    cells: list[tuple[str, Ink]] = [(" ", "")] * max(0, scale.column(scene.now))
    for task, group in groupby(steps, key=lambda s: progress.steps[s].step.task):
        members = list(group)
        start = max(scene.now, course[members[0]][0])
        end = max(start, course[members[-1]][1])
        first, last = max(0, scale.column(start)), max(0, scale.column(end))
        cells += [(".", "dim")] * (first - len(cells))
        cells += _block(scene, task, last - len(cells))
    return cells


def _block(scene: Scene, task: str, room: int) -> list[tuple[str, Ink]]:
    """Return the cells of one task: its name, a line to its end, and a stop; optional ones in brackets."""
    if room <= 0:
        return []
    state = scene.progress.tasks[task]
    optional = state.optional
    text = f"[{_label(task, room - 2)}]" if optional else f"{_label(task, room - 1)}│"
    text = text[-room:]
    ink: Ink = "accent" if optional else "dim" if state.task.closeout else ""
    return [(char, ink) for char in text]


def _label(task: str, room: int) -> str:
    """Return the name and a line to the end; a name that is cut says so, and one without room is left out."""
    if len(task) <= room:
        return task.ljust(room, "─")
    return f"{task[: room - 1]}~" if room >= _SHORTEST else "─" * room


def _edge(scene: Scene, crew: str, scale: Scale) -> int:
    """Return the cell at which the first consumable of this crew member reaches its reserve, or the edge."""
    binding = _first_limit(scene, crew)
    return min(scale.cells, max(0, scale.column(binding[1]))) if binding else scale.cells


def _first_limit(scene: Scene, crew: str) -> tuple[str, float] | None:
    """Return the name and instant of the limit that comes first for a crew member."""
    estimate = scene.estimate
    if estimate is None or estimate.inside.p50 is None:
        return None
    found = []
    for figure in estimate.limits:
        mine = figure.id.startswith((f"{crew}.", "*.")) or crew in scene.progress.limit_crew.get(
            figure.id, ()
        )
        if mine and figure.margin.p50 is not None:
            found.append((estimate.inside.p50 + figure.margin.p50, figure.id))
    return (min(found)[1], min(found)[0]) if found else None


def _pad(cells: Sequence[tuple[str, Ink]], scale: Scale, edge: int) -> list[Span]:
    """Return the work, the slack, what the reserve takes of it, and the edge."""
    row = list(cells)
    over = len(row) > scale.cells
    row = row[: scale.cells] + [(" ", "")] * (scale.cells - len(row))
    for column in range(edge, scale.cells):
        if row[column][0] == " ":
            row[column] = ("░", "dim")
    row.append((">", "alarm") if over else ("║", "accent"))
    spans = []
    for ink, group in groupby(row, key=lambda cell: cell[1]):
        spans.append(Span("".join(char for char, _ in group), ink))
    return spans


def _spare(scene: Scene, crew: str, end: float | None, edge: int, scale: Scale) -> tuple[str, Ink]:
    """Return what is to spare for a crew member, and up to which limit."""
    first = _first_limit(scene, crew)
    name, instant = first if first else ("elapsed", scale.limit)
    if end is None:
        return ("", "")
    spare = instant - end
    word = "over" if spare < 0 else "to spare"
    ink: Ink = "late" if spare < 0 else ""
    if scale.cells + 8 + 20 < 82 and name != "elapsed":
        return (f"{pet(abs(spare))} {word.split()[-1]}: {limit_name(name).split(' ', 1)[-1]}", ink)
    what = "" if name == "elapsed" else f": {limit_name(name)} ░"
    return (f"{pet(abs(spare))} {word}{what}", ink)
