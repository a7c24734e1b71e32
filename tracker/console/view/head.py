"""When everyone is inside, how sure that is, what binds, and when they must turn back."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.console.view.scene import LARGE, Scene
from tracker.console.view.styled_text import Ink, Line, Span, crop, say
from tracker.console.view.words import limit_name, percent, pet
from tracker.forecast.values import Estimate, LimitFigure

EARLY_SHARE = 0.1
"""Before this share of the planned work is done a low chance is a line of text, not an alarm."""

SAME_S = 60.0
"""Margins nearer than that read alike."""


def inside_line(scene: Scene, width: int) -> Line:
    """Return INSIDE with its range, the limit and the chance of keeping every limit."""
    estimate = scene.estimate
    limit = say(f"   limit {pet(scene.progress.limits.get('elapsed'))}")
    head = say(" INSIDE ", "strong")
    if estimate is None:
        ends = [end for end in scene.picture.ingress.values() if end is not None]
        paper = say(pet(max(ends, default=None)), "strong")
        return crop((head, paper, say(" on paper"), limit, say("   estimating", "dim")), width)
    inside = say(pet(estimate.inside.p50), "strong")
    if scene.progress.closed is not None:
        return crop((head, inside, limit, say("   closed", "dim")), width)
    span = say(f"   {pet(estimate.inside.p10)} to {pet(estimate.inside.p90)}")
    word, ink = chance_words(scene, estimate)
    spans = [head, inside, span, limit, Span("   "), say(f"chance {word}", ink)]
    if width >= LARGE:
        alone = f"{pet(estimate.without_optional_inside.p50)}, {percent(estimate.without_optional_safe)}"
        spans.append(say(f"   must work alone {alone}", "dim"))
    return crop(spans, width)


def chance_words(scene: Scene, estimate: Estimate) -> tuple[str, Ink]:
    """Return the chance in words, with an alarm only once a tenth of the work is done."""
    wanted = demanded(estimate.confidence)
    words = percent(estimate.safe)
    if estimate.safe >= wanted or not scene.started:
        return (words, "going" if scene.started else "")
    if scene.picture.done_share < EARLY_SHARE:
        return (f"{words}, early", "")
    return (f"{words}, wanted {percent(wanted)}", "alarm")


def demanded(confidence: float | Mapping[str, float]) -> float:
    """Return the demanded chance; of two the lower one, as the joint chance can be no more."""
    return min(confidence.values()) if isinstance(confidence, Mapping) else confidence


def second_line(scene: Scene, width: int) -> Line:
    """Return the tightest limit, and turn-back or the recall."""
    estimate = scene.estimate
    if estimate is None or scene.progress.closed is not None:
        return crop((say(f" {scene.progress.plan.excursion}", "dim"),), width)
    spans = [Span(" "), *tightest_spans(estimate)]
    if estimate.called:
        spans.append(say(f"   called: {estimate.called}", "late"))
    elif width >= LARGE:
        spans.append(say(f"   {turn_back_words(estimate)}"))
        spans.append(say(f"   {pace_words(estimate)}", "dim"))
    else:
        spans.append(say(f"   {turn_back_short(estimate)}"))
    return crop(spans, width)


def tightest_spans(estimate: Estimate) -> tuple[Span, ...]:
    """Return the binding limit and its margin in words."""
    binding = estimate.binding
    if binding is None:
        return (say("no limit binds", "dim"),)
    ink: Ink = "late" if (binding.margin.p50 or 0.0) < 0 else ""
    return (say("tightest "), say(binding_words(estimate, binding), ink))


def binding_words(estimate: Estimate, binding: LimitFigure) -> str:
    """Return the binding limit and what is to spare to it.

    It is the limit that is most likely broken; where another leaves less in the middle, its margin would
    deny that it is the tightest, and the chance says why it is.
    """
    margins = [m for figure in estimate.limits if (m := figure.margin.p50) is not None]
    margin = binding.margin.p50
    wide = margin is not None and margin - min(margins, default=margin) >= SAME_S
    words = f"broken in {percent(binding.chance)}" if wide else margin_words(binding)
    return f"{limit_name(binding.id)}, {words}"


def margin_words(figure: LimitFigure) -> str:
    """Return `0:21 to spare`, or `0:07 over`."""
    margin = figure.margin.p50
    if margin is None:
        return f"broken in {percent(figure.chance)}"
    return f"{pet(abs(margin))} {'over' if margin < 0 else 'to spare'}"


def turn_back_short(estimate: Estimate) -> str:
    """Return turn-back in a few words."""
    turn = estimate.turn_back
    if turn.homebound:
        return "on the way home"
    return f"turn back by {pet(turn.latest)}" if turn.latest is not None else "turn back now"


def turn_back_words(estimate: Estimate) -> str:
    """Return turn-back, when they are inside if called now, and what moves it next."""
    turn = estimate.turn_back
    words = f"{turn_back_short(estimate)}; inside {pet(turn.inside_if_now.p50)} if called now"
    if turn.mover is not None and (turn.moved_to is None or pet(turn.moved_to) != pet(turn.latest)):
        words += f"; {turn.mover} " + (
            f"moves it to {pet(turn.moved_to)}" if turn.moved_to is not None else "ends it"
        )
    return words


def pace_words(estimate: Estimate) -> str:
    """Return pace per crew member."""
    return "pace " + "  ".join(f"{who} {pace:.2f}" for who, pace in estimate.pace.items())
