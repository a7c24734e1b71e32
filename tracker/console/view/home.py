"""The way home after a recall: the earliest limit in large figures, and what everyone still has to do."""

from __future__ import annotations

from tracker.console.view.figures import large
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, crop, put, say
from tracker.console.view.words import count, limit_name, pet, stand_of
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
        words = f"inside {pet(scene.picture.ingress.get(crew))}   {count(len(steps), 'step')} left"
    return crop((put(f" {crew}", 9, "strong"), say(words)), width)


def _steps(scene: Scene) -> list[str]:
    """Return what the crew outside still has to do, by its projected end."""
    order = scene.progress.order
    steps = {step for crew in scene.progress.plan.outside for step in order.get(crew, ())}
    place = {step: n for n, step in enumerate(scene.progress.steps)}
    course = scene.picture.course
    return sorted(steps, key=lambda s: (course[s][1] if s in course else float("inf"), place[s]))


def _step(scene: Scene, step: str, width: int) -> Line:
    state = scene.progress.steps[step]
    stand = stand_of(scene.progress, step, scene.now)
    finish = scene.picture.course.get(step, (None, None))[1]
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
