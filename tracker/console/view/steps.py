"""One list of what is done and what is ahead, by time: planned, projected or actual, the difference.

The way home after a recall: the earliest limit in large figures, and what everyone still has to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import Ink, Line, Span, blank, crop, large, put, say
from tracker.console.view.words import StepStanding, difference, limit_name, pet, pet_s, stand_of
from tracker.foundation.text import count, plain
from tracker.foundation.times import format_exact


def way_home(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the time to the earliest limit in large figures, and the steps home per crew member."""
    name, instant = earliest_limit(scene)
    left = instant - scene.now if instant is not None else None
    text = "-:--" if left is None else pet(left)
    figures = large(text, "late" if left is not None and left < 0 else "accent")
    words = ("", f"to the earliest limit: {limit_name(name)}, {pet(instant)}", _called(scene))
    lines = [
        crop((Span("  "), *figures[n], Span("   "), say(words[n], "strong" if n == 1 else "")), width)
        for n in range(3)
    ]
    outside = scene.progress.plan.outside
    if height >= 14:
        lines += [blank(width), *(_member(scene, crew, width) for crew in outside)]
    else:
        side = width // len(outside)
        lines.append(crop([span for crew in outside for span in _member(scene, crew, side)], width))
    lines += _left_open(scene, width)
    steps = _steps(scene)
    room = height - len(lines)
    shown = steps if len(steps) <= room else steps[: max(0, room - 1)]
    lines += [_step(scene, step, width) for step in shown]
    if len(shown) < len(steps):
        lines.append(crop((say(f"         {count(len(steps) - len(shown), 'more step')}", "dim"),), width))
    return (lines + [blank(width)] * height)[:height]


def earliest_limit(scene: Scene) -> tuple[str, float | None]:
    """Return the limit that comes first, with its projected instant."""
    estimate = scene.estimate
    found = [(at, name) for name, at in scene.progress.limits.items()]
    if estimate is not None and estimate.inside.p50 is not None:
        found += [
            (estimate.inside.p50 + f.margin.p50, f.id) for f in estimate.limits if f.margin.p50 is not None
        ]
    if not found:
        return ("elapsed", None)
    at, name = min(found)
    return (name, at)


def _called(scene: Scene) -> str:
    calls = {recall.call: recall.at for recall in scene.progress.recall.values()}
    return "; ".join(f"called {call} at {pet(at)}" for call, at in calls.items())


def _member(scene: Scene, crew: str, width: int) -> Line:
    progress = scene.progress
    steps = progress.order.get(crew, ())
    if crew in progress.entered:
        words = f"inside since {pet(progress.entered[crew])}"
    elif not steps:
        words = "no step is left"
    else:
        words = f"inside {pet(scene.snapshot.ingress.get(crew))}   {count(len(steps), 'step')} left"
    return crop((put(f" {crew}", 9, "strong"), say(words)), width)


def _steps(scene: Scene) -> list[str]:
    """Return what the crew outside still has to do, by its projected end."""
    order = scene.progress.order
    steps = {step for crew in scene.progress.plan.outside for step in order.get(crew, ())}
    place = {step: n for n, step in enumerate(scene.progress.steps)}
    course = scene.snapshot.course
    return sorted(steps, key=lambda s: (course[s][1] if s in course else float("inf"), place[s]))


def _step(scene: Scene, step: str, width: int) -> Line:
    state = scene.progress.steps[step]
    stand = stand_of(scene.progress, step, scene.now)
    finish = scene.snapshot.course.get(step, (None, None))[1]
    spans = (
        Span(" "),
        put(stand.word, 8, stand.ink),
        put(" ".join(state.crew), 9),
        put(state.step.do, max(10, width - 36)),
        put(format_exact(state.step.time.likely), 8, "dim", right=True),
        put(pet(finish), 8, right=True),
    )
    return crop(spans, width)


def _left_open(scene: Scene, width: int) -> list[Line]:
    items = [item.item for item in scene.progress.open_items]
    return [crop((put(" open", 9, "late"), say(", ".join(items), "late")), width)] if items else []


@dataclass(frozen=True, slots=True)
class Row:
    """One step of the list."""

    step: str
    done: bool
    planned: float | None
    """Planned start, or planned finish once it is done."""
    real: float | None
    """Projected or actual start, or actual finish once it is done."""


def rows_of(snapshot: Snapshot) -> list[Row]:
    """Return every step that is done or ahead, by time; without dropped work and what is advised against."""
    progress, course = snapshot.progress, snapshot.course
    done, ahead = [], []
    for step, state in progress.steps.items():
        planned = progress.planned.get(step, (None, None))
        if state.ended in ("done", "skipped"):
            done.append(Row(step, True, planned[1], state.done))
        elif state.ended is None and state.step.task not in snapshot.passed_over:
            ahead.append(Row(step, False, planned[0], course.get(step, (None, None))[0]))
    done.sort(key=lambda row: row.real if row.real is not None else row.planned or 0.0)
    place = {step: n for n, step in enumerate(progress.steps)}
    current = {step for step in progress.current.values() if step}
    ahead.sort(key=lambda r: (r.step not in current, r.real is None, r.real or 0.0, place[r.step]))
    return done + ahead


