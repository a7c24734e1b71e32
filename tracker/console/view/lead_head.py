"""The top of the lead's view: when everyone is inside, in large figures; the instant; how fresh it is."""

from __future__ import annotations

from textwrap import wrap

from tracker.console.view.alerts import message_line, waiting_alerts
from tracker.console.view.clock import clock_text
from tracker.console.view.figures import large
from tracker.console.view.freshness import age, last_tick
from tracker.console.view.head import inside_line, second_line
from tracker.console.view.lead_scene import LeadScene
from tracker.console.view.scene import LARGE, SMALL
from tracker.console.view.styled_text import Line, Span, blank, crop, put, say, sides, width_of
from tracker.console.view.words import count, pet, window_change
from tracker.foundation.text import ADVISORY


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
    left.append(say(f"  {_beside(scene)}", "dim"))
    return sides(width, left, (Span("  "), *_fresh(scene, width), Span(" ")))


def _beside(scene: LeadScene) -> str:
    progress = scene.progress
    if scene.back:
        return f"{pet(scene.present - scene.now)} back"
    if progress.closed is not None:
        return f"closed at {pet(progress.closed)}"
    if not scene.started:
        return "the clock has not started" if not scene.local_time else "not started"
    if not scene.live:
        return "the clock stands"
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
