"""What is chosen, in full: a step, a crew member's line, an event. It stands where messages stand."""

from __future__ import annotations

from datetime import timedelta

from tracker.console.view.scene import Scene
from tracker.console.view.words import count, following_step, pet, pet_s, stand_of
from tracker.foundation.times import format_exact
from tracker.journal.progress import Progress, StepState
from tracker.journal.wording import event_words

MOST = 1500
"""Characters; a note longer than that ends in three points."""


def detail(scene: Scene) -> str:
    """Return everything about what is chosen; without a choice what starts the clock; else nothing."""
    progress, chosen = scene.progress, scene.chosen
    if chosen is None:
        return "" if scene.started else f"{scene.key('zero')} starts the clock: {progress.plan.zero}"
    if chosen in progress.steps:
        return _step(scene, chosen)
    if chosen in progress.plan.member:
        return _crew(scene, chosen)
    return _event(scene, int(chosen)) if chosen.isdigit() else ""


def _step(scene: Scene, step: str) -> str:
    progress = scene.progress
    state = progress.steps[step]
    stand = stand_of(progress, step, scene.now)
    joined = ", " if stand.word in ("held", "go?") else " "
    word = f"{stand.word}{joined}{stand.why}" if stand.why else stand.word
    who = " ".join(state.crew) or "nobody"
    counted = f", {state.counted} of {state.step.count}" if state.step.count > 1 else ""
    first = f"{step}  {who}  {state.step.do}{counted}"
    out = _left_out(scene, step)
    return "; ".join([first, word, *([out] if out else []), *_times(scene, step), *_bonds(progress, state)])


def _times(scene: Scene, step: str) -> list[str]:
    """Return when it was planned, and when it happened or is projected."""
    state = scene.progress.steps[step]
    planned = scene.progress.planned.get(step)
    parts = [f"takes {format_exact(state.step.time.likely)}"]
    if planned is not None:
        parts.append(f"planned {pet(planned[0])} to {pet(planned[1])}")
    real = scene.picture.course.get(step)
    if real is not None:
        word = "was" if state.ended else "projected"
        parts.append(f"{word} {pet(real[0])} to {pet(real[1])}")
    return parts


def _bonds(progress: Progress, state: StepState) -> list[str]:
    """Return what ties the step to a place, a go, a window, other steps."""
    step = state.step
    needs = progress.needs.get(step.id, ())
    found = {
        "at": step.site or "",
        "hold point": step.hold_point or "",
        "only in": " and ".join(step.windows),
        "after": ", ".join(needs),
        "opens": ", ".join(step.opens),
        "closes": ", ".join(step.closes),
    }
    parts = [f"{word} {what}" for word, what in found.items() if what]
    if step.within is not None:
        parts.append(f"done within {format_exact(step.within.time)} of {step.within.of}")
    return parts


def _crew(scene: Scene, crew: str) -> str:
    progress = scene.progress
    name = progress.plan.member[crew].name
    known = f"{crew} ({name})" if name and name != crew else crew
    parts = [_stands(scene, crew)]
    if crew in progress.silent:
        parts.append("voice lost")
    left = len(progress.order.get(crew, ()))
    parts += _coming(scene, crew) if crew not in progress.entered else []
    return f"{known}: {'; '.join(parts)}; {count(left, 'step')} left"


def _stands(scene: Scene, crew: str) -> str:
    progress = scene.progress
    if crew in progress.entered:
        return f"inside since {pet(progress.entered[crew])}"
    step = progress.current.get(crew)
    do = f"{progress.steps[step].step.do} ({step})" if step else "no step"
    if crew in progress.holds:
        hold = progress.holds[crew]
        return f"held since {pet_s(hold.since)}, {hold.text or 'no reason given'}; at {do}"
    if step is None:
        return "nothing at hand"
    stand = stand_of(progress, step, scene.now)
    joined = ", " if stand.word == "go?" else " "
    return f"{stand.word}{joined}{stand.why}; at {do}" if stand.why else f"{stand.word} {do}"


def _coming(scene: Scene, crew: str) -> list[str]:
    step = following_step(scene.progress, crew)
    if step is None:
        return []
    others = [c for c in scene.progress.steps[step].crew if c != crew]
    joint = f" with {' '.join(others)}" if others else ""
    coming = f"next {scene.progress.steps[step].step.do} ({step}){joint}"
    if why := _left_out(scene, step):
        return [coming, why]
    return [f"{coming} at {pet(scene.picture.course.get(step, (None, None))[0])}"]


def _left_out(scene: Scene, step: str) -> str:
    """Return that the figures leave a step out, though it is still in its place, and the keys that decide."""
    task = scene.progress.steps[step].step.task
    if task not in scene.picture.passed_over:
        return ""
    keys = f"{scene.key('drop')} drops it, {scene.key('keep')} keeps it"
    advice = scene.picture.advised[task].advice
    return f"the figures leave {task} out (advice: {advice}), nobody has decided: {keys}"


def _event(scene: Scene, number: int) -> str:
    progress = scene.progress
    event = next((e for e in progress.fold.recorded if e.number == number), None)
    if event is None:
        return ""
    zero = progress.zero
    utc = f" = {zero + timedelta(seconds=event.at):%H:%M:%S} UTC" if zero is not None else ""
    how = "stated" if event.stated else "by the clock"
    words = event_words(progress, event.kind, event.body, most=MOST)
    force = {e.number for e in progress.events}
    back = "" if number in force or event.kind == "withdrawn" else " (taken back or corrected)"
    written = f"written {event.recorded:%H:%M:%S} UTC by {event.seat}"
    return f"{number} at {pet_s(event.at)}{utc}, {how}{back}: {words}; {written}"
