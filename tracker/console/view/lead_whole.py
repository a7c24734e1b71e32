"""Everything in full on one page to scroll through: what the regions cut or leave out for want of room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from tracker.console.view.alerts import waiting_alerts
from tracker.console.view.freshness import word
from tracker.console.view.grid import folded, heading, remark
from tracker.console.view.lead_decide import decide
from tracker.console.view.lead_levels import levels, readings
from tracker.console.view.lead_limits import limits
from tracker.console.view.lead_moved import moved_by
from tracker.console.view.lead_orders import orders
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.limits import tasks
from tracker.console.view.styled_text import Line, Span, blank, put, say
from tracker.console.view.what_if import what_if
from tracker.console.view.words import pet, pet_s, window_change
from tracker.journal.wording import event_words

_ROOM = 600
"""Rows that a region may take here at most."""
_REGIONS = (word, limits, moved_by, decide, tasks, readings, levels, what_if, orders)


def in_full(scene: LeadScene, width: int) -> list[Line]:
    """Return every line of the page, in the order of the lead's questions, the events last."""
    full = replace(scene, whole=True)
    lines = [*_alerts(full, width), *_excursion(full, width)]
    for region in _REGIONS:
        lines += [blank(width), *_trimmed(region(full, width, _ROOM))]
    return [*lines, blank(width), *_events(full, width)]


def _trimmed(lines: list[Line]) -> list[Line]:
    """Return the lines without the blank ones at the end."""
    last = max((k for k, line in enumerate(lines) if "".join(s.text for s in line).strip()), default=-1)
    return lines[: last + 1]


def _alerts(scene: LeadScene, width: int) -> list[Line]:
    """Return every alert, those that wait first, and trouble with the journal."""
    lines = [heading("alerts", width, "acknowledged at the desk")]
    if scene.trouble:
        lines += folded((say(" ! ", "alarm"), Span(" "), say(scene.trouble, "late")), width, 4)
    waiting = waiting_alerts(scene)
    every = scene.estimate.alerts if scene.estimate is not None else ()
    for alert in waiting:
        lines += folded((say(" ! ", "alarm"), Span(" "), say(alert.text, "late")), width, 4)
    for alert in every:
        if alert not in waiting:
            lines += folded((Span("   "), say(f" {alert.text} (acknowledged)", "dim")), width, 4)
    return lines if len(lines) > 1 else [*lines, remark("none", width)]


def _excursion(scene: LeadScene, width: int) -> list[Line]:
    """Return what is led: name, beginning, limits in force, the next change of a window."""
    progress = scene.progress
    rows = [("name", progress.plan.excursion + (" (rehearsal)" if progress.rehearsal else ""))]
    started = f"{progress.zero:%Y-%m-%d %H:%M:%S} UTC" if progress.zero is not None else "not yet"
    rows.append(("PET 0", f"{started}: {progress.plan.zero}"))
    rows += [("limit", f"{name}: {pet(at)}") for name, at in progress.limits.items()]
    change = window_change(progress, scene.now)
    rows += [("window", change)] if change else []
    lines = [blank(width), heading("excursion", width)]
    for name, words in rows:
        lines += folded((put(f" {name}", 9, "dim"), say(words)), width, 9)
    return lines


def _events(scene: LeadScene, width: int) -> list[Line]:
    """Return the events in force, the latest first."""
    progress = scene.progress
    lines = [heading("events", width, "the latest first")]
    for event in reversed(progress.events):
        said = event_words(progress, event.kind, event.body)
        lines += _event(width, (f" {event.number}", pet_s(event.at), said))
    return lines if progress.events else [*lines, remark("nothing yet", width)]


def _event(width: int, cells: Iterable[str]) -> list[Line]:
    number, at, said = cells
    return folded((put(number, 6, "dim"), put(at, 9, right=True), Span("  "), say(said)), width, 17)
