"""What wants a person: each alert stays until it is acknowledged."""

from __future__ import annotations

from tracker.console.view.ink import Line, Span, blank, crop, put, say
from tracker.console.view.scene import Scene
from tracker.console.view.words import count
from tracker.forecast.values import Alert


def waiting_alerts(scene: Scene) -> list[Alert]:
    """Return the alerts that nobody has acknowledged yet."""
    estimate = scene.estimate
    seen = scene.progress.acknowledged
    return [a for a in estimate.alerts if not a.acknowledged and a.id not in seen] if estimate else []


def alert_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return one row an alert, the first with the key that acknowledges it; how many more there are."""
    alerts = waiting_alerts(scene)
    lines: list[Line] = []
    for place, alert in enumerate(alerts[:height]):
        more = len(alerts) - height
        tail = f"  {count(more, 'more', 'more')}" if more > 0 and place == height - 1 else ""
        key = f"  {scene.key('acknowledge')} acknowledges" if place == 0 else ""
        right = f"{tail}{key} "
        lines.append(
            crop(
                (
                    say(" ! ", "alarm"),
                    put(f" {alert.text}", width - 3 - len(right), "late"),
                    say(right, "dim"),
                ),
                width,
            )
        )
    return (lines + [blank(width)] * height)[:height]


def message_line(scene: Scene, width: int) -> Line:
    """Return the line that says what a key just did, or why it did nothing."""
    return crop((Span(" "), say(scene.said, scene.said_ink)), width)
