"""The way home after a recall: the earliest limit in large figures, and what everyone still has to do."""

from __future__ import annotations

from tracker.console.view.figures import large
from tracker.console.view.ink import Line, Span, blank, crop, put, say
from tracker.console.view.scene import Scene
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
    lines.append(blank(width))
    for crew in scene.progress.plan.outside:
        lines += _member(scene, crew, width)
    lines += _left_open(scene, width)
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


def _member(scene: Scene, crew: str, width: int) -> list[Line]:
    progress = scene.progress
    steps = progress.order.get(crew, ())
    end = scene.picture.ingress.get(crew)
    if crew in progress.entered or not steps:
        words = (
            f"inside since {pet(progress.entered[crew])}" if crew in progress.entered else "no step is left"
        )
        return [crop((put(f" {crew}", 8, "strong"), say(words, "dim")), width)]
    head = f"inside {pet(end)}   {count(len(steps), 'step')} left"
    lines = [crop((put(f" {crew}", 8, "strong"), say(head)), width)]
    for step in steps:
        state = progress.steps[step]
        stand = stand_of(progress, step, scene.now)
        finish = scene.picture.course.get(step, (None, None))[1]
        lines.append(
            crop(
                (
                    Span("        "),
                    put(stand.word, 6, stand.ink),
                    put(state.step.do, max(10, width - 34)),
                    put(format_exact(state.step.time.likely), 8, "dim", right=True),
                    put(pet(finish), 8, right=True),
                ),
                width,
            )
        )
    return lines


def _left_open(scene: Scene, width: int) -> list[Line]:
    items = [item.item for item in scene.progress.open_items]
    return [crop((say(f" open: {', '.join(items)}", "late"),), width)] if items else []
