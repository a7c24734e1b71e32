"""What runs down, per crew member: now, at ingress, the reserve and when, and how old the reading is.

What runs down, as curves: what was left through the day, what will be left at ingress, and the reserve.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from rich.cells import cell_len

from tracker.console.view.figures import reached_at
from tracker.console.view.grid import Cells, heading, region, remark, under
from tracker.console.view.scene import LeadScene, Scene
from tracker.console.view.styled_text import Ink, Line, Span, block, crop, fit, put, say
from tracker.console.view.words import pet, spare_cell
from tracker.forecast.values import ConsumableFigure
from tracker.foundation.shown import down, duration
from tracker.foundation.text import amount, count, percent


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
            f"never read: taken from the plan; {key} and {accounts[0].consumable} with a figure for each",
            width,
            "dim",
        )
    return lines


_LEVELS = (8, 11, 9)
"""Columns of what is left now, at INSIDE, and of the reserve."""
_WITH_SPARE, _WITH_CHANCE = 90, 98
"""Widths from which on what is to spare, and the chance, have a column."""


def _head(width: int) -> Line:
    spans = [put(" what runs down", 26, "dim")]
    titles = zip(("now", "at INSIDE", "reserve"), _LEVELS, strict=True)
    spans += [put(title, cells, "dim", right=True) for title, cells in titles]
    if width >= 74:
        spans.append(put("at reserve", 12, "dim", right=True))
    if width >= _WITH_SPARE:
        spans.append(put("to spare", 14, "dim", right=True))
    if width >= _WITH_CHANCE:
        spans.append(put("chance", 8, "dim", right=True))
    return crop((*spans, put("read", 9, "dim", right=True)), width)


def _rows(scene: Scene, figure: ConsumableFigure, width: int) -> list[Line]:
    low = "strong" if figure.short > 0.1 else ""
    ink: Ink = low  # type: ignore[assignment]
    spans = [
        Span(" "),
        put(owner_of(figure), 7),
        put(figure.consumable, 13),
        put(figure.unit, 5, "dim"),
    ]
    known = zip((figure.now, figure.at_inside.p50, figure.reserve), _LEVELS, strict=True)
    spans += [put(amount(level, even=True), cells, ink, right=True) for level, cells in known]
    reached, left = reached_of(scene, figure)
    if width >= 74:
        spans.append(put(pet(reached), 12, ink, right=True))
    if width >= _WITH_SPARE:
        spans.append(put(spare_cell(left), 14, ink, right=True))
    if width >= _WITH_CHANCE:
        spans.append(put(percent(1 - figure.short), 8, ink, right=True))
    spans.append(put(read_of(figure), 9, "dim", right=True))
    lines = [crop(spans, width)]
    for words in filter(None, (figure.leak_words, figure.flagged)):
        lines += block(f"   {words}", width, "strong", indent=5)
    return lines


def owner_of(figure: ConsumableFigure) -> str:
    """Return whose it is."""
    return "shared" if figure.crew == "*" else figure.crew


def read_of(figure: ConsumableFigure) -> str:
    """Return when it was read last."""
    return "never" if figure.read_at is None else pet(figure.read_at)


def reached_of(scene: Scene, figure: ConsumableFigure) -> tuple[float | None, float | None]:
    """Return when its reserve is reached, and what is to spare then; None where neither is known."""
    estimate = scene.estimate
    assert estimate is not None
    id = f"{figure.crew}.{figure.consumable}"
    limit = next((limit for limit in estimate.limits if limit.id == id), None)
    if limit is None:
        return (down(figure.reserve_reached.p50), None)
    return (reached_at(limit), limit.to_spare)


FEW = 4
"""Stores that stand beside the list; those with more to spare are counted."""


def running_down(scene: Scene, width: int) -> list[Line]:
    """Return the stores with the least to spare, how many more there are, and when they were read."""
    estimate = scene.estimate
    if estimate is None or not estimate.consumables:
        return []
    rows = sorted(((reached_of(scene, f), f) for f in estimate.consumables), key=lambda row: _soon(row[0]))
    near = [row for row in rows if (row[0][1] or 0.0) < _HOURS_S] or rows[:1]
    lines = [_near_head(width), *(_near(figure, at, width) for at, figure in near[:FEW])]
    if rest := rows[len(near[:FEW]) :]:
        least = min((at[1] for at, _ in rest if at[1] is not None), default=None)
        words = f"{len(rest)} more{'' if least is None else f', {duration(least)} or better'}"
        lines.append(crop((say(f" {words}", "dim"),), width))
    return [*lines, *block(_readings_words(scene), width, "dim", indent=2)]


_HOURS_S = 7200.0


def _soon(at: tuple[float | None, float | None]) -> tuple[float, float]:
    far = float("inf")
    return (far if at[1] is None else at[1], far if at[0] is None else at[0])


def _near_head(width: int) -> Line:
    tail = (put("now", 11, "dim", right=True),) if width >= 52 else ()
    room = width - 25 - 11 * len(tail)
    ends = (put("at reserve", 11, "dim", right=True), put("to spare", 13, "dim", right=True), Span(" "))
    return crop((put(" what runs down", room, "dim"), *tail, *ends), width)


def _near(figure: ConsumableFigure, at: tuple[float | None, float | None], width: int) -> Line:
    now = (put(f"{amount(figure.now, even=True)} {figure.unit}", 11, right=True),) if width >= 52 else ()
    room = width - 25 - 11 * len(now)
    ink: Ink = "strong" if figure.short > 0.1 else ""
    name = put(f" {owner_of(figure)} {figure.consumable}", room, ink)
    return crop(
        (name, *now, put(pet(at[0]), 11, ink, right=True), put(spare_cell(at[1]), 13, ink, right=True)), width
    )


def _readings_words(scene: Scene) -> str:
    """Return when everything was read, or that nothing was."""
    estimate = scene.estimate
    assert estimate is not None
    read = [f.read_at for f in estimate.consumables if f.read_at is not None]
    never = len(estimate.consumables) - len(read)
    if not read:
        return "never read: taken from the plan"
    first, last = pet(min(read)), pet(max(read))
    words = f"all read {last}" if first == last else f"read between {first} and {last}"
    return words.replace("all ", "") + f", {never} never" if never else words


_GOOD_WIDTH, _LEAST_WIDTH, _LEAST_HEIGHT = 24, 19, 5
_MOST_HEIGHT = 14
_ALL_ROWS = 999

Place = Callable[[float], int]
"""From a value to the cell it is drawn in."""


def levels(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return a small curve per account, as many beside one another as have room, the tightest at any rate."""
    signs = "▀▄ so far, ░ at ingress, ─ reserve"
    head = heading("consumables", width, f"PET 0:00 to {pet(_end(scene))}: {signs}", signs)
    estimate = scene.estimate
    if not scene.progress.plan.consumables:
        return region(head, [remark("the plan names no consumables", width)], width, height)
    if estimate is None:
        return region(head, [remark("levels are being worked out", width)], width, height)
    figures = list(estimate.consumables)
    across, tall, most = _arrange(len(figures), width, height - 1)
    shown = figures if len(figures) <= most else _tightest(figures, most)
    lines: list[Line] = []
    for begin in range(0, len(shown), across):
        row = [_curve(scene, f, width // across - 1, tall) for f in shown[begin : begin + across]]
        for parts in zip(*row, strict=True):
            lines.append(crop([span for part in parts for span in (Span(" "), *part)], width))
    if len(shown) < len(figures):
        left = count(len(figures) - len(shown), "more account")
        lines.append(remark(f"~ {left}, further from the reserve: {scene.key('whole')}", width))
    return region(head, lines, width, height, scene.key("whole"))


def _tightest(figures: list[ConsumableFigure], most: int) -> list[ConsumableFigure]:
    """Return those likeliest to be short, in the order of the plan."""
    ranked = sorted(figures, key=lambda f: (-f.short, f.reserve_reached.p50 or float("inf")))[:most]
    return [figure for figure in figures if figure in ranked]


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
        if len(figure.crew) > 7 or len(figure.consumable) > 13 or len(figure.unit) > 5:
            lines += under(f"{figure.crew} {figure.consumable}, {figure.unit}", width)
        if figure.leak_words:
            lines += under(figure.leak_words, width, "late")
        if figure.flagged:
            lines += under(f"{figure.crew} {figure.consumable}: {figure.flagged}", width, "late")
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
    crew = owner_of(figure)
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
    name = crop((Span(f"{crew} {figure.consumable}", "strong"),), width)
    words = [crop((Span(line, short or "dim"),), width) for line in said]
    return [name, *words, *cells.lines()]


def _words(scene: LeadScene, figure: ConsumableFigure, width: int) -> tuple[str, str]:
    """Return what is left now and at ingress, then when the reserve is reached and how old the reading is."""
    now, then, unit = amount(figure.now, even=True), amount(figure.at_inside.p50, even=True), figure.unit
    read = None if figure.read_at is None else pet(scene.now - figure.read_at)
    ago, old = ("never read", "unread") if read is None else (f"read {read} ago", f"{read} old")
    if _over(scene, figure):
        return _first(width, f"{now} {unit} at ingress", f"{now} {unit}"), _first(width, ago, old)
    reached = pet(figure.reserve_reached.p50)
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
