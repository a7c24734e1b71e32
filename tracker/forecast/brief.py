"""The handover on one screen, and the page for paper when everything else fails."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from tracker.forecast.report import (
    alert_lines,
    crew_lines,
    headline,
    optional_lines,
    remaining,
    sections,
    step_lines,
    table,
    title,
    watch_lines,
)
from tracker.forecast.values import Estimate, StepFigure
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress

SCREEN = (24, 80)
"""Lines and columns of the smallest screen."""
PAGE = (62, 96)
"""Lines and columns of a printed page."""


def brief(progress: Progress, estimate: Estimate) -> list[str]:
    """Return the handover to the next operator: at most 24 lines of 80 columns.

    What matters most comes first; what does not fit is counted.
    """
    lines = [*title(progress, estimate), *headline(progress, estimate)]
    parts = [
        ("wants you", alert_lines(estimate)),
        ("crew", crew_lines(progress, estimate)),
        ("optional", [line for line in optional_lines(estimate) if not line.startswith("    ")]),
        ("watch", watch_lines(progress, estimate)),
        ("low", _low(estimate)),
        ("lately", _lately(progress)),
    ]
    foot = wrap(estimate.advisory, SCREEN[1])
    room = SCREEN[0] - len(lines) - len(foot)
    present = [(head, found) for head, found in parts if found]
    for k, (head, found) in enumerate(present):
        if room < 2:
            break
        # Every part that follows keeps room for two lines.
        share = max(1, room - 2 * (len(present) - k - 1))
        kept = [f"{head}:", *_fitting(found, share - 1)][:share]
        lines += kept
        room -= len(kept)
    return [plain(line, most=SCREEN[1]) for line in [*lines[: SCREEN[0] - len(foot)], *foot]]


def _fitting(lines: Sequence[str], most: int) -> list[str]:
    """Return the first lines, and how many more there are where that leaves room for one of them."""
    if len(lines) <= most or most < 2:
        return list(lines[:most])
    return [*lines[: max(0, most - 1)], f"  and {len(lines) - max(0, most - 1)} more"]


def _low(estimate: Estimate) -> list[str]:
    """Return the consumables most likely to run short, and readings that contradict the model."""
    ranked = sorted(estimate.consumables, key=lambda f: (-f.short, f.reserve_reached.p50 or float("inf")))
    rows = [
        (
            f"{f.crew}.{f.consumable}",
            f"{f.now:.4g} {f.unit}",
            f"reserve at {format_pet(f.reserve_reached.p50)}",
            "never read" if f.read_at is None else f"read {format_pet(f.read_at)}",
            "! reading contradicts" if f.flagged else "",
        )
        for f in ranked[:3]
    ]
    return table(rows)


def _lately(progress: Progress) -> list[str]:
    """Return the last notes and decisions."""
    told = []
    for event in reversed(progress.events):
        text = event.body.get("text")
        if event.kind == "chose":
            told.append(f"  {format_pet(event.at)} chose {event.body.get('choice')} {event.body.get('task')}")
        elif event.kind in ("noted", "held", "called") and text:
            told.append(f"  {format_pet(event.at)} {event.kind}: {plain(text, most=60)}")
        if len(told) == 4:
            break
    return told


def page(progress: Progress, estimate: Estimate, *, number: int, digest: str) -> list[str]:
    """Return the page for paper: what remains with projected times, last calls, turn-back, open items.

    `number` and `digest` name the last event it knows of.
    """
    parts = [
        ("", [*title(progress, estimate), f"event {number}  {digest}", *headline(progress, estimate)]),
        ("crew", crew_lines(progress, estimate)),
        ("optional: advice, last call", optional_lines(estimate)),
        ("watch", watch_lines(progress, estimate)),
    ]
    lines = sections(parts)
    room = PAGE[0] - len(lines) - 3
    steps = _steps(progress, estimate, room)
    tail = sections([("still to do, by projected start", steps)]) if steps else ["nothing is left to do", ""]
    return [plain(line, most=PAGE[1]) for line in [*lines, *tail, estimate.advisory]]


def _steps(progress: Progress, estimate: Estimate, room: int) -> list[str]:
    """Return the remaining steps: one a line, or side by side and shorter where they do not fit."""
    left = remaining(estimate)
    if len(left) <= room:
        return step_lines(progress, left)
    cells = [plain(f"{_span(s)} {' '.join(s.crew)} {s.step}", most=46) for s in left]
    half = -(-len(cells) // 2)
    second = [*cells[half:], *[""] * (2 * half - len(cells))]
    return table(zip(cells[:half], second, strict=True))


def _span(figure: StepFigure) -> str:
    """Return projected start and finish; a step that the advice leaves out has none."""
    if figure.start.p50 is None:
        return "left out "
    return f"{format_pet(figure.start.p50)}-{format_pet(figure.finish.p50)}"
