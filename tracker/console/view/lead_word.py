"""How fresh this is: the last tick, and the last word from each crew member."""

from __future__ import annotations

from tracker.console.hands import crew_of
from tracker.console.view.ink import Ink, Line, Span, crop, put, say
from tracker.console.view.lead_parts import block, heading
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.saying import event_words
from tracker.console.view.words import pet, pet_s, stand_of, took
from tracker.journal.progress import Recorded

TICKS = frozenset({"began", "counted", "done", "skipped"})
LONG_S = 1200.0
"""Without a word for so long a crew member's row says so."""


def word(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the age of the last tick and event, then per crew member what they do and their last word."""
    head = heading("how fresh", width, beside="ages as H:MM:SS")
    rows = [_event(scene, "last tick", last_tick(scene), width)]
    rows += [_member(scene, member.id, width) for member in scene.progress.plan.crew]
    rows.append(_event(scene, "journal", last_event(scene), width))
    rows.append(_readings(scene, width))
    return block(head, rows, width, height)


def last_tick(scene: LeadScene) -> Recorded | None:
    """Return the latest tick in force."""
    return next((event for event in reversed(scene.progress.events) if event.kind in TICKS), None)


def last_event(scene: LeadScene) -> Recorded | None:
    """Return the event that was recorded last."""
    recorded = scene.progress.fold.recorded
    return recorded[-1] if recorded else None


def age(scene: LeadScene, at: float) -> str:
    """Return how long ago something was."""
    return pet_s(max(0.0, scene.now - at))


def _event(scene: LeadScene, name: str, event: Recorded | None, width: int) -> Line:
    head = put(f" {name}", 11, "dim")
    if event is None:
        return crop((head, put("-", 9, "dim", right=True), say("  nothing yet", "dim")), width)
    words = event_words(scene.progress, event.kind, event.body)
    ago = age(scene, event.at) if scene.started else "-"
    return crop((head, put(ago, 9, right=True), say(f"  {event.number} {words}")), width)


def _member(scene: LeadScene, crew: str, width: int) -> Line:
    """Return one crew member: the age of their last word, where they stand, and what it was."""
    progress = scene.progress
    heard = progress.last_heard.get(crew)
    old = heard is not None and scene.now - heard > LONG_S and progress.closed is None
    ink: Ink = "late" if old else ""
    since = "-" if heard is None or not scene.started else age(scene, heard)
    spans = [put(f" {crew}", 11, "strong"), put(since, 9, ink, right=True), Span("  ")]
    if crew in progress.silent:
        spans.append(say(f"silent since {pet(progress.silent[crew])}  ", "alarm"))
    spans.append(say(_doing(scene, crew)))
    said = next((e for e in reversed(progress.events) if crew in crew_of(progress, e.body)), None)
    if said is not None and width >= 70:
        spans.append(say(f"   last: {event_words(progress, said.kind, said.body)}", "dim"))
    return crop(spans, width)


def _doing(scene: LeadScene, crew: str) -> str:
    progress = scene.progress
    if crew in progress.entered:
        return f"inside since {pet(progress.entered[crew])}"
    step = progress.current.get(crew)
    if step is None:
        return "no step is left"
    stand = stand_of(progress, step, scene.now)
    state = progress.steps[step]
    if stand.word == "now":
        return f"now {state.step.do}  {took(state, scene.now)}"
    return f"{stand.word} {state.step.do}" + (f", {stand.why}" if stand.why else "")


def _readings(scene: LeadScene, width: int) -> Line:
    """Return the age of the oldest of the last readings, account by account."""
    estimate = scene.estimate
    figures = estimate.consumables if estimate is not None else ()
    never = [f for f in figures if f.read_at is None]
    read = [f for f in figures if f.read_at is not None]
    head = put(" readings", 11, "dim")
    if not read:
        none = "no consumables" if not figures else "none yet"
        return crop((head, put("-", 9, "dim", right=True), say(f"  {none}", "dim")), width)
    oldest = min(read, key=lambda f: f.read_at or 0.0)
    words = f"  oldest: {oldest.crew} {oldest.consumable}" + (f"; never read: {len(never)}" if never else "")
    return crop((head, put(age(scene, oldest.read_at or 0.0), 9, right=True), say(words)), width)
