"""What if: the desk's page of it, and the lead's fifth; both estimates side by side, and better orders."""

from __future__ import annotations

from rich.cells import cell_len

from tracker.console.view.head import turn_back_short
from tracker.console.view.scene import LeadScene, Scene, Suggestion, WhatIfPage
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    blank,
    block,
    crop,
    folded,
    heading,
    put,
    region,
    remark,
    say,
    tall,
    under,
)
from tracker.console.view.words import pet
from tracker.forecast.figures import Estimate, Range
from tracker.forecast.wording import chance_of, chance_words, first_limit, need_of, spare_at, within_words
from tracker.foundation.errors import TrackerError
from tracker.foundation.shown import down, duration, pet_up, up
from tracker.foundation.text import percent, percent_done, points
from tracker.journal.typed.match import LISTED
from tracker.journal.wording import event_words

NO_BETTER = "no hand-over and no other place of a task brings everyone in two minutes earlier"


def orders(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the orders found, the greatest gain first; how far the search is; that none is better."""
    found = scene.orders
    of = f"as of {pet(found.at)}; " if found is not None else ""
    head = heading(
        "better orders", width, f"{of}a person at the desk accepts one", f"{of}accepted at the desk", of[:-2]
    )
    lines: list[Line] = []
    if scene.progress.closed is not None:
        lines.append(remark("the excursion is closed", width))
    elif found is None:
        lines.append(_search(scene, width))
    elif not found.found:
        lines += under(NO_BETTER, width, indent=1)
    else:
        rows = _found(found.found, width, whole=True)
        lines += rows if scene.whole or len(rows) < height else _found(found.found, width)
    return region(head, lines, width, height, scene.key("whole"))


def _search(scene: LeadScene, width: int) -> Line:
    """Return how far the first search is."""
    if scene.seeking is None:
        return remark("looked for once the estimate stands", width)
    return remark(f"being looked for: {percent_done(scene.seeking)} of the changes tried", width)


def _found(found: tuple[Suggestion, ...], width: int, *, whole: bool = False) -> list[Line]:
    lines = [crop((put(" nine of ten", 17, "dim"), put("chance", 8, "dim", right=True)), width)]
    for order in found:
        spans = _order(order, 17)
        lines += folded(spans, width, 27) if whole else [crop(spans, width)]
    return lines


def _order(order: Suggestion, gain: int) -> Line:
    """Return one better order, its gain in so many columns."""
    earlier = put(f" {duration(order.gain_s)} earlier", gain, "going")
    return (earlier, put(percent(order.safe), 8, right=True), Span("  "), say(order.deed))


def what_if(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what is supposed, then as it stands, as supposed, and the change, row by row."""
    head = heading("what if", width, "nothing of it is written")
    supposed = scene.supposed
    if supposed is None:
        whole = "   ".join(one.replace(" ", "\N{NO-BREAK SPACE}") for one in EXAMPLES.split("   "))
        words = f"{scene.key('what-if')} supposes, as it is typed at the desk: {whole}"
        return region(head, under(words, width, indent=1), width, height)
    said = "; ".join(event_words(scene.progress, str(e["kind"]), e) for e in supposed.events)
    words = f"supposed: {said or supposed.text}"
    lines = under(words, width, "strong", 1) if scene.whole else [remark(words, width, "strong")]
    if supposed.trouble:
        lines += under(f"cannot be: {supposed.trouble}", width, "late", 1)
    elif supposed.estimate is None or supposed.stands is None:
        lines.append(remark("being worked out", width))
    else:
        lines += compared(supposed.stands, supposed.estimate, width)
        if scene.whole:
            lines += _in_full(supposed.stands, supposed.estimate, width)
    return region(head, lines, width, height, scene.key("whole"))


def _in_full(stands: Estimate, supposed: Estimate, width: int) -> list[Line]:
    """Return the cells of the table that had no room, as they stand and as supposed."""
    room, lines = (width - 11 - 11) // 2 - 1, []
    for name, one, other, _ in _cells(stands, supposed):
        if max(cell_len(one), cell_len(other)) > room:
            lines += under(f"{name}: {one}; supposed: {other}", width)
    return lines


def compared(stands: Estimate, supposed: Estimate, width: int) -> list[Line]:
    """Return the table of both estimates."""
    rows = _cells(stands, supposed)
    room = (width - 11 - 11) // 2
    titles = [
        put(f" at {pet(stands.at)}", 11, "dim"),
        put("as it stands", room, "dim"),
        put("supposed", room, "dim"),
        put("change", 11, "dim"),
    ]
    lines = [crop(titles, width)]
    for name, one, other, change in rows:
        ink: Ink = "accent" if one != other else ""
        spans = (
            put(f" {name}", 11, "dim"),
            put(one, room - 1),
            say(" "),
            put(other, room - 1, ink),
            say(" "),
        )
        lines.append(crop((*spans, say(change)), width))
    return lines


def _cells(stands: Estimate, supposed: Estimate) -> list[tuple[str, str, str, str]]:
    """Return the rows of the table: name, as it stands, as supposed, the change of what is shown."""
    ends = up(stands.inside.p50), up(supposed.inside.p50)
    latest = down(stands.turn_back.latest), down(supposed.turn_back.latest)
    return [
        ("inside", _range(stands.inside), _range(supposed.inside), _minutes(*ends)),
        ("chance", _chance(stands), _chance(supposed, stands), _points(stands, supposed)),
        ("to spare", _spare(stands), _spare(supposed), ""),
        ("turn home", _back(stands), _back(supposed), _minutes(*latest)),
        ("counted", _kept(stands), _kept(supposed), _alike(stands, supposed)),
    ]


def _range(figure: Range) -> str:
    within = within_words(figure)
    return f"{pet_up(figure.p50)}{f'  8 in 10: {within}' if within else ''}"


def _spare(one: Estimate) -> str:
    first = first_limit(one.limits)
    if first is None:
        return "no limit binds"
    return spare_at(first, brief=True).replace(" to spare", "").replace(" limit", "")


def _chance(one: Estimate, stands: Estimate | None = None) -> str:
    return chance_words(one, stands).removeprefix("chance ")


def _minutes(one: int | None, other: int | None) -> str:
    """Return by how much a shown instant moves: `+49 min`; `same`."""
    if one is None or other is None:
        return ""
    moved = duration(other - one)
    return "same" if one == other else f"{'-' if other < one else '+'}{moved}"


def _points(one: Estimate, other: Estimate) -> str:
    """Return by how much the chance moves, as both ends are shown."""
    (_, before, need), after = need_of(one), chance_of(other, one)
    return "same" if percent(before, need) == percent(after, need) else points(before, after, need)


def _back(one: Estimate) -> str:
    return turn_back_short(one).removeprefix("turn home ")


def _alike(one: Estimate, other: Estimate) -> str:
    """Return that the two sides count other optional work, so that what moves is not the deed's alone."""
    return "" if one.counted == other.counted else "not alike"


def _kept(one: Estimate) -> str:
    return " ".join(sorted(one.counted)) or "nothing optional"


EXAMPLES = "k a keep   d b drop   c recall, c 1 of EV1   h 1 15 hold   t 1 15 takes longer"
"""What is commonly supposed, by the keys of the deeds."""


def refused(error: TrackerError) -> str:
    """Return why a line cannot be supposed, and what would be right."""
    return error.lines[0].replace(LISTED, f"as in {EXAMPLES}")


MOST_WIDE = 120
"""Columns; further apart, two figures are no longer read together."""


Row = tuple[str, Line]
"""A row and the name by which it is chosen; empty where it is not."""


def what_if_page(
    scene: Scene, what: WhatIfPage, keys: tuple[str, str], width: int, height: int
) -> list[Line]:
    """Return the page; `keys`: those that type a line, and that record what is supposed or chosen."""
    typing, recording = keys
    rows: list[Row] = [("", heading("what if", width, f"nothing is written until {recording} records it"))]
    for k, text in enumerate(what.lines):
        rows.append(_row(scene, f"line {k}", (put(f" {k + 1}", 4, "dim"), say(text, "strong")), width))
    if not what.lines:
        words = f"{typing} supposes, as it is typed at the desk: {EXAMPLES}"
        rows += [("", line) for line in block(words, width, "dim", indent=2)]
    rows += [("", line) for line in _weighed(what, width)]
    rows += [("", blank(width)), *_orders(scene, what, width)]
    keys_line = f"{typing} adds   Backspace takes back   {recording} records   Esc leaves"
    return _in_sight(rows, scene.chosen, keys_line, width, height)


def _in_sight(rows: list[Row], chosen: str | None, keys: str, width: int, height: int) -> list[Line]:
    """Return the rows around the chosen one, and below them the keys; how many have no room is said."""
    room = max(1, height - 1)
    place = next((n for n, (name, _) in enumerate(rows) if name and name == chosen), 0)
    top = max(0, min(place - room // 2, len(rows) - room))
    hidden = len(rows) - room
    begin = f"~ {hidden} more rows: arrows" if hidden > 0 else "arrows choose"
    lines = tall([line for _, line in rows[top : top + room]], width, room)
    return [*lines, remark(f"{begin}   {keys}", width)][:height]


def _weighed(what: WhatIfPage, width: int) -> list[Line]:
    found = what.weighed
    if found is not None and found.trouble:
        return [remark(f"cannot be any more: {found.trouble}", width, "late")]
    if not what.lines:
        return []
    if found is None or found.supposed is None:
        return [remark("being worked out", width)]
    table = compared(found.stands, found.supposed, min(width, MOST_WIDE))
    return [crop(line, width) for line in table]


def _orders(scene: Scene, what: WhatIfPage, width: int) -> list[Row]:
    found = what.orders
    of = "for what stands" if found is None else f"as of {pet(found.at)}"
    first: Row = ("", heading("better orders", width, f"{of}; a person accepts them", of))
    if found is None:
        far = "" if what.seeking is None else f": {percent_done(what.seeking)}"
        return [first, ("", remark(f"being looked for{far}", width))]
    if not found.found:
        return [first, *(("", line) for line in block(NO_BETTER, width, "dim"))]
    rows = [first, ("", crop((put(" nine of ten inside", 21, "dim"), put("chance", 10, "dim")), width))]
    return rows + [_row(scene, f"order {k}", _order(order, 21), width) for k, order in enumerate(found.found)]


def _row(scene: Scene, name: str, spans: Line, width: int) -> Row:
    """Return a row that can be chosen, by its name."""
    if scene.chosen == name:
        spans = tuple(Span(span.text, "chosen") for span in spans)
    return (name, crop(spans, width))
