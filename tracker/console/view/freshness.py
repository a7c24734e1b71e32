"""How fresh this is: the last tick, and the last word from each crew member."""

from __future__ import annotations

from tracker.console.key_events import crew_of
from tracker.console.view.grid import folded, heading, region
from tracker.console.view.scene import LeadScene
from tracker.console.view.styled_text import Ink, Line, Span, put, say
from tracker.console.view.words import pet, pet_s, stand_of, took
from tracker.journal.kinds import TICKS
from tracker.journal.progress import Recorded
from tracker.journal.wording import event_words

LONG_S = 1200.0
"""Without a word for so long a crew member's row says so."""


def word(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the age of the last tick and event, then per crew member what they do and their last word."""
    head = heading("how fresh", width, "ages as H:MM:SS")
    rows = [_event(scene, "last tick", last_tick(scene))]
    rows += [_member(scene, member.id, width) for member in scene.progress.plan.crew]
    rows.append(_event(scene, "journal", last_event(scene)))
    rows.append(_readings(scene))
    lines = [line for row in rows for line in (folded(row, width, 22) if scene.whole else [row])]
    return region(head, lines, width, height, scene.key("whole"))


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


def _event(scene: LeadScene, name: str, event: Recorded | None) -> Line:
    head = put(f" {name}", 11, "dim")
    if event is None:
        return (head, put("-", 9, "dim", right=True), say("  nothing yet", "dim"))
    words = event_words(scene.progress, event.kind, event.body)
    ago = age(scene, event.at) if scene.started else "-"
    return (head, put(ago, 9, right=True), Span("  "), say(f"{event.number} {words}"))


def _member(scene: LeadScene, crew: str, width: int) -> Line:
    """Return one crew member: the age of their last word, where they stand, and what it was."""
    progress = scene.progress
    heard = progress.last_heard.get(crew)
    old = heard is not None and scene.now - heard > LONG_S and progress.closed is None
    ink: Ink = "late" if old else ""
    since = "-" if heard is None or not scene.started else age(scene, heard)
    name = say(f" {crew} ", "strong") if scene.whole and len(crew) > 10 else put(f" {crew}", 11, "strong")
    spans = [name, put(since, 9, ink, right=True), Span("  ")]
    if crew in progress.silent:
        spans.append(say(f"silent since {pet(progress.silent[crew])}  ", "alarm"))
    spans.append(say(_doing(scene, crew)))
    said = next((e for e in reversed(progress.events) if crew in crew_of(progress, e.body)), None)
    if said is not None and (width >= 70 or scene.whole):
        spans.append(say(f"   last: {event_words(progress, said.kind, said.body)}", "dim"))
    return tuple(spans)


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
    hold = next((progress.holds[c] for c in state.crew if c in progress.holds), None)
    until = f", until {pet(hold.until)}" if stand.word == "held" and hold and hold.until is not None else ""
    parted = ", " if stand.word in ("held", "go?") else " "
    return (
        f"{stand.word}{parted}{stand.why}{until}: {state.step.do}"
        if stand.why
        else f"{stand.word} {state.step.do}"
    )


def _readings(scene: LeadScene) -> Line:
    """Return the age of the oldest of the last readings, account by account."""
    estimate = scene.estimate
    figures = estimate.consumables if estimate is not None else ()
    never = [f for f in figures if f.read_at is None]
    read = [f for f in figures if f.read_at is not None]
    head = put(" readings", 11, "dim")
    if not read:
        none = "no consumables" if not figures else "none yet"
        return (head, put("-", 9, "dim", right=True), say(f"  {none}", "dim"))
    oldest = min(read, key=lambda f: f.read_at or 0.0)
    words = f"oldest: {oldest.crew} {oldest.consumable}" + (f"; never read: {len(never)}" if never else "")
    return (head, put(age(scene, oldest.read_at or 0.0), 9, right=True), Span("  "), say(words))
