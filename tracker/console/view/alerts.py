"""What wants a person, and what was just said: both in full, in as many rows as they need.

What is chosen, in full: a step, a crew member's line, an event. It stands where messages stand.

The events of the journal, latest first, each to be corrected or taken back.

The bottom line: the keys that can be pressed now.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import (
    Line,
    Span,
    blank,
    block,
    crop,
    fit,
    put,
    say,
    sides,
    tall,
    wrapped,
)
from tracker.console.view.words import following_step, pet, pet_s, stand_of
from tracker.forecast.values import Alert
from tracker.foundation.text import count
from tracker.foundation.times import format_exact
from tracker.journal.progress import Progress, Recorded, StepState
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
    real = scene.snapshot.course.get(step)
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
    return [f"{coming} at {pet(scene.snapshot.course.get(step, (None, None))[0])}"]


def _left_out(scene: Scene, step: str) -> str:
    """Return that the figures leave a step out, though it is still in its place, and the keys that decide."""
    task = scene.progress.steps[step].step.task
    if task not in scene.snapshot.passed_over:
        return ""
    keys = f"{scene.key('drop')} drops it, {scene.key('keep')} keeps it"
    advice = scene.snapshot.advised[task].advice
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


def waiting_alerts(scene: Scene) -> list[Alert]:
    """Return the alerts that nobody has acknowledged yet."""
    estimate = scene.estimate
    return [a for a in estimate.alerts if not _seen(scene, a)] if estimate else []


def _seen(scene: Scene, alert: Alert) -> bool:
    return alert.acknowledged or alert.id in scene.progress.acknowledged


def alert_rows(scene: Scene, width: int) -> tuple[int, int]:
    """Return how many rows the first alert takes, and all of them."""
    alerts = waiting_alerts(scene)
    rows = [len(_rows(alert, width, _room_for(scene, len(alerts)))) for alert in alerts]
    return (rows[0], sum(rows)) if rows else (0, 0)


def alert_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the alerts that fit, each in full; the first with the key that acknowledges it."""
    alerts = waiting_alerts(scene)
    shown: list[list[Line]] = []
    for alert in alerts:
        rows = _rows(alert, width, _room_for(scene, len(alerts)))
        if shown and sum(map(len, shown)) + len(rows) > height:
            break
        shown.append(rows)
    lines = [row for rows in shown for row in rows][:height]
    right = (say(_hint(scene, len(alerts) - len(shown)), "dim"),)
    return tall(
        [sides(width, row, right if place == 0 else ()) for place, row in enumerate(lines)], width, height
    )


def _hint(scene: Scene, more: int) -> str:
    """Return the key that acknowledges, and how many alerts have no room."""
    others = f"  {more} more: {scene.key('alerts')}" if more > 0 else ""
    return f"{others}  {scene.key('acknowledge')} acknowledges "


def _room_for(scene: Scene, alerts: int) -> int:
    """Return the columns that the keys may take beside the first of so many alerts."""
    return len(_hint(scene, 9 if alerts > 1 else 0))


def _rows(alert: Alert, width: int, taken: int) -> list[Line]:
    """Return an alert in rows that leave room for the keys beside the first."""
    room = max(20, width - 4 - taken)
    first, *others = wrapped(alert.text, room)
    return [(say(" ! ", "alarm"), say(f" {first}", "late")), *((say(f"    {o}", "late"),) for o in others)]


