"""What comes due: the next rows of it on the desk and the lead's first page, and all of it as a page."""

from __future__ import annotations

from tracker.console.view.alerts import coming_due, keys_for
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    blank,
    block,
    crop,
    heading,
    put,
    say,
    sides,
    tall,
)
from tracker.forecast.due import gap_words, gaps, next_due, when_due
from tracker.forecast.figures import Due
from tracker.foundation.shown import MINUTE_S, in_words

MOST_WIDE = 96
"""Columns of a row; further apart, what comes due and its keys are no longer read together."""


def due_rows(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the next things by their instants, as many as there are rows."""
    shown = next_due(scene.progress, coming_due(scene))[:height]
    return tall([_row(scene, one, width) for one in shown], width, height)


def due_section(scene: LeadScene, width: int, most: int) -> list[Line]:
    """Return the next things under a heading, without keys; nothing where there is none, or no room."""
    shown = next_due(scene.progress, coming_due(scene))[: max(0, most - 1)]
    return [heading("due", width), *(_row(scene, one, width, keys=False) for one in shown)] if shown else []


def due_page(scene: Scene, width: int) -> list[Line]:
    """Return everything that comes due with its keys, and what falls into the gaps of every link."""
    estimate, every = scene.estimate, coming_due(scene)
    if estimate is None or not every:
        why = "nothing is due: the clock does not run" if estimate else "the estimate is being worked out"
        return [crop((say(f" {why}", "dim"),), width)]
    lines = [_row(scene, one, width) for one in every]
    shut = [block(gap_words(gap), width, indent=2) for gap in gaps(scene.progress, estimate, now=scene.now)]
    for rows in (*shut, block(estimate.advisory, width, "dim")):
        lines += [blank(width), *rows]
    return lines


def _row(scene: Scene, one: Due, width: int, *, keys: bool = True) -> Line:
    """Return a row: its instant, how long until then, what it is, and the keys."""
    ink: Ink = "late" if one.at < scene.now - MINUTE_S else ""
    left = (put(when_due(one), 11, "strong", right=True), put(f"  {in_words(one.at, scene.now)}", 12, ink))
    words = " or ".join(keys_for(scene, line) for line in one.do) if keys else ""
    near = min(width - 1, MOST_WIDE)
    line = sides(near, (*left, Span("  "), say(one.text)), (say(f"  {words}" if words else "", "key"),))
    return crop(line, width)
