"""The page of what is supposed: its lines, both estimates side by side, and better orders."""

from __future__ import annotations

from tracker.console.view.grid import heading, remark
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line, Span, blank, block, crop, put, say, tall
from tracker.console.view.what_if import compared
from tracker.console.view.words import percent, pet
from tracker.console.whatif import WhatIf

EXAMPLES = "drop TASK   limit elapsed 6:00   retime STEP 0:20   hand STEP EV2   move TASK ..."

MOST_WIDE = 120
"""Columns; further apart, two figures are no longer read together."""


Row = tuple[str, Line]
"""A row and the name by which it is chosen; empty where it is not."""


def what_if_page(scene: Scene, what: WhatIf, keys: tuple[str, str], width: int, height: int) -> list[Line]:
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


def _weighed(what: WhatIf, width: int) -> list[Line]:
    found = what.weighed
    if found is not None and found.trouble:
        return [remark(f"cannot be any more: {found.trouble}", width, "late")]
    if not what.lines:
        return []
    if found is None or found.supposed is None:
        return [remark("being worked out", width)]
    table = compared(found.stands, found.supposed, min(width, MOST_WIDE))
    return [crop(line, width) for line in table]


def _orders(scene: Scene, what: WhatIf, width: int) -> list[Row]:
    found = what.weighed
    first: Row = ("", heading("better orders", width, "for what stands; a person accepts them"))
    if found is None or found.suggestions is None:
        far = "" if found is None or found.sought is None else f": {percent(found.sought)}"
        return [first, ("", remark(f"being looked for{far}", width))]
    if not found.suggestions:
        words = "no hand-over and no other place of a task brings everyone in two minutes earlier"
        return [first, *(("", line) for line in block(words, width, "dim"))]
    rows = [first, ("", crop((put(" nine of ten inside", 21, "dim"), put("chance", 10, "dim")), width))]
    for k, order in enumerate(found.suggestions):
        spans = (
            put(f" {pet(order.gain_s)} earlier", 21, "going"),
            put(percent(order.safe), 8, right=True),
            Span("  "),
            say(order.text.partition(":")[0]),
        )
        rows.append(_row(scene, f"order {k}", spans, width))
    return rows


def _row(scene: Scene, name: str, spans: Line, width: int) -> Row:
    """Return a row that can be chosen, by its name."""
    if scene.chosen == name:
        spans = tuple(Span(span.text, "chosen") for span in spans)
    return (name, crop(spans, width))
