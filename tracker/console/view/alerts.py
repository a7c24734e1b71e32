"""What wants a person, and what was just said: both in full, in as many rows as they need."""

from __future__ import annotations

from tracker.console.view.detail import detail
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import (
    Line,
    Span,
    blank,
    block,
    crop,
    fit,
    put,
    say,
    sides,
    tall,
    wrapped,
)
from tracker.console.view.words import count
from tracker.forecast.values import Alert


def waiting_alerts(scene: Scene) -> list[Alert]:
    """Return the alerts that nobody has acknowledged yet."""
    estimate = scene.estimate
    return [a for a in estimate.alerts if not _seen(scene, a)] if estimate else []


def _seen(scene: Scene, alert: Alert) -> bool:
    return alert.acknowledged or alert.id in scene.progress.acknowledged


def alert_rows(scene: Scene, width: int) -> tuple[int, int]:
    """Return how many rows the first alert takes, and all of them."""
    alerts = waiting_alerts(scene)
    rows = [len(_rows(alert, width, _room_for(scene, len(alerts)))) for alert in alerts]
    return (rows[0], sum(rows)) if rows else (0, 0)


def alert_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the alerts that fit, each in full; the first with the key that acknowledges it."""
    alerts = waiting_alerts(scene)
    shown: list[list[Line]] = []
    for alert in alerts:
        rows = _rows(alert, width, _room_for(scene, len(alerts)))
        if shown and sum(map(len, shown)) + len(rows) > height:
            break
        shown.append(rows)
    lines = [row for rows in shown for row in rows][:height]
    right = (say(_hint(scene, len(alerts) - len(shown)), "dim"),)
    return tall(
        [sides(width, row, right if place == 0 else ()) for place, row in enumerate(lines)], width, height
    )


def _hint(scene: Scene, more: int) -> str:
    """Return the key that acknowledges, and how many alerts have no room."""
    others = f"  {more} more: {scene.key('alerts')}" if more > 0 else ""
    return f"{others}  {scene.key('acknowledge')} acknowledges "


def _room_for(scene: Scene, alerts: int) -> int:
    """Return the columns that the keys may take beside the first of so many alerts."""
    return len(_hint(scene, 9 if alerts > 1 else 0))


def _rows(alert: Alert, width: int, taken: int) -> list[Line]:
    """Return an alert in rows that leave room for the keys beside the first."""
    room = max(20, width - 4 - taken)
    first, *others = wrapped(alert.text, room)
    return [(say(" ! ", "alarm"), say(f" {first}", "late")), *((say(f"    {o}", "late"),) for o in others)]


def alerts_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return every alert of this instant in full, those acknowledged after those that wait."""
    alerts = scene.estimate.alerts if scene.estimate else ()
    waiting = waiting_alerts(scene)
    title = f"{count(len(waiting), 'alert')}   {scene.key('acknowledge')} acknowledges the first"
    lines = [crop((put(" alerts", 9, "dim"), say(title if waiting else "no alert waits", "dim")), width)]
    for alert in sorted(alerts, key=lambda a: _seen(scene, a)):
        seen = _seen(scene, alert)
        mark, ink = ("seen ", "dim") if seen else ("  !  ", "late")
        rows = block(alert.text, width - 6, "dim" if seen else "late")
        lines += [
            crop((Span(" "), say(mark if place == 0 else "     ", ink), *row), width)  # type: ignore[arg-type]
            for place, row in enumerate(rows)
        ]
    return fit(lines, width, height)


def message_line(scene: Scene, width: int) -> Line:
    """Return the line that says what a key just did, or why it did nothing."""
    return crop((Span(" "), say(scene.said, scene.said_ink)), width)


def message_rows(scene: Scene, width: int) -> int:
    """Return how many rows the message needs."""
    return len(message_lines(scene, width, 100, pad=False))


def message_lines(scene: Scene, width: int, height: int, *, pad: bool = True) -> list[Line]:
    """Return what a key just did, or why it did nothing; else what is chosen, in full."""
    words, ink = (scene.said, scene.said_ink) if scene.said else (detail(scene), "")
    lines = block(words, width, ink, most=height)
    return [*lines, *[blank(width)] * (height - len(lines))] if pad else lines
