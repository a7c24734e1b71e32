"""When everyone is inside, how sure that is, what binds, and when they must turn back.

The top line: PET before all else, UTC beside it, the next change of a window, and the disk.

The top of the lead's view: when everyone is inside, in large figures; the instant; how fresh it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import wrap

from rich.cells import cell_len

from tracker.console.view.alerts import message_line, waiting_alerts
from tracker.console.view.freshness import age, last_tick
from tracker.console.view.scene import LARGE, SMALL, LeadScene, Scene
from tracker.console.view.styled_text import Ink, Line, Span, blank, crop, large, put, say, sides, width_of
from tracker.console.view.words import limit_name, percent, pet, pet_s, window_change
from tracker.forecast.values import Estimate, LimitFigure
from tracker.foundation.text import ADVISORY, count, percent_asked, plain

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
        ends = [end for end in scene.snapshot.ingress.values() if end is not None]
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
    if scene.snapshot.done_share < EARLY_SHARE:
        return (f"{words}, early", "")
    return (f"{words}, wanted {percent_asked(wanted)}", "alarm")


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


def head(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the clock and the INSIDE lines in three rows; with room the clock also in large figures."""
    if width < SMALL:
        return [clock_line(scene, width), *_below(scene, width)]
    figures = large(clock_text(scene).rjust(7), "accent")
    side = width_of(figures[0]) + 4
    room = width - side
    texts = [clock_line(scene, room), *_below(scene, room)]
    lines = [crop((Span("  "), *figures[i], Span("  "), *texts[i]), width) for i in range(3)]
    return [*lines, blank(width)][:height]


def clock_text(scene: Scene) -> str:
    """Return PET as `H:MM:SS`; dashes before the clock is started."""
    return pet_s(scene.now) if scene.started else "-:--:--"


def clock_line(scene: Scene, width: int) -> Line:
    """Return PET, UTC, the next window change and how far the disk is, on one line."""
    left = [
        Span(" "),
        say(f" PET {clock_text(scene):>7} ", "clock"),
        say(f"  {scene.utc_text} UTC", "strong"),
        *((say(f"  {scene.local_text}"),) if scene.local_time else ()),
    ]
    if width >= LARGE:
        left.append(say(f"  {scene.utc:%Y-%m-%d}", "dim"))
    right = (Span(" "), *disk_spans(scene), Span(" "))
    room = width - width_of(left) - width_of(right) - 2
    return sides(width, (*left, say(f"  {_beside_clock(scene, room)}", "dim")), right)


def _below(scene: Scene, width: int) -> tuple[Line, Line]:
    """Return when everyone is inside and what is tightest; that it is a rehearsal where it takes no words."""
    inside, tightest = inside_line(scene, width), second_line(scene, width)
    if not scene.progress.rehearsal:
        return inside, tightest
    mark = (say(" REHEARSAL ", "typed"), Span(" "))
    room = width - width_of(mark)
    if _used(inside) >= room > _used(tightest):
        return inside, (*crop(tightest, room), *mark)
    return (*inside_line(scene, room), *mark), tightest


def _used(line: Line) -> int:
    """Return the cells of a line up to its last character."""
    return cell_len("".join(span.text for span in line).rstrip())


def _beside_clock(scene: Scene, room: int) -> str:
    """Return what stands beside the clock, in words for the room; the message line has all of it."""
    progress = scene.progress
    if progress.closed is not None:
        return f"closed at {pet(progress.closed)}"
    if not scene.started:
        short = f"{scene.key('zero')} starts the clock"
        words = f"{short}: {plain(progress.plan.zero)}"
        return words if cell_len(words) <= room else short
    if not scene.live:
        words = "the clock stands at the last event"
        return words if cell_len(words) <= room else "the clock stands"
    return window_change(progress, scene.now)


def disk_spans(scene: Scene) -> tuple[Span, ...]:
    """Return `on disk 212`, and beside it what is not."""
    disk = scene.disk
    done = say(f"on disk {disk.number}", "dim")
    if disk.unsaved:
        return (say(f"unsaved {disk.unsaved}  ", "alarm"), done)
    return (say("saving  ", "late"), done) if disk.saving else (done,)