def alerts_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return every alert of this instant in full, those acknowledged after those that wait."""
    alerts = scene.estimate.alerts if scene.estimate else ()
    waiting = waiting_alerts(scene)
    title = f"{count(len(waiting), 'alert')}   {scene.key('acknowledge')} acknowledges the first"
    lines = [crop((put(" alerts", 9, "dim"), say(title if waiting else "no alert waits", "dim")), width)]
    for alert in sorted(alerts, key=lambda a: _seen(scene, a)):
        seen = _seen(scene, alert)
        mark, ink = ("seen ", "dim") if seen else ("  !  ", "late")
        rows = block(alert.text, width - 6, "dim" if seen else "late")
        lines += [
            crop((Span(" "), say(mark if place == 0 else "     ", ink), *row), width)  # type: ignore[arg-type]
            for place, row in enumerate(rows)
        ]
    return fit(lines, width, height)


def message_line(scene: Scene, width: int) -> Line:
    """Return the line that says what a key just did, or why it did nothing."""
    return crop((Span(" "), say(scene.said, scene.said_ink)), width)


def message_rows(scene: Scene, width: int) -> int:
    """Return how many rows the message needs."""
    return len(message_lines(scene, width, 100, pad=False))


def message_lines(scene: Scene, width: int, height: int, *, pad: bool = True) -> list[Line]:
    """Return what a key just did, or why it did nothing; else what is chosen, in full."""
    words, ink = (scene.said, scene.said_ink) if scene.said else (detail(scene), "")
    lines = block(words, width, ink, most=height)
    return [*lines, *[blank(width)] * (height - len(lines))] if pad else lines


def listed(scene: Scene) -> list[Recorded]:
    """Return every event, the latest number first."""
    return sorted(scene.progress.fold.recorded, key=lambda event: -event.number)


def events_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the events with number, PET, who wrote it and what it says; those taken back are marked."""
    events = listed(scene)
    force = {event.number for event in scene.progress.events}
    top = _top(scene, events, height)
    below = len(events) - top - (height - 1)
    hidden = ", ".join(f"{n} {where}" for n, where in ((top, "newer"), (below, "older")) if n > 0)
    hint = f"arrows choose   Enter corrects   Backspace takes back{f'   ({hidden})' if hidden else ''}"
    lines = [crop((put(" events", 9, "dim"), say(hint, "dim")), width)]
    for event in events[top : top + height - 1]:
        lines.append(_line(scene, event, event.number in force, width))
    if not events:
        lines.append(crop((say(" nothing is on record yet", "dim"),), width))
    return (lines + [blank(width)] * height)[:height]


def event_at(scene: Scene, height: int, line: int) -> str | None:
    """Return the number of the event that is written on a line of the list."""
    events = listed(scene)
    place = _top(scene, events, height) + line - 1
    return str(events[place].number) if line >= 1 and place < len(events) else None


def _top(scene: Scene, events: list[Recorded], height: int) -> int:
    """Return the first event to show; the chosen one is in the middle where it can be."""
    chosen = next((i for i, event in enumerate(events) if str(event.number) == scene.chosen), 0)
    return max(0, min(chosen - (height - 1) // 2, len(events) - (height - 1)))


def _line(scene: Scene, event: Recorded, force: bool, width: int) -> Line:
    seat = 24 if width >= 100 else 0
    line: Line = (
        put(event.number, 6, "dim", right=True),
        put(pet_s(event.at), 10, "" if event.stated else "dim", right=True),
        Span("  "),
        put("" if force or event.kind == "withdrawn" else "back", 6, "late"),
        put(
            event_words(scene.progress, event.kind, event.body),
            max(10, width - 24 - seat),
            "" if force else "dim",
        ),
        put(f" {event.seat}" if seat else "", seat, "dim"),
    )
    if scene.chosen == str(event.number):
        line = tuple(Span(span.text, "chosen") for span in line)
    return crop(line, width)


def footer_line(pairs: Sequence[tuple[str, str]], width: int) -> Line:
    """Return keys and words; what no longer fits is left out, the last two (help, quit) never."""
    kept, last = list(pairs[:-2]), list(pairs[-2:])
    while kept and _needs([*kept, *last]) > width:
        kept.pop()
    spans: list[Span] = [Span(" ")]
    for key, words in [*kept, *last]:
        spans += [Span(key, "key"), Span(f" {words}  ", "dim")]
    return crop(spans, width)


def command_at(pairs: Sequence[tuple[str, str]], width: int, column: int) -> str | None:
    """Return the key of the command that is written at a column of the footer."""
    at = 0
    spans = footer_line(pairs, width)
    for place, span in enumerate(spans):
        at += len(span.text)
        if column < at:
            own = span if span.ink == "key" else spans[place - 1] if span.ink == "dim" else None
            return own.text if own is not None and own.ink == "key" else None
    return None


def _needs(pairs: Sequence[tuple[str, str]]) -> int:
    return 1 + sum(len(key) + len(words) + 3 for key, words in pairs)
