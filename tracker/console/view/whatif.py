"""The page of what is supposed: its lines, both estimates side by side, and better orders."""

from __future__ import annotations

from tracker.console.view.ink import Line, Span, blank, crop, put, say
from tracker.console.view.lead_parts import heading, remark
from tracker.console.view.lead_whatif import compared
from tracker.console.view.scene import Scene
from tracker.console.view.words import percent, pet
from tracker.console.whatif import WhatIf

EXAMPLES = "drop TASK   limit elapsed 6:00   retime STEP 0:20   hand STEP EV2   move TASK ..."

MOST_WIDE = 120
"""Columns; further apart, two figures are no longer read together."""


def what_if_page(scene: Scene, what: WhatIf, keys: tuple[str, str], width: int, height: int) -> list[Line]:
    """Return the page; `keys`: those that type a line, and that record what is supposed or chosen."""
    typing, recording = keys
    lines = [heading("what if", width, beside=f"nothing is written until {recording} records it")]
    for k, text in enumerate(what.lines):
        lines.append(_row(scene, f"line {k}", (put(f" {k + 1}", 4, "dim"), say(text, "strong")), width))
    if not what.lines:
        lines.append(remark(f"{typing} supposes, as it is typed at the desk: {EXAMPLES}", width))
    lines += _weighed(what, width)
    lines.append(blank(width))
    lines += _orders(scene, what, recording, width)
    lines = lines[: height - 1] if len(lines) >= height else lines
    lines += [blank(width)] * (height - 1 - len(lines))
    hint = f"{typing} one more   arrows choose   Backspace takes one back   {recording} records   Esc leaves"
    return [*lines, remark(hint, width)][:height]


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


def _orders(scene: Scene, what: WhatIf, recording: str, width: int) -> list[Line]:
    found = what.weighed
    lines = [heading("better orders", width, beside="for what stands; a person accepts them")]
    if found is None or found.suggestions is None:
        return [*lines, remark("being looked for", width)]
    if not found.suggestions:
        words = "no hand-over and no other place of a task brings everyone in two minutes earlier"
        return [*lines, remark(words, width)]
    lines.append(crop((put(" nine of ten inside", 21, "dim"), put("chance", 10, "dim")), width))
    for k, order in enumerate(found.suggestions):
        change = f"{pet(order.gain_s)} earlier"
        spans = (
            put(f" {change}", 21, "going"),
            put(percent(order.safe), 8, right=True),
            Span("  "),
            say(order.text.partition(":")[0]),
        )
        lines.append(_row(scene, f"order {k}", spans, width))
    return lines


def _row(scene: Scene, name: str, spans: Line, width: int) -> Line:
    if scene.chosen == name:
        spans = tuple(Span(span.text, "chosen") for span in spans)
    return crop(spans, width)
