"""What runs down, per crew member: now, at ingress, the reserve and when, and how old the reading is."""

from __future__ import annotations

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Ink, Line, Span, block, crop, fit, put, say
from tracker.console.view.words import percent, pet
from tracker.forecast.values import ConsumableFigure


def consumables_list(scene: Scene, width: int, height: int, *, hint: bool = True) -> list[Line]:
    """Return one row per account; an empty state says how a reading is entered, where `hint` asks for it."""
    return fit(consumables_lines(scene, width, hint=hint), width, height)


def consumables_lines(scene: Scene, width: int, *, hint: bool = True) -> list[Line]:
    """Return all rows, as many as there are."""
    estimate = scene.estimate
    lines = [_head(width)]
    if not scene.progress.plan.consumables:
        lines.append(crop((say(" the plan names no consumables", "dim"),), width))
    elif estimate is None:
        lines.append(crop((say(" levels are being worked out", "dim"),), width))
    else:
        for figure in estimate.consumables:
            lines += _rows(scene, figure, width)
    accounts = estimate.consumables if estimate is not None and hint else ()
    if accounts and all(figure.read_at is None for figure in accounts):
        key = scene.key("reading")
        lines += block(
            f"no reading yet: {key} and {accounts[0].consumable} with a figure for each", width, "dim"
        )
    return lines


def _head(width: int) -> Line:
    spans = [
        put(" consumables", 26, "dim"),
        *(put(t, 9, "dim", right=True) for t in ("now", "inside", "reserve")),
    ]
    if width >= 64:
        spans.append(put("reached", 9, "dim", right=True))
    if width >= 76:
        spans.append(put("short", 7, "dim", right=True))
    spans.append(put("read", 10, "dim", right=True))
    return crop(spans, width)


def _rows(scene: Scene, figure: ConsumableFigure, width: int) -> list[Line]:
    crew = "shared" if figure.crew == "*" else figure.crew
    low = figure.short > 0.1
    ink: Ink = "late" if low else ""
    age = "never" if figure.read_at is None else f"{pet(max(0.0, scene.now - figure.read_at))} ago"
    spans = [
        Span(" "),
        put(crew, 7),
        put(figure.consumable, 13),
        put(figure.unit, 5, "dim"),
        *(put(_figure(v), 9, ink, right=True) for v in (figure.now, figure.at_inside.p50, figure.reserve)),
    ]
    if width >= 64:
        spans.append(put(pet(figure.reserve_reached.p50), 9, ink, right=True))
    if width >= 76:
        spans.append(put(percent(figure.short), 7, ink, right=True))
    spans.append(put(age, 10, "dim", right=True))
    lines = [crop(spans, width)]
    if figure.flagged:
        lines += block(f"   ! {figure.flagged}", width, "late", indent=5)
    return lines


def _figure(value: float | None) -> str:
    """Return a level with three figures that count."""
    if value is None:
        return "-"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}"
