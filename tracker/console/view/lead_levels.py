"""What runs down, as curves: what was left through the day, what will be left at ingress, and the reserve."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from tracker.console.view.consumables import consumables_list
from tracker.console.view.ink import Ink, Line, Span, crop
from tracker.console.view.lead_parts import Cells, block, heading, remark
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.words import pet
from tracker.forecast.values import ConsumableFigure

_GOOD_WIDTH, _LEAST_WIDTH, _LEAST_HEIGHT = 24, 19, 5
_MOST_HEIGHT = 9

Place = Callable[[float], int]
"""From a value to the cell it is drawn in."""


def levels(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return a small curve per account, as many beside one another as have room."""
    beside = "▀▄ so far, ░ at ingress, ─ reserve"
    head = heading("consumables", width, beside=beside if width >= 54 else "")
    estimate = scene.estimate
    if not scene.progress.plan.consumables:
        return block(head, [remark("the plan names no consumables", width)], width, height)
    if estimate is None:
        return block(head, [remark("levels are being worked out", width)], width, height)
    figures = estimate.consumables
    across, tall = _arrange(len(figures), width, height - 1)
    lines: list[Line] = []
    for begin in range(0, len(figures), across):
        row = [_curve(scene, f, width // across - 1, tall) for f in figures[begin : begin + across]]
        for parts in zip(*row, strict=True):
            lines.append(crop([span for part in parts for span in (*part, Span(" "))], width))
    return block(head, lines, width, height)


def readings(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return every account as a row: levels, reserve, when it is reached, age of the reading."""
    head = heading("levels and readings", width)
    return block(head, consumables_list(scene, width, height - 1), width, height)


def _arrange(number: int, width: int, height: int) -> tuple[int, int]:
    """Return how many curves stand beside one another, and how tall each is."""
    for width_of_one in (_GOOD_WIDTH, _LEAST_WIDTH):
        rows = -(-number // max(1, width // width_of_one))
        if rows * _LEAST_HEIGHT <= height:
            break
    return -(-number // rows), max(_LEAST_HEIGHT, min(_MOST_HEIGHT, height // rows))


def _curve(scene: LeadScene, figure: ConsumableFigure, width: int, height: int) -> list[Line]:
    """Return one account: a name with its figures, then the curve over the day towards the limit."""
    crew = "shared" if figure.crew == "*" else figure.crew
    said = _words(scene, figure, width)[: 2 if height >= 6 else 1]
    cells = Cells(width, height - 1 - len(said))
    supply = scene.progress.plan.consumable[figure.consumable]
    top = max([supply.start, figure.now, *_past(scene, figure).values()])
    estimate = scene.estimate
    assert estimate is not None
    end = max(scene.progress.limits.get("elapsed", 0.0), scene.present, estimate.inside.p90 or 0.0, 60.0)

    def half(level: float) -> int:
        """Return the half row from the top down: half blocks make a small curve twice as fine."""
        most = 2 * cells.height - 1
        return round((1.0 - max(0.0, level) / top) * most) if top > 0 else most

    def row(level: float) -> int:
        return half(level) // 2

    def column(at: float) -> int:
        return int(at / end * (width - 1))

    cells.across(row(figure.reserve), "─", "accent")
    _draw(scene, figure, cells, half, column)
    short: Ink = "late" if figure.short > 0.1 else ""
    inside = estimate.inside.p50
    if inside is not None and figure.at_inside.p10 is not None and figure.at_inside.p90 is not None:
        for y in range(row(figure.at_inside.p90), row(figure.at_inside.p10) + 1):
            cells.put(column(inside), y, "░", short)
    name = crop((Span(f"{crew} {figure.consumable}", "strong"),), width)
    words = [crop((Span(line, short or "dim"),), width) for line in said]
    return [name, *words, *cells.lines()]


def _words(scene: LeadScene, figure: ConsumableFigure, width: int) -> tuple[str, str]:
    """Return what is left now and at ingress, then when the reserve is reached and how old the reading is."""
    now, then = level(figure.now), level(figure.at_inside.p50)
    reached = pet(figure.reserve_reached.p50)
    read = "never" if figure.read_at is None else pet(scene.now - figure.read_at)
    if width < 32:
        return (f"{now} > {then} {figure.unit}", f"till {reached} read {read}")
    old = "never read" if figure.read_at is None else f"read {read} ago"
    return (f"{now} now, {then} inside, {figure.unit}", f"reserve at {reached}, {old}")


def _past(scene: LeadScene, figure: ConsumableFigure) -> dict[float, float]:
    key = f"{figure.crew}.{figure.consumable}"
    return {p.at: p.levels[key] for p in scene.points if key in p.levels and p.at <= scene.now}


def _draw(scene: LeadScene, figure: ConsumableFigure, cells: Cells, half: Place, column: Place) -> None:
    """Draw what was left, and a dotted line from there to ingress."""
    past = _past(scene, figure)
    estimate = scene.estimate
    assert estimate is not None
    past[estimate.at] = figure.now
    known = sorted(past.items())
    for (a, left), (b, right) in pairwise(known):
        for x in range(column(a), column(b) + 1):
            share = (x - column(a)) / max(1, column(b) - column(a))
            y = half(left + (right - left) * share)
            cells.put(x, y // 2, "▀▄"[y % 2], "dim")
    y = half(figure.now)
    cells.put(column(estimate.at), y // 2, "▀▄"[y % 2], "strong")
    inside, then = estimate.inside.p50, figure.at_inside.p50
    if inside is None or then is None:
        return
    first, last = column(estimate.at) + 1, column(inside)
    for x in range(first, last):
        y = half(figure.now + (then - figure.now) * (x - first + 1) / max(1, last - first + 1)) // 2
        if cells.at(x, y) == " ":
            cells.put(x, y, ".", "dim")


def level(value: float | None) -> str:
    """Return a level with three figures that count."""
    if value is None:
        return "-"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}"
