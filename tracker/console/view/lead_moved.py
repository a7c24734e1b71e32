"""What moved the projected ingress, cause by cause, adding up to the whole."""

from __future__ import annotations

from tracker.console.view.ink import Line, Span, crop, put, say
from tracker.console.view.lead_parts import block, heading, minutes, remark
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.words import count, pet

_BAR = 12


def moved_by(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the whole change of the median in minutes, then its causes, the greatest first."""
    head = heading("what moved it", width, beside=f"since {pet(scene.since)}, minutes")
    if scene.moved is None:
        word = "being worked out" if scene.started and scene.progress.closed is None else "nothing yet"
        return block(head, [remark(word, width)], width, height)
    causes = sorted(scene.moved.causes, key=lambda cause: -abs(cause[1]))
    whole = sum(seconds for _, seconds in causes)
    lines = [crop((put(minutes(whole), 8, "strong", right=True), say("  in all", "strong")), width)]
    if not causes:
        lines.append(remark("nothing moved it", width))
    room = height - 2
    shown = causes if len(causes) <= room else causes[: max(0, room - 1)]
    most = max((abs(seconds) for _, seconds in causes), default=0.0)
    lines += [_line(cause, seconds, most, width) for cause, seconds in shown]
    rest = causes[len(shown) :]
    if rest:
        words = f"{count(len(rest), 'more cause')} together"
        lines.append(_line(words, sum(seconds for _, seconds in rest), most, width))
    return block(head, lines, width, height)


def _line(cause: str, seconds: float, most: float, width: int) -> Line:
    """Return one cause: minutes, words, and a bar where there is room for it."""
    spans = [put(minutes(seconds), 8, right=True), Span("  ")]
    room = width - 10
    if room < 24 + _BAR:
        return crop((*spans, say(cause)), width)
    size = round(abs(seconds) / most * _BAR) if most else 0
    bar = ("+" if seconds > 0 else "-") * size
    return crop((*spans, put(cause, room - _BAR), say(bar, "late" if seconds > 0 else "going")), width)
