"""The lead's fourth page: every limit with its trend, and what runs down as curves and as rows.

Of a limit: its chance, when it is reached, what is to spare, and where that is going. Of a store: what was
left through the day, what will be left at ingress, and the reserve.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from rich.cells import cell_len

from tracker.console.view.consumables import consumables_list, reached_of
from tracker.console.view.scene import TREND_S, LeadScene, Point
from tracker.console.view.styled_text import (
    Cells,
    Ink,
    Line,
    Span,
    crop,
    heading,
    is_cut,
    put,
    region,
    remark,
    say,
    under,
)
from tracker.console.view.words import pet, spare_cell
from tracker.forecast.figures import ConsumableFigure, Estimate, LimitFigure
from tracker.forecast.wording import (
    by_spare,
    leak_words,
    limit_words,
    need_of,
    nothing_words,
    stores_by_spare,
)
from tracker.foundation.shown import duration, pet_down
from tracker.foundation.text import amount, count, percent
from tracker.plan.model import store_words

STEADY_S = 300.0
"""A margin that changed by less is called steady."""


def limits(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return one row per limit, the one with the least to spare first, then those without an instant."""
    head = heading("limits", width, "least to spare first; to spare: from INSIDE of whom it binds", "")
    estimate = scene.estimate
    if estimate is None:
        return region(head, [remark("being worked out", width)], width, height)
    lines = [_limit_titles(scene, width)]
    known = by_spare(estimate.limits)
    others = (limit for limit in estimate.limits if limit not in known)
    for figure in (*known, *sorted(others, key=LimitFigure.tightness)):
        row = _limit_row(scene, estimate, figure, width)
        lines.append(row)
        if scene.whole and is_cut(row):
            lines += under(limit_words(figure.id), width)
    return region(head, lines, width, height, scene.key("whole"), "limit")


_FIGURES, _NINE, _BEFORE, _TREND = 30, 14, 14, 17


def _columns(width: int) -> tuple[int, bool, bool]:
    """Return the room of the name, and whether nine in ten and how it was before have columns."""
    nine, before = width >= 72, width >= 88
    return (width - _FIGURES - _TREND - _NINE * nine - _BEFORE * before, nine, before)


def _limit_titles(scene: LeadScene, width: int) -> Line:
    name, nine, before = _columns(width)
    spans = [
        put(" limit", name, "dim"),
        put("chance", 8, "dim", right=True),
        put("reached", 9, "dim", right=True),
        put("to spare", 13, "dim", right=True),
    ]
    if nine:
        spans.append(put("9 in 10", _NINE, "dim", right=True))
    if before:
        point = _point_before(scene)
        spans.append(put("" if point is None else f"at {pet_down(point.at)}", _BEFORE, "dim", right=True))
    return crop((*spans, put("  trend", _TREND, "dim")), width)


def _limit_row(scene: LeadScene, estimate: Estimate, figure: LimitFigure, width: int) -> Line:
    name, nine, before = _columns(width)
    binds = estimate.binding is not None and figure.id == estimate.binding.id
    over: Ink = "late" if (figure.to_spare or 0) < 0 or figure.chance > 0.5 else ""
    spans = [
        put(f" {limit_words(figure.id)}", name, "strong" if binds else ""),
        put(percent(1 - figure.chance, need_of(estimate)[2]), 8, over, right=True),
        put("-" if figure.reached is None else pet_down(figure.reached.p50), 9, over, right=True),
        put(spare_cell(figure.to_spare), 13, over, right=True),
    ]
    if nine:
        spans.append(put(spare_cell(figure.margin.p90), _NINE, over, right=True))
    was = _before(scene, figure.id)
    if before:
        spans.append(put(spare_cell(was), _BEFORE, "dim", right=True))
    return crop((*spans, say(f"  {trend(was, figure.margin.p50)}")), width)


def _before(scene: LeadScene, limit: str) -> float | None:
    """Return what was to spare half an hour ago or about then, in the middle of the courses."""
    point = _point_before(scene)
    return None if point is None else point.margins.get(limit)


def _point_before(scene: LeadScene) -> Point | None:
    estimate = scene.estimate
    point = None if estimate is None else scene.point_at(estimate.at - TREND_S)
    return point if point is not None and estimate is not None and point.at < estimate.at else None


def trend(before: float | None, now: float | None) -> str:
    """Return where what is to spare goes: `shrinks 8 min`, `grows 4 min`, `steady`; nothing where unknown."""
    if before is None or now is None:
        return ""
    change = now - before
    if abs(change) < STEADY_S:
        return "steady"
    return f"{'grows' if change > 0 else 'shrinks'} {duration(change)}"


_GOOD_WIDTH, _LEAST_WIDTH, _LEAST_HEIGHT = 24, 19, 5
_MOST_HEIGHT = 14
_ALL_ROWS = 999

Place = Callable[[float], int]
"""From a value to the cell it is drawn in."""


