"""Better orders of what is left, to look at: a person at the desk accepts one, nobody here can."""

from __future__ import annotations

from tracker.console.view.grid import block, folded, heading, remark, under
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.styled_text import Line, Span, crop, put, say
from tracker.console.view.words import percent, pet


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
        lines += under(
            "no hand-over and no other place of a task brings everyone in two minutes earlier",
            width,
            indent=1,
        )
    else:
        lines += _found(scene, found.found, width)
    return block(head, lines, width, height, scene.key("whole"))


def _search(scene: LeadScene, width: int) -> Line:
    """Return how far the first search is."""
    if scene.seeking is None:
        return remark("looked for once the estimate stands", width)
    return remark(f"being looked for: {scene.seeking * 100:.0f} % of the changes tried", width)


def _found(scene: LeadScene, found: tuple[tuple[str, float, float], ...], width: int) -> list[Line]:
    lines = [crop((put(" nine of ten", 13, "dim"), put("chance", 8, "dim", right=True)), width)]
    for words, gain, safe in found:
        spans = (
            put(f" {pet(gain)} earlier", 13, "going"),
            put(percent(safe), 8, right=True),
            Span("  "),
            say(words),
        )
        lines += folded(spans, width, 23) if scene.whole else [crop(spans, width)]
    return lines
