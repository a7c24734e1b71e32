"""The five pages of the lead's view, in the order of the lead's questions, at a size of the screen.

The day, the choices, the work, what runs down, and what if. Hides every number that makes a page fit. Nothing
here paints.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.view.consumables import levels, readings
from tracker.console.view.freshness import word
from tracker.console.view.lead_1_day import day
from tracker.console.view.lead_2_choices import choices
from tracker.console.view.lead_3_work import limits, tasks
from tracker.console.view.scene import LeadScene
from tracker.console.view.styled_text import Line
from tracker.console.view.what_if_pages import orders, what_if

LeadView = Callable[[LeadScene, int, int], list[Line]]

VIEWS: dict[str, LeadView] = {
    "day": day,
    "choices": choices,
    "tasks": tasks,
    "fresh": word,
    "limits": limits,
    "levels": levels,
    "readings": readings,
    "what-if": what_if,
    "orders": orders,
}
"""The regions of the lead's view by name, in the order of the pages."""

BANDS, ACROSS = 3, 2
"""At most so many bands on a page, and so many regions beside one another."""
_WIDE, _TALL = 190, 44
"""From this size on the first two pages stand together."""
_COMPARED, _ORDERS = 9, 5
"""Rows of both estimates beside one another, and of better orders."""


@dataclass(frozen=True, slots=True)
class Band:
    """Regions beside one another."""

    height: int
    """Rows; 0: what is left."""
    names: tuple[str, ...]
    """The first takes the width that the second leaves."""
    second: int = 0
    """Columns of the second region."""


Page = tuple[Band, ...]


def pages_for(scene: LeadScene, width: int, height: int) -> tuple[Page, ...]:
    """Return the pages at a size of what lies between the head and the last lines."""
    first: tuple[Page, ...] = ((Band(0, ("day",)),), (Band(0, ("choices",)),))
    if width >= _WIDE and height >= _TALL:
        first = ((Band(0, ("day", "choices"), width // 2),),)
    return (*first, *_work(scene, height), *_running_down(scene, width, height), *_supposed(scene, height))


def _work(scene: LeadScene, height: int) -> tuple[Page, ...]:
    """Return the tasks, and below them how fresh it is; apart where there is no room for both."""
    fresh = len(scene.progress.plan.crew) + 4
    if len(scene.progress.tasks) + 2 + fresh <= height:
        return ((Band(0, ("tasks",)), Band(fresh, ("fresh",))),)
    half = min(fresh, height // 2)
    return ((Band(0, ("tasks",)), Band(half, ("fresh",))),)


def _running_down(scene: LeadScene, width: int, height: int) -> tuple[Page, ...]:
    """Return the limits, and what runs down as rows and as curves, as far as there is room."""
    estimate = scene.estimate
    accounts = len(estimate.consumables) if estimate is not None else 0
    number = len(estimate.limits) if estimate is not None else len(scene.progress.limits)
    rows, limit_rows = min(accounts + 3, height // 2), min(number + 2, max(4, height // 3))
    if height - rows - limit_rows >= 7:
        return ((Band(limit_rows, ("limits",)), Band(0, ("levels",)), Band(rows, ("readings",))),)
    return ((Band(0, ("limits",)), Band(rows, ("readings",))),)


def _supposed(scene: LeadScene, height: int) -> tuple[Page, ...]:
    """Return what is supposed, and better orders."""
    compared = 3 if scene.supposed is None else _COMPARED
    if compared + _ORDERS <= height:
        return ((Band(compared, ("what-if",)), Band(0, ("orders",))),)
    return ((Band(0, ("what-if",)),),)


_NEAR = {"levels": "readings", "orders": "what-if"}
"""Where a region has no room, the one that tells the same in fewer rows."""


def page_of(pages: tuple[Page, ...], name: str) -> int:
    """Return the page on which a region stands, else the one that is nearest to it; 0 where there is none."""
    for wanted in (name, _NEAR.get(name)):
        for place, page in enumerate(pages):
            if any(wanted in band.names for band in page):
                return place
    return 0