def levels(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return a small curve per account, as many as have room; the one with the least to spare comes first."""
    signs = "▀▄ so far, ░ at ingress, ─ reserve"
    head = heading("consumables", width, f"PET 0:00 to {pet(_end(scene))}: {signs}", signs)
    estimate = scene.estimate
    if not scene.progress.plan.consumables:
        return region(head, [remark("the plan names no consumables", width)], width, height)
    if estimate is None:
        return region(head, [remark("levels are being worked out", width)], width, height)
    figures = stores_by_spare(estimate)
    across, tall, most = _arrange(len(figures), width, height - 1)
    shown = figures[:most]
    lines: list[Line] = []
    for begin in range(0, len(shown), across):
        row = [_curve(scene, f, width // across - 1, tall) for f in shown[begin : begin + across]]
        for parts in zip(*row, strict=True):
            lines.append(crop([span for part in parts for span in (Span(" "), *part)], width))
    if len(shown) < len(figures):
        left = count(len(figures) - len(shown), "more account")
        lines.append(remark(f"~ {left}, with more to spare: {scene.key('whole')}", width))
    return region(head, lines, width, height, scene.key("whole"))


def readings(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return every account as a row: levels, reserve, when it is reached, age of the reading."""
    head = heading("levels and readings", width)
    rows = consumables_list(scene, width, _ALL_ROWS, hint=False)
    while rows and not "".join(span.text for span in rows[-1]).strip():
        rows.pop()
    if scene.whole:
        rows += _in_full(scene, width)
    return region(head, rows, width, height, scene.key("whole"))


def _in_full(scene: LeadScene, width: int) -> list[Line]:
    """Return at full length what the columns had no room for, and what readings that contradict say."""
    lines: list[Line] = []
    for figure in scene.estimate.consumables if scene.estimate is not None else ():
        name = limit_words(f"{figure.crew}.{figure.consumable}")
        if len(figure.crew) > 7 or len(store_words(figure.consumable)) > 13 or len(figure.unit) > 5:
            lines += under(f"{name}, {figure.unit}", width)
        for words in filter(None, (leak_words(figure), nothing_words(figure))):
            lines += under(words, width, "late")
        if figure.flagged:
            lines += under(f"{name}: {figure.flagged}", width, "late")
    return lines


def _end(scene: LeadScene) -> float:
    """Return the PET at the right end of the curves."""
    ends = [scene.progress.limits.get("elapsed", 0.0), scene.present, 60.0]
    if scene.estimate is not None:
        ends.append(scene.estimate.inside.p90 or 0.0)
    return max(ends)


def _arrange(number: int, width: int, height: int) -> tuple[int, int, int]:
    """Return how many curves stand beside one another, how tall each is, and how many have room at most."""
    for width_of_one in (_GOOD_WIDTH, _LEAST_WIDTH):
        across = max(1, width // width_of_one)
        rows = -(-number // across)
        if rows * _LEAST_HEIGHT <= height:
            break
    else:
        rows = max(1, (height - 1) // _LEAST_HEIGHT)
        return across, _LEAST_HEIGHT, rows * across
    return -(-number // rows), max(_LEAST_HEIGHT, min(_MOST_HEIGHT, height // rows)), number


def _curve(scene: LeadScene, figure: ConsumableFigure, width: int, height: int) -> list[Line]:
    """Return one account: a name with its figures, then the curve over the day towards the limit."""
    said = _words(scene, figure, width)[: 2 if height >= 6 else 1]
    cells = Cells(width, height - 1 - len(said))
    supply = scene.progress.plan.consumable[figure.consumable]
    top = max([supply.start, figure.now, *_past(scene, figure).values()])
    estimate = scene.estimate
    assert estimate is not None
    end = _end(scene)

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
    name = crop((Span(limit_words(f"{figure.crew}.{figure.consumable}"), "strong"),), width)
    words = [crop((Span(line, short or "dim"),), width) for line in said]
    return [name, *words, *cells.lines()]


def _words(scene: LeadScene, figure: ConsumableFigure, width: int) -> tuple[str, str]:
    """Return what is left now and at ingress, then when the reserve is reached and how old the reading is."""
    now, then, unit = amount(figure.now, even=True), amount(figure.at_inside.p50, even=True), figure.unit
    read = None if figure.read_at is None else pet(scene.now - figure.read_at)
    ago, old = ("never read", "unread") if read is None else (f"read {read} ago", f"{read} old")
    if _over(scene, figure):
        return _first(width, f"{now} {unit} at ingress", f"{now} {unit}"), _first(width, ago, old)
    reached = pet(reached_of(scene, figure)[0])
    return (
        _first(
            width,
            f"{now} now, {then} inside, {unit}",
            f"{now}, inside {then} {unit}",
            f"{now} to {then} {unit}",
        ),
        _first(width, f"reserve at {reached}, {ago}", f"reserve {reached}, {old}", f"to {reached}, {old}"),
    )


def _over(scene: LeadScene, figure: ConsumableFigure) -> bool:
    """Return whether it runs down no more: who uses it is inside."""
    progress = scene.progress
    return progress.closed is not None or figure.crew in progress.entered


def _first(width: int, *choices: str) -> str:
    """Return the first of these words that has room; else the last."""
    return next((words for words in choices if cell_len(words) <= width), choices[-1])


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
