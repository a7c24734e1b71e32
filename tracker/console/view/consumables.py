"""What runs down, per crew member: now, at ingress, the reserve and when, and how old the reading is."""

from __future__ import annotations

from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    block,
    crop,
    fit,
    put,
    say,
    width_of,
)
from tracker.console.view.words import pet, reached_at, spare_cell
from tracker.forecast.figures import ConsumableFigure
from tracker.forecast.wording import falls_words, leak_words, limit_words, nothing_words, stores_by_spare
from tracker.foundation.shown import down, duration
from tracker.foundation.text import amount, percent
from tracker.plan.model import store_words


def consumables_list(scene: Scene, width: int, height: int, *, hint: bool = True) -> list[Line]:
    """Return one row per account; an empty state says how a reading is entered, where `hint` asks for it."""
    return fit(consumables_lines(scene, width, hint=hint), width, height)


def consumables_lines(scene: Scene, width: int, *, hint: bool = True) -> list[Line]:
    """Return all rows: the store with the least to spare first, and below them how fast each falls."""
    estimate = scene.estimate
    lines = [_head(width)]
    if not scene.progress.plan.consumables:
        lines.append(crop((say(" the plan names no consumables", "dim"),), width))
    elif estimate is None:
        lines.append(crop((say(" levels are being worked out", "dim"),), width))
    else:
        stores = stores_by_spare(estimate)
        lines += [line for figure in stores for line in _rows(scene, figure, width)]
        if width < _WITH_RATE:
            told = [
                (limit_words(f"{f.crew}.{f.consumable}"), falls) for f in stores if (falls := falls_words(f))
            ]
            lines += [line for told_of in told for line in block(" ".join(told_of), width, "dim", indent=2)]
    accounts = estimate.consumables if estimate is not None and hint else ()
    if accounts and all(figure.read_at is None for figure in accounts):
        key = scene.key("reading")
        lines += block(
            f"never read: taken from the plan; {key} and {accounts[0].consumable} with a figure for each",
            width,
            "dim",
        )
    return [*lines, *_meant(scene, width)] if accounts else lines


TAKEN_UP = "carbon-dioxide"
"""The model of a store whose level is not what is there, but what can still be taken up."""


def _meant(scene: Scene, width: int) -> list[Line]:
    """Return what the level of a store means, where its name does not say it."""
    stores = [store for store in scene.progress.plan.consumables if store.model == TAKEN_UP]
    told = [
        f"{store_words(one.id)}: the carbon dioxide that can still be taken up, in {one.unit}"
        for one in stores
    ]
    return [line for words in told for line in block(words, width, "dim", indent=2)]


_READ = 16
"""Columns at most of what was read and when."""
_LEVELS = (8, 11, 9)
"""Columns of what is left now, at INSIDE, and of the reserve."""
_WITH_SPARE, _WITH_CHANCE, _WITH_RATE = 90, 98, 118
"""Widths from which on what is to spare, the chance, and the use an hour have a column."""


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
    if width >= _WITH_RATE:
        spans += [put("an hour", 10, "dim", right=True), put("planned", 9, "dim", right=True)]
    return crop((*spans, put("read", min(max(width - width_of(spans), 9), _READ), "dim", right=True)), width)


def _rows(scene: Scene, figure: ConsumableFigure, width: int) -> list[Line]:
    low = "strong" if figure.short > 0.1 else ""
    ink: Ink = low  # type: ignore[assignment]
    spans = [
        Span(" "),
        put(owner_of(figure), 7),
        put(store_words(figure.consumable), 13),
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
    if width >= _WITH_RATE:
        rate = figure.rate
        spans.append(put("-" if rate is None else amount(rate.per_hour), 10, ink, right=True))
        spans.append(put("-" if rate is None else amount(rate.planned), 9, "dim", right=True))
    room = width - width_of(spans)
    spans.append(put(read_of(figure, room - 1), min(max(room, 9), _READ), "dim", right=True))
    lines = [crop(spans, width)]
    for words in filter(None, (leak_words(figure), figure.flagged, nothing_words(figure))):
        lines += block(f"   {words}", width, "strong", indent=5)
    return lines


def owner_of(figure: ConsumableFigure) -> str:
    """Return whose it is."""
    return "shared" if figure.crew == "*" else figure.crew


def read_of(figure: ConsumableFigure, room: int) -> str:
    """Return when it was read last, and as what where that has room: what is left may be taken as more."""
    if figure.read_at is None:
        return "never"
    at, value = pet(figure.read_at), figure.read
    read = [] if value is None else [f"{amount(value, digits=4)}{by} {at}" for by in (" at", ",")]
    return next((words for words in read if len(words) <= min(room, _READ)), at)


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
    rows = [(reached_of(scene, store), store) for store in stores_by_spare(estimate)]
    near = [row for row in rows if (row[0][1] or 0.0) < _HOURS_S] or rows[:1]
    lines = [_near_head(width), *(_near(figure, at, width) for at, figure in near[:FEW])]
    if rest := rows[len(near[:FEW]) :]:
        least = min((at[1] for at, _ in rest if at[1] is not None), default=None)
        words = f"{len(rest)} more{'' if least is None else f', {duration(least)} or better'}"
        lines.append(crop((say(f" {words}", "dim"),), width))
    return [*lines, *block(_readings_words(scene), width, "dim", indent=2)]


_HOURS_S = 7200.0


def _near_head(width: int) -> Line:
    tail = (put("now", 11, "dim", right=True),) if width >= 52 else ()
    room = width - 25 - 11 * len(tail)
    ends = (put("at reserve", 11, "dim", right=True), put("to spare", 13, "dim", right=True), Span(" "))
    return crop((put(" what runs down", room, "dim"), *tail, *ends), width)


def _near(figure: ConsumableFigure, at: tuple[float | None, float | None], width: int) -> Line:
    now = (put(f"{amount(figure.now, even=True)} {figure.unit}", 11, right=True),) if width >= 52 else ()
    room = width - 25 - 11 * len(now)
    ink: Ink = "strong" if figure.short > 0.1 else ""
    name = put(f" {limit_words(f'{figure.crew}.{figure.consumable}')}", room, ink)
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
