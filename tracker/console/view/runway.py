"""What is left towards the limits, to scale: the work ahead, then what is to spare, then the edge.

A row a limit, at most four, those with the least to spare. The right end is the limit and stays where it is;
the work reaches towards it from the present. So a delay moves the end of the work, never the scale.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Ink, Line, blank, crop, put, say
from tracker.console.view.words import reached_at
from tracker.forecast.figures import Estimate, LimitFigure
from tracker.forecast.wording import by_spare, first_limit, limit_at
from tracker.foundation.shown import spare_words, up

TITLE = "runway: work counted back from each limit"
MOST_WIDE = 100
"""Columns."""
MOST_ROWS = 4
HOURS_S = 7200.0
"""A limit with so much to spare, or more, is counted and not drawn."""

_STEPS_MIN = (0.25, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 10, 12, 15, 20, 30, 60)
"""Minutes that one cell may stand for."""
_SIDE = 20
_OVER = 3 * "X"


@dataclass(frozen=True, slots=True)
class Scale:
    """Time before a limit to cells: the last cell is the limit."""

    cells: int
    cell_s: float

    def column(self, before_s: float) -> int:
        """Return the cell that lies so long before a limit; `cells` is the edge."""
        return self.cells - round(before_s / self.cell_s)


def scale_for(left_s: float, cells: int) -> Scale:
    """Return the finest scale on which all that is left of the time fits into the cells."""
    left = max(60.0, left_s)
    fits = [m for m in _STEPS_MIN if left / (m * 60) <= cells]
    return Scale(cells, (fits[0] if fits else left / 60 / max(1, cells)) * 60)


def drawn(estimate: Estimate) -> list[LimitFigure]:
    """Return the limits with the least to spare, the least first: one hours away where nothing else is."""
    known = by_spare(estimate.limits)
    near = [limit for limit in known if (limit.to_spare or 0.0) < HOURS_S]
    return (near or known[:1])[:MOST_ROWS]


def runway_rows(scene: Scene) -> int:
    """Return how many rows the runway takes: the axis, start by, and a row a limit."""
    return 2 + (len(drawn(scene.estimate)) if scene.estimate is not None else 1)


def runway(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the axis, the letters of the tasks at their start by, and a row a limit."""
    estimate = scene.estimate
    if estimate is None or estimate.inside.p50 is None:
        lines = [crop((say(" the runway is being worked out", "dim"),), width)]
        return (lines + [blank(width)] * height)[:height]
    limits = drawn(estimate)
    names = {limit.id: limit_at(limit, brief=True) for limit in limits}
    name = max((len(words) for words in names.values()), default=0) + 3
    left = max((reached_at(limit) or 0.0) - scene.now for limit in limits) if limits else 0.0
    scale = scale_for(left, max(10, min(width, MOST_WIDE) - name - _SIDE - 1))
    lines = [_axis(scale, name, width)]
    lines += [_starts(scene, estimate, limits[0], scale, name, width)] if limits else []
    lines += [_row(scene, estimate, limit, names[limit.id], scale, name, width) for limit in limits]
    return (lines + [blank(width)] * height)[:height]


def _axis(scale: Scale, name: int, width: int) -> Line:
    """Return the hours before each limit, from the left to 0 at the edge."""
    cells = [" "] * (scale.cells + 1)
    minutes = next((m for m in (15, 30, 60, 120, 240, 480) if m * 60 / scale.cell_s >= 9), 960)
    for before in range(0, int(scale.cells * scale.cell_s) + 1, minutes * 60):
        text = "0" if before == 0 else f"-{_hours(before)}"
        column = scale.column(before)
        if column - len(text) + 1 >= 0:
            cells[column - len(text) + 1 : column + 1] = text
    return crop((put("", name), say("".join(cells), "dim")), width)


def _hours(seconds: int) -> str:
    """Return `4 h`, or `30 min` where it is no whole hour."""
    return f"{seconds // 3600} h" if seconds % 3600 == 0 else f"{seconds // 60} min"


