"""What moved the projected ingress, cause by cause, adding up to the whole."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor

from tracker.console.view.grid import block, folded, heading, minutes, remark
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.styled_text import Line, Span, crop, put, say
from tracker.console.view.words import count, pet

_BAR = 12


def moved_by(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the whole change of the median in minutes, then its causes, the greatest first."""
    head = heading("what moved it", width, f"since {pet(scene.since)}, minutes", f"since {pet(scene.since)}")
    if scene.moved is None:
        word = "being worked out" if scene.started and scene.since < scene.now else "nothing yet"
        return block(head, [remark(word, width)], width, height)
    whole, causes = in_tenths(scene.moved.causes)
    lines = [crop((put(signed(whole), 8, "strong", right=True), say("  in all", "strong")), width)]
    if not causes:
        lines.append(remark("nothing moved it by as much as a tenth of a minute", width))
    room = height - 2
    shown = causes if len(causes) <= room else causes[: max(0, room - 1)]
    most = max((abs(tenths) for _, tenths in causes), default=0)
    for cause, tenths in shown:
        lines += _lines(scene, cause, tenths, most, width)
    rest = causes[len(shown) :]
    if rest:
        words = f"{count(len(rest), 'more cause')} together"
        lines += _lines(scene, words, sum(tenths for _, tenths in rest), most, width)
    return block(head, lines, width, height, scene.key("whole"))


def in_tenths(causes: Sequence[tuple[str, float]]) -> tuple[int, list[tuple[str, int]]]:
    """Return the whole and the causes in tenths of a minute, the greatest first, as they are shown.

    The figures add up as they stand there: what rounding leaves over goes where it changes least (the method
    of the largest remainder). A cause of no tenth is left out.
    """
    exact = [seconds / 6 for _, seconds in causes]
    whole, tenths = round(sum(exact)), [floor(one) for one in exact]
    left = whole - sum(tenths)
    for place in sorted(range(len(exact)), key=lambda k: tenths[k] - exact[k])[:left]:
        tenths[place] += 1
    named = [(name, one) for (name, _), one in zip(causes, tenths, strict=True) if one]
    return whole, sorted(named, key=lambda cause: -abs(cause[1]))


def signed(tenths: int) -> str:
    """Return tenths of a minute as minutes with their sign."""
    return minutes(tenths * 6.0)


def _lines(scene: LeadScene, cause: str, tenths: int, most: int, width: int) -> list[Line]:
    """Return one cause: minutes, words, and a bar where there is room for it."""
    figure = (put(signed(tenths), 8, right=True), Span("  "))
    room = width - 10
    if scene.whole:
        return folded((*figure, say(cause)), width, 10)
    if room < 24 + _BAR:
        return [crop((*figure, say(cause)), width)]
    size = round(abs(tenths) / most * _BAR) if most else 0
    bar = ("+" if tenths > 0 else "-") * size
    return [crop((*figure, put(cause, room - _BAR), say(bar, "late" if tenths > 0 else "going")), width)]
