"""The lead's first page: INSIDE by what is counted, what is to be decided, what binds, the day, and why.

Hides what each part takes of the room: the chart has what the rows above and below it leave.
"""

from __future__ import annotations

from collections.abc import Mapping

from tracker.console.view.grid import folded, heading, remark, under
from tracker.console.view.ingress import ingress
from tracker.console.view.lead_2_choices import choice_head, choice_row, named
from tracker.console.view.scene import TREND_S, LeadScene
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say
from tracker.forecast.values import Estimate, LimitFigure, OptionalFigure
from tracker.forecast.wording import limit_words, need_of, shown_causes
from tracker.foundation.shown import change, duration, in_words, pet_down, pet_up, spare_words, up
from tracker.foundation.text import percent
from tracker.journal.progress import letters

_BASES = ("must-only", "committed", "as-advised", "everything")
_LEAST_CHART = 7
NEAR_S = 600.0
"""How far from the instant that is asked an estimate on record may lie to stand for it."""


def day(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the page: the tables keep their rows, the chart takes what is left."""
    above = [*bases(scene, width), *to_decide(scene, width), *binding_rows(scene, width)]
    below = why(scene, width, max(2, min(5, height - len(above) - _LEAST_CHART)))
    above = above[: max(2, height - len(below) - _LEAST_CHART)]
    return [*above, *ingress(scene, width, height - len(above) - len(below)), *below][:height]


def bases(scene: LeadScene, width: int, height: int = 6) -> list[Line]:
    """Return INSIDE by what is counted, one row a basis; committed only where it is more than the musts."""
    of = f" as of {pet_down(scene.choices[0].at)}" if scene.choices else ""
    lines = [choice_head(f"when inside{of}", width)]
    by_id = {choice.id: choice for choice in scene.choices}
    if not by_id:
        return [*lines, remark("closed" if scene.progress.closed is not None else "being worked out", width)]
    musts = by_id.get("must-only")
    for base in _BASES:
        choice = by_id.get(base)
        if choice is None or (base == "committed" and musts is not None and choice.tasks == musts.tasks):
            continue
        ink: Ink = "strong" if base == "as-advised" else ""
        lines.append(choice_row(scene, choice, named(scene, choice), width, ink))
    return lines


def to_decide(scene: LeadScene, width: int, height: int = 99) -> list[Line]:
    """Return what somebody has to decide, until when and what it costs; one row where there is nothing."""
    head = heading("to decide", width)
    estimate = scene.estimate
    if estimate is None:
        return [head, remark("being worked out", width)]
    waiting = [f for f in estimate.optional if not f.begun and f.advice != "keep"]
    if not waiting or any(figure.ground != "figures" for figure in waiting):
        word = "not yet: too little is known" if waiting else "nothing to decide"
        return [head, remark(word, width), *(_reasons(estimate, width) if scene.whole else [])]
    lines = [head, *(_decision(scene, estimate, figure, width) for figure in waiting)]
    return [*lines, *_reasons(estimate, width)] if scene.whole else lines


def _reasons(estimate: Estimate, width: int) -> list[Line]:
    """Return why each optional task is advised as it is, at full length."""
    told = [f"{figure.task}: {figure.reason}" for figure in estimate.optional if figure.reason]
    return [line for words in told for line in under(words, width, indent=1)]


def _decision(scene: LeadScene, estimate: Estimate, figure: OptionalFigure, width: int) -> Line:
    letter, need = letters(scene.progress).get(figure.task, ""), need_of(estimate)[2]
    parts: list[str] = [figure.advice]
    if figure.last_call is not None:
        parts.append(f"start by {pet_down(figure.last_call)}, {in_words(figure.last_call, scene.now)}")
    kept = next((c for c in scene.choices if c.id == f"keep:{figure.task}"), None)
    if kept is not None:
        chances = percent(estimate.safe, need), percent(kept.safe, need)
        parts.append(f"kept costs {duration(kept.shift)}, chance {chances[0]} -> {chances[1]}")
    for asked in scene.progress.raised:
        if asked.what != "question" or asked.settled is not None or asked.about != figure.task:
            continue
        parts.append(f"asked at {pet_down(asked.at)}: {asked.text}")
    return crop((put(f" {letter} {figure.task}", 16, "strong"), say("  ".join(parts))), width)


def binding_rows(scene: LeadScene, width: int) -> list[Line]:
    """Return the rule that names the binding limit: its chance, what nine in ten leave, how it was."""
    estimate = scene.estimate
    if estimate is None or estimate.binding is None:
        return []
    figure, need = estimate.binding, need_of(estimate)[2]
    words = f"binding limit: {limit_words(figure.id)}, chance {percent(1 - figure.chance, need)}"
    nine = "" if figure.margin.p90 is None else f"in nine of ten {spare_words(figure.margin.p90)}"
    return [heading(words, width, *(part for part in (f"{nine}{_was(scene, figure, need)}", nine) if part))]


def _was(scene: LeadScene, figure: LimitFigure, need: float) -> str:
    """Return how it stood half an hour ago, where that is on record."""
    point = scene.point_at(scene.now - TREND_S, NEAR_S)
    if point is None or figure.id not in point.chances or point.at >= scene.now:
        return ""
    return f"; at {pet_down(point.at)}: chance {percent(1 - point.chances[figure.id], need)}"


def why(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what moved INSIDE and the chances since half an hour ago, or since the mark."""
    estimate, moved = scene.estimate, scene.moved
    since = f"why, since {pet_down(scene.since)}"
    if moved is None or estimate is None:
        word = "being worked out" if scene.started and scene.since < scene.now else "nothing yet"
        return [heading(since, width), remark(word, width)]
    before = scene.point_at(moved.then, NEAR_S)
    lines = [heading(f"{since}{_from_to(scene, estimate)}", width), *_causes(scene, estimate, width)]
    if before is not None:
        lines += _chances(scene, estimate, before.chances, width)
    return lines[:height]


def _from_to(scene: LeadScene, estimate: Estimate) -> str:
    moved = scene.moved
    before = None if moved is None else scene.point_at(moved.then, NEAR_S)
    if before is None:
        return ""
    need = need_of(estimate)[2]
    chances = percent(before.safe, need), percent(estimate.safe, need)
    ends = pet_up(before.inside.p50), pet_up(estimate.inside.p50)
    return f": INSIDE {ends[0]} -> {ends[1]}, chance {chances[0]} -> {chances[1]}"


def _causes(scene: LeadScene, estimate: Estimate, width: int) -> list[Line]:
    """Return the causes in minutes, the greatest first, in as many rows as they need."""
    assert scene.moved is not None
    before = scene.point_at(scene.moved.then, NEAR_S)
    exact = sum(seconds for _, seconds in scene.moved.causes)
    ends = (up(before.inside.p50) if before is not None else None), up(estimate.inside.p50)
    whole = round(exact / 60) * 60 if None in ends else (ends[1] or 0) - (ends[0] or 0)
    told = shown_causes(scene.moved.causes, whole)
    if not told:
        return [remark("nothing moved it", width)]
    spans = [Span(" ")]
    for place, (cause, seconds) in enumerate(told):
        spans.append(say(f"{'   ' if place else ''}{cause} "))
        spans.append(say(change(seconds), "strong"))
    return folded(spans, width, 1)


def _chances(scene: LeadScene, estimate: Estimate, before: Mapping[str, float], width: int) -> list[Line]:
    """Return by how much the chance of each limit moved, where it is seen."""
    need = need_of(estimate)[2]
    pairs = [
        (limit_words(f.id), percent(1 - before[f.id], need), percent(1 - f.chance, need))
        for f in estimate.limits
        if f.id in before
    ]
    told = [f"{name} {a} -> {b}" for name, a, b in pairs if a != b]
    return [remark(f"chance by limit: {', '.join(told)}", width)] if told else []