def _starts(
    scene: Scene, estimate: Estimate, limit: LimitFigure, scale: Scale, name: int, width: int
) -> Line:
    """Return the letters of the tasks at the instants by which they are started, on the first limit's row."""
    cells = [" "] * (scale.cells + 1)
    reached = reached_at(limit) or 0.0
    letters = scene.snapshot.letters
    calls = [
        (f.last_call, letters[f.task]) for f in estimate.optional if f.last_call is not None and not f.begun
    ]
    for at, letter in sorted(calls, reverse=True):
        column = min(scale.cells, scale.column(reached - at))
        # Letters that would fall onto one another stand beside one another, the later one at its place.
        while column >= 0 and cells[column] != " ":
            column -= 1
        if column >= 0 and at >= scene.now:
            cells[column] = letter[:1]
    words = " start by" if calls else ""
    return crop((put(words, name, "dim"), say("".join(cells), "accent")), width)


def _row(
    scene: Scene, estimate: Estimate, limit: LimitFigure, words: str, scale: Scale, name: int, width: int
) -> Line:
    """Return whose limit it is, the work counted back from it, and what is to spare."""
    reached, left = reached_at(limit) or 0.0, limit.to_spare or 0.0
    inside = up(estimate.inside.p50) or 0.0
    cells = [" "] * scale.cells + ["║"]
    present, done = max(0, scale.column(reached - scene.now)), max(0, min(scale.cells, scale.column(left)))
    cells[present:done] = "." * (done - present)
    for begin, end, text in _work(scene, limit, inside):
        first, last = (max(0, scale.column(reached - at)) for at in (max(begin, scene.now), end))
        room = min(last, scale.cells) - first
        if room > 0:
            cells[first : first + room] = _block(text, room)
    edge: Ink = "strong" if limit == first_limit(estimate.limits) else ""
    tail = say(f"  {spare_words(left)}", "alarm" if left < 0 else "")
    if left < 0:
        cells[-len(_OVER) :] = _OVER
    return crop((put(f" {words}", name, edge), say("".join(cells)), tail), width)


def _block(text: str, room: int) -> str:
    """Return the cells of one kind of work: its word where it has room, and a line to its end."""
    if text.startswith("["):
        return (f"[{text[1:-1][: room - 2]:─<{max(0, room - 2)}}]" if room >= 3 else "]" * room)[:room]
    label = text if len(text) < room else ""
    return label + "─" * (room - len(label) - 1) + "│"


def _work(scene: Scene, limit: LimitFigure, inside: float) -> Iterator[tuple[float, float, str]]:
    """Yield (begin, end, word) of the work of whom a limit binds: must work, [letters], closeout."""
    parts: list[tuple[float, float, str]] = []
    for step in scene.snapshot.ahead.get(_whose(scene, limit), ()):
        begin, end = scene.snapshot.course.get(step, (None, None))
        if begin is None or end is None:
            continue
        word = _kind(scene, scene.snapshot.letters, step)
        if parts and parts[-1][2] == word:
            parts[-1] = (parts[-1][0], end, word)
        else:
            parts.append((begin, end, word))
    if parts:
        parts[-1] = (parts[-1][0], max(inside, parts[-1][0]), parts[-1][2])
    yield from parts


def _kind(scene: Scene, letters: Mapping[str, str], step: str) -> str:
    state = scene.progress.tasks[scene.progress.steps[step].step.task]
    if state.task.closeout:
        return "closeout"
    return f"[{letters[state.task.id]}]" if state.task.id in letters else "must work"


def _whose(scene: Scene, limit: LimitFigure) -> str:
    """Return the crew member whose work is drawn: the store's owner, else who is inside last."""
    progress = scene.progress
    owner = limit.id.partition(".")[0]
    if owner in progress.order:
        return owner
    among = progress.limit_crew.get(limit.id) or progress.plan.outside
    ingress = scene.snapshot.ingress
    return max(among, key=lambda crew: (ingress.get(crew) or 0.0, crew))
