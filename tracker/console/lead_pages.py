"""The pages of the lead's view: which regions stand where at a size of the screen.

Hides every number that makes a page fit. Nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.view.consumables import levels, readings
from tracker.console.view.freshness import word
from tracker.console.view.ingress import ingress, moved_by
from tracker.console.view.limits import limits, tasks
from tracker.console.view.optional import decide
from tracker.console.view.scene import LeadScene
from tracker.console.view.styled_text import Line
from tracker.console.view.what_if import orders, what_if

LeadView = Callable[[LeadScene, int, int], list[Line]]

VIEWS: dict[str, LeadView] = {
    "inside": ingress,
    "moved": moved_by,
    "limits": limits,
    "decide": decide,
    "levels": levels,
    "readings": readings,
    "tasks": tasks,
    "fresh": word,
    "what-if": what_if,
    "orders": orders,
}
"""The regions of the lead's view by name, in the order of the lead's questions."""

COMPARED = 9
"""Rows of both estimates beside one another."""
BANDS, ACROSS = 5, 2
"""At most so many bands on a page, and so many regions beside one another."""


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
    rows = _Rows.of(scene)
    if width >= 190 and height >= 44:
        return (_whole(rows, height),)
    if width >= 118 and height >= 26:
        return _wide(rows, width, height)
    if width >= 98 and height >= 20:
        return _hundred(rows, height)
    return _small(rows, height)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows that the regions want for this excursion, headings included."""

    limits: int
    decide: int
    tasks: int
    fresh: int
    readings: int
    compared: int
    """What is supposed; little as long as nothing is."""
    orders: int = 5

    @staticmethod
    def of(scene: LeadScene) -> _Rows:
        progress, estimate = scene.progress, scene.estimate
        limits = len(estimate.limits) if estimate is not None else len(progress.limits)
        optional = len(estimate.optional) if estimate is not None else 0
        accounts = len(estimate.consumables) if estimate is not None else 0
        crew = len(progress.plan.crew)
        tasks, compared = len(progress.tasks) + 2, 3 if scene.supposed is None else COMPARED
        return _Rows(limits + 2, optional + 7, tasks, crew + 4, accounts + 3, compared)

    @property
    def supposed(self) -> int:
        """What is supposed and better orders, one below the other, once something is supposed."""
        return COMPARED + self.orders


def _whole(rows: _Rows, height: int) -> Page:
    """Return everything at once."""
    last = min(max(rows.compared if rows.compared > 3 else rows.orders, rows.fresh), 13)
    below = rows.orders if rows.compared > 3 else 2
    third = max(min(rows.tasks, 14), 11)
    second = min(max(rows.limits, rows.decide), max(6, height - 12 - third - last - below))
    top = max(12, min(17, height - second - third - last - below))
    # As long as nothing is supposed there is little to say of it.
    beside, under = ("what-if", "orders") if rows.compared > 3 else ("orders", "what-if")
    return (
        Band(top, ("inside", "moved"), 62),
        Band(second, ("decide", "limits"), 84),
        Band(0, ("levels", "tasks"), 96),
        Band(last, (beside, "fresh"), 96),
        Band(below, (under,)),
    )


def _wide(rows: _Rows, width: int, height: int) -> tuple[Page, ...]:
    """Return how it stands, what there is to decide, what else there is."""
    low = min(max(rows.limits, rows.fresh), max(6, height - 19))
    first = (
        Band(0, ("inside", "moved"), max(42, width // 3)),
        Band(low, ("limits", "fresh"), max(48, width - 76)),
    )
    levels = (Band(0, ("levels",)), Band(min(rows.readings, height // 2), ("readings",)))
    compared, better = Band(rows.compared, ("what-if",)), Band(rows.orders, ("orders",))
    decide = (Band(0, ("decide",)), compared, better)
    if rows.decide + rows.tasks + 3 + rows.orders <= height and rows.decide + 6 + rows.supposed <= height:
        return (first, (Band(rows.decide, ("decide",)), Band(0, ("tasks",)), compared, better), levels)
    return (first, decide, (Band(0, ("tasks",)), Band(min(rows.fresh, height // 2), ("fresh",))), levels)


def _hundred(rows: _Rows, height: int) -> tuple[Page, ...]:
    """Return pages of which the first says how it stands and why."""
    compared, better = Band(rows.compared, ("what-if",)), Band(rows.orders, ("orders",))
    together = rows.decide + rows.supposed <= height
    decide: tuple[Page, ...] = ((Band(0, ("decide",)), compared, better),)
    apart: tuple[Page, ...] = (
        (Band(0, ("decide",)),),
        (Band(0, ("what-if",)), Band(rows.orders + 4, ("orders",))),
    )
    fresh = min(rows.fresh, max(6, height - rows.tasks), height // 2)
    return (
        (Band(0, ("inside",)), Band(min(rows.limits, 9), ("limits", "moved"), 40)),
        *(decide if together else apart),
        (Band(0, ("tasks",)), Band(fresh, ("fresh",))),
        (Band(0, ("levels",)), Band(min(rows.readings, 11), ("readings",))),
    )


def _small(rows: _Rows, height: int) -> tuple[Page, ...]:
    """Return a page a question."""
    moved = 5 if height >= 14 else 0
    first = (Band(0, ("inside",)), Band(moved, ("moved",))) if moved else (Band(0, ("inside",)),)
    tight = rows.limits + rows.fresh <= height
    room = rows.supposed <= height
    return (
        first,
        (Band(0, ("limits",)), Band(rows.fresh, ("fresh",))) if tight else (Band(0, ("limits",)),),
        (Band(0, ("decide",)),),
        (Band(0, ("tasks",)),),
        (Band(0, ("levels",)),),
        (Band(0, ("readings",)),),
        *(() if tight else ((Band(0, ("fresh",)),),)),
        (Band(0, ("what-if",)), Band(rows.orders, ("orders",))) if room else (Band(0, ("what-if",)),),
        *(() if room else ((Band(0, ("orders",)),),)),
    )


def page_of(pages: tuple[Page, ...], name: str) -> int:
    """Return the page on which a region stands, the first such; 0 where there is none."""
    return next((k for k, page in enumerate(pages) if any(name in band.names for band in page)), 0)