def first_shown(rows: Sequence[Row], height: int, chosen: str | None) -> int:
    """Return the first row to show: some done ones above, what is ahead below; the chosen one in sight."""
    done = sum(row.done for row in rows)
    top = max(0, min(done - max(2, height // 4), len(rows) - height))
    if chosen is not None:
        at = next((i for i, row in enumerate(rows) if row.step == chosen), None)
        if at is not None and not top <= at < top + height:
            top = max(0, min(at - height // 2, len(rows) - height))
    return top


def steps_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the head and as many rows as there is room for."""
    rows = rows_of(scene.snapshot)
    room = height - 1
    top = first_shown(rows, room, scene.chosen)
    shown = rows[top : top + room]
    lines = [_head(scene, rows, top, len(shown), width)]
    lines += [_line(scene, row, width) for row in shown]
    if all(row.done for row in rows) and scene.progress.closed is None:
        words = f" The plan has no steps left. {scene.key('close')} closes the excursion."
        lines = [*lines[: height - 1], crop((say(words, "dim"),), width)]
    return (lines + [blank(width)] * height)[:height]


def step_at(scene: Scene, height: int, line: int) -> str | None:
    """Return the step that is written on a line of the list."""
    rows = rows_of(scene.snapshot)
    place = first_shown(rows, height - 1, scene.chosen) + line - 1
    return rows[place].step if line >= 1 and place < len(rows) else None


def found_by(scene: Scene, text: str) -> list[str]:
    """Return the steps of the list whose words or id hold every word of a text; none without words."""
    return [row.step for row in rows_of(scene.snapshot) if text.strip() and _has(scene, row.step, text)]


def left_out_by(scene: Scene, text: str) -> str:
    """Return the steps with these words that are advised to be left out."""
    out = scene.snapshot.passed_over
    steps = [state.step for state in scene.progress.steps.values() if state.step.task in out]
    return ", ".join(step.id for step in steps if _has(scene, step.id, text))


def _has(scene: Scene, step: str, text: str) -> bool:
    words = f"{step} {scene.progress.steps[step].step.do}".casefold()
    return all(word in words for word in text.casefold().split())


def _head(scene: Scene, rows: Sequence[Row], top: int, shown: int, width: int) -> Line:
    below = len(rows) - top - shown
    snapshot = scene.snapshot
    out = sum(s.step.task in snapshot.passed_over for s in snapshot.progress.steps.values())
    counts = f"{sum(row.done for row in rows)} of {len(rows)} done{f', {out} left out' if out else ''}"
    hidden = ", ".join(f"{n} {where}" for n, where in ((top, "above"), (below, "below")) if n)
    title = f" steps   {counts}"
    tail = _columns("plan", "now", "", "time", width)
    room = width - sum(len(span.text) for span in tail)
    hidden = f"   ({hidden})" if hidden else ""
    names = f": {', '.join(sorted(snapshot.passed_over))}" if out else ""
    title += names if len(title) + len(names) + len(hidden) < room else ""
    title += hidden if len(title) + len(hidden) < room else ""
    return crop((put(title, room, "dim"), *tail), width)


def _columns(plan: str, real: str, late: str, time: str, width: int, ink: Ink = "dim") -> tuple[Span, ...]:
    """Return the right-hand columns: planned, now, difference, and with room the time taken of planned."""
    late_ink: Ink = "late" if late.startswith("+") and len(late) >= 3 else ink
    spans = [
        put(plan, 6, "dim", right=True),
        put(real, 7, ink, right=True),
        put(late, 6, late_ink, right=True),
    ]
    if width >= 88:
        spans.append(put(time, 17 if width >= 96 else 9, "dim", right=True))
    return (*spans, Span(" "))


def _line(scene: Scene, row: Row, width: int) -> Line:
    progress = scene.progress
    state = progress.steps[row.step]
    stand = stand_of(progress, row.step, scene.now)
    if row.step in scene.hollow:
        stand = StepStanding("unsaved" if scene.disk.unsaved else "saving", ink="hollow")
    ink: Ink = "dim" if row.done else "strong" if stand.word == "now" else ""
    late = row.real - row.planned if row.real is not None and row.planned is not None else None
    tail = _columns(
        pet(row.planned),
        pet(row.real),
        difference(late) if scene.started else "",
        _time(scene, row, width),
        width,
        ink,
    )
    left = (
        Span(" "),
        put(stand.word, 8 if stand.ink == "hollow" else 5, stand.ink or ink),
        put(" ".join(state.crew) or "nobody", 9 if width >= 90 else 8, "dim" if row.done else ""),
    )
    room = width - sum(len(s.text) for s in (*left, *tail))
    line = (*left, *_doing(scene, row, stand, room, ink), *tail)
    if scene.chosen == row.step:
        line = tuple(Span(span.text, "chosen") for span in line)
    return crop(line, width)


def _doing(scene: Scene, row: Row, stand: StepStanding, room: int, ink: Ink) -> tuple[Span, ...]:
    """Return what the step is, its count, its reason to wait, and with much room its id."""
    state = scene.progress.steps[row.step]
    counted = f"  {state.counted} of {state.step.count}" if state.step.count > 1 else ""
    tail = counted
    if stand.word in ("wait", "go?", "held") and stand.why and room >= 56:
        tail += f"   {stand.why}"
    text = state.step.do + tail
    if scene.progress.tasks[state.step.task].optional:
        text, counted = f"[{text}]", f"{counted}]" if counted else ""
    name = (put(row.step, 26, "dim"),) if room >= 70 else ()
    room -= 26 if name else 0
    if counted and cell_len(plain(text)) > room > len(counted) + 8:
        # The count is read more often than the end of the words.
        begin = "[" if counted.endswith("]") else ""
        return (put(begin + state.step.do, room - len(counted), ink), Span(counted, ink), *name)
    return (put(text, room, ink), *name)


def _time(scene: Scene, row: Row, width: int) -> str:
    """Return the planned time, and once begun the work time so far before it."""
    state = scene.progress.steps[row.step]
    planned = format_exact(state.step.time.likely)
    if width < 96:
        return planned
    if state.ended == "done":
        return f"{pet_s(state.worked_s)} of {planned}"
    return f"of {planned}"