def lead_head(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the instant, INSIDE and the tightest limit; with room the ingress in large figures."""
    if width < SMALL:
        return [instant_line(scene, width), _inside(scene, width), second_line(scene, width)][:height]
    estimate = scene.estimate
    inside = estimate.inside.p50 if estimate is not None else None
    figures = large(pet(inside).rjust(5), "accent")
    room = width - width_of(figures[0]) - 4
    texts = [instant_line(scene, room), _inside(scene, room), second_line(scene, room)]
    lines = [crop((Span("  "), *figures[i], Span("  "), *texts[i]), width) for i in range(3)]
    return [*lines, blank(width)][:height]


def _inside(scene: LeadScene, width: int) -> Line:
    """Return when everyone is inside, and that this is a rehearsal where it is one."""
    if not scene.progress.rehearsal:
        return inside_line(scene, width)
    mark = (say(" REHEARSAL ", "typed"), Span(" "))
    return (*inside_line(scene, width - width_of(mark)), *mark)


def instant_line(scene: LeadScene, width: int) -> Line:
    """Return PET and UTC of what is shown, and the age of the last tick; an earlier instant says so."""
    word = "AS OF" if scene.back else "PET"
    left = [Span(" "), say(f" {word} {clock_text(scene):>7} ", "alarm" if scene.back else "clock")]
    left.append(say(f"  {scene.utc_text} UTC", "strong"))
    if width >= LARGE:
        left.append(say(f"  {scene.utc:%Y-%m-%d}", "dim"))
    if scene.local_time:
        left.append(say(f"  {scene.local_text}"))
    left.append(say(f"  {_beside_lead_clock(scene)}", "dim"))
    return sides(width, left, (Span("  "), *_fresh(scene, width), Span(" ")))


def _beside_lead_clock(scene: LeadScene) -> str:
    progress = scene.progress
    if scene.back:
        return f"{pet(scene.present - scene.now)} back"
    if progress.closed is not None:
        return f"closed at {pet(progress.closed)}"
    if not scene.started:
        return "the clock has not started" if not scene.local_time else "not started"
    if not scene.live:
        return f"rehearsal, as of {pet(scene.now)}" if progress.rehearsal else "the clock stands"
    return window_change(progress, scene.now)


def _fresh(scene: LeadScene, width: int) -> tuple[Span, ...]:
    """Return the last event's number and the age of the last tick, or that nothing can be read."""
    if scene.trouble:
        return (say(f" not read since event {scene.disk.number} ", "alarm"),)
    tick = last_tick(scene)
    number = say(f"event {scene.progress.number}", "dim")
    if tick is None:
        return (number,)
    ago = say(f"tick {age(scene, tick.at)}{' ago' if width >= 60 else ''}", "dim")
    return (ago,) if width <= 80 else (ago, Span("  "), number)


def notice(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return what wants somebody: trouble with the journal, else what was just said, else the first alert."""
    alerts = waiting_alerts(scene)
    if scene.trouble:
        line = crop((say(" ! ", "alarm"), say(f" {scene.trouble}", "late")), width)
    elif scene.said or not alerts:
        waiting = (
            (say(f"  ! {count(len(alerts), 'alert')}: {scene.key('whole')} ", "late"),) if alerts else ()
        )
        line = sides(width, message_line(scene, width), waiting)
    else:
        more, key = "", scene.key("whole")
        if len(alerts) > 1:
            more = f"  {count(len(alerts) - 1, 'more alert')}: {key} "
        elif len(alerts[0].text) > width - 4:
            more = f"  in full: {key} "
        words = put(f" {alerts[0].text}", width - 3 - len(more), "late")
        line = crop((say(" ! ", "alarm"), words, say(more, "dim")), width)
    return [line, *[blank(width)] * (height - 1)][:height]


def advisory_rows(width: int) -> int:
    """Return how many rows the advisory sentence takes."""
    return len(wrap(ADVISORY, max(10, width - 2)))


def advisory(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the advisory sentence, which always stands on this view."""
    lines = [crop((say(f" {part}", "dim"),), width) for part in wrap(ADVISORY, max(10, width - 2))]
    return (lines + [blank(width)] * height)[:height]
