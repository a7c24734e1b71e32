"""Whole screens of the desk without a terminal: the panes of a size one below the other, as text."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from tracker.console.layout import BELOW, FIXED, MIDDLE, layout_for, titled
from tracker.console.view.right_pane import side
from tracker.console.view.scene import Disk, Scene, Snapshot
from tracker.console.view.styled_text import Line, crop, text_of
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.journal.progress import Progress


def scene_of(
    progress: Progress,
    at: float,
    made: Estimate | None = None,
    *,
    scenarios: int = 500,
    choices: bool = False,
) -> Scene:
    """Return the scene of an instant of an excursion; the estimate is made where none is given."""
    assert progress.zero is not None
    made = made or estimate(progress, at, scenarios=scenarios, choices=choices)
    utc = progress.zero + timedelta(seconds=at)
    return Scene(Snapshot(progress, made), at, utc, disk=Disk(progress.number))


def panes(scene: Scene, width: int, height: int, view: str = "steps") -> Mapping[str, list[Line]]:
    """Return the lines of every pane of the desk at a size, from the top down, without the keys."""
    layout = layout_for(scene, width, height, view)
    rows = layout.rows
    rules = {"rule-2": titled(layout.title), "rule-4": titled(layout.foot)}
    above, below = (
        {name: rules.get(name, pane)(scene, width, rows[name]) for name, pane in some if rows[name]}
        for some in (FIXED, BELOW)
    )
    return {**above, "middle": middle(scene, width, height, view), **below}


def middle(scene: Scene, width: int, height: int, view: str = "steps") -> list[Line]:
    """Return the list, or the view in its place, with what stands beside it."""
    layout = layout_for(scene, width, height, view)
    left, body = height - 1 - sum(layout.rows.values()), MIDDLE[view]
    if not layout.side:
        return body(scene, width, left)
    beside = zip(body(scene, width - layout.side - 2, left), side(scene, layout.side, left), strict=True)
    return [crop((*a, *crop((), 2), *b), width) for a, b in beside]


def screen(scene: Scene, width: int, height: int, view: str = "steps") -> str:
    """Return what a reader without colour sees at a size."""
    return "\n".join(text_of(lines) for lines in panes(scene, width, height, view).values())
