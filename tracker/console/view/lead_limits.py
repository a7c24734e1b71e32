"""Every limit: how likely it is broken, what is to spare, and where that is going."""

from __future__ import annotations

from tracker.console.view.grid import block, heading, is_cut, margin, remark, under
from tracker.console.view.lead_scene import TREND_S, LeadScene
from tracker.console.view.styled_text import Ink, Line, crop, put, say
from tracker.console.view.words import limit_name, percent, pet
from tracker.forecast.values import LimitFigure

STEADY_S = 300.0
"""A margin that changed by less is called steady."""
NEAR_S = 600.0
"""How far from half an hour ago an estimate may lie to be told a trend from."""


def limits(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return one row per limit, the binding one first."""
    head = heading("limits", width, "what is to spare at ingress")
    estimate = scene.estimate
    if estimate is None:
        return block(head, [remark("being worked out", width)], width, height)
    lines = [_titles(width)]
    for figure in ordered(scene):
        row = _row(scene, figure, width)
        lines.append(row)
        if scene.whole and is_cut(row):
            lines += under(limit_name(figure.id), width)
    return block(head, lines, width, height, scene.key("whole"), "limit")


def ordered(scene: LeadScene) -> list[LimitFigure]:
    """Return the limits, the binding one first, then by their chance of being broken."""
    estimate = scene.estimate
    assert estimate is not None
    first = estimate.binding.id if estimate.binding is not None else None
    lasting = float("inf")
    return sorted(
        estimate.limits,
        key=lambda f: (
            f.id != first, -f.chance, f.margin.p50 if f.margin.p50 is not None else lasting, f.id,
        ),
    )  # fmt: skip


def _columns(width: int) -> tuple[int, bool, bool]:
    """Return the room of the name, and whether nine of ten and what it was before have columns."""
    nine, before = width >= 52, width >= 66
    return (width - 30 - 9 * nine - 10 * before, nine, before)


def _titles(width: int) -> Line:
    name, nine, before = _columns(width)
    spans = [put(" limit", name, "dim"), put("broken", 8, "dim", right=True)]
    if nine:
        spans.append(put("9 of 10", 9, "dim", right=True))
    spans.append(put("median", 8, "dim", right=True))
    if before:
        spans.append(put(f"{pet(TREND_S)} ago", 10, "dim", right=True))
    return crop((*spans, put("  trend", 14, "dim")), width)


def _row(scene: LeadScene, figure: LimitFigure, width: int) -> Line:
    name, nine, before = _columns(width)
    estimate = scene.estimate
    assert estimate is not None
    binds = estimate.binding is not None and figure.id == estimate.binding.id
    over: Ink = "late" if (figure.margin.p50 or 0.0) < 0 or figure.chance > 0.5 else ""
    words = f" {limit_name(figure.id)}"
    if binds and len(words) + 10 < name:
        words += ", tightest"
    spans = [put(words, name, "strong" if binds else ""), put(percent(figure.chance), 8, over, right=True)]
    if nine:
        spans.append(put(margin(figure.margin.p90), 9, over, right=True))
    spans.append(put(margin(figure.margin.p50), 8, over, right=True))
    was = _before(scene, figure.id)
    if before:
        spans.append(put(margin(was), 10, "dim", right=True))
    return crop((*spans, say(f"  {trend(was, figure.margin.p50)}")), width)


def _before(scene: LeadScene, limit: str) -> float | None:
    """Return the margin of half an hour ago."""
    estimate = scene.estimate
    assert estimate is not None
    point = scene.point_at(estimate.at - TREND_S, NEAR_S)
    return point.margins.get(limit) if point is not None and point.at < estimate.at else None


def trend(before: float | None, now: float | None) -> str:
    """Return where a margin goes: `shrinks 0:08`, `grows 0:04`, `steady`; nothing where it is not known."""
    if before is None or now is None:
        return ""
    change = now - before
    if abs(change) < STEADY_S:
        return "steady"
    return f"{'grows' if change > 0 else 'shrinks'} {pet(abs(change))}"
