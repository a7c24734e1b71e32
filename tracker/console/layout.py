"""What is where at a size of the screen: the desk's panes with their rows.

Hides every number that makes a screen fit. Nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.view.alerts import (
    alert_lines,
    alert_rows,
    alerts_list,
    events_list,
    message_lines,
    message_rows,
)
from tracker.console.view.consumables import consumables_list
from tracker.console.view.crew import crew_lines, crew_rows
from tracker.console.view.head import head
from tracker.console.view.optional import optional_lines, optional_list
from tracker.console.view.runway import runway
from tracker.console.view.scene import LARGE, SMALL, Scene
from tracker.console.view.steps import steps_list, way_home
from tracker.console.view.styled_text import Line, rule

View = Callable[[Scene, int, int], list[Line]]

MIDDLE: dict[str, View] = {
    "steps": steps_list,
    "runway": runway,
    "optional": optional_list,
    "consumables": consumables_list,
    "home": way_home,
    "events": events_list,
    "alerts": alerts_list,
}
"""Views that can stand in the middle of the screen, by name; help and brief are pages of text."""

WHOLE = ("home", "events", "alerts", "help", "brief", "what-if")
"""Views that take the runway's and the side's room too."""
WIDE = ("optional", "consumables")
"""Views that take the side's room: there they have columns for which the side is too narrow."""
LONG = ("events", "alerts", "help", "brief", "what-if", "optional", "consumables")
"""Views that may have more rows than there are; on a small screen the crew makes room for them."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Rows of the regions with a fixed height, and what stands beside the middle."""

    crew: int
    runway: int
    """0: under its key."""
    side: int
    """Columns of what stands beside the middle; 0: nothing."""
    optional: int
    """Rows of the optional tasks where the consumables stand below them; 0: all there are."""
    consumables: int
    """Rows of the consumables below the optional tasks; 0: under its key."""
    alerts: int
    message: int

    def apart(self) -> tuple[str, ...]:
        """Return the views that the view key goes round at this size."""
        names = ["steps"]
        names += [] if self.runway else ["runway"]
        names += [] if self.side else ["optional"]
        return (*names, *(() if self.consumables else ("consumables",)))


def layout_for(scene: Scene, width: int, height: int, view: str = "steps") -> Layout:
    """Return the layout of a screen of this size for this crew, with a view in the middle."""
    outside = len(scene.progress.plan.outside)
    small = width < SMALL or height < 28 or view in WHOLE
    side = 0 if small or view in WIDE else _side(width)
    crew = crew_rows(scene, width, height, brief=view in LONG)
    alerts, message = _below(scene, width, height, height - crew - 9)
    middle = height - 3 - 3 - crew - alerts - message - 1 - (0 if small else 3 + outside)
    optional, consumables = _beside(scene, side, middle) if width >= LARGE and side else (0, 0)
    return Layout(crew, 0 if small else 2 + outside, side, optional, consumables, alerts, message)


def _side(width: int) -> int:
    """Return the columns beside the middle."""
    return 86 if width >= 190 else 66 if width >= LARGE else 46 if width >= 120 else 36


def _beside(scene: Scene, side: int, middle: int) -> tuple[int, int]:
    """Return the rows of the optional tasks and of the consumables below them; (n, 0): no room for those."""
    plan = scene.progress.plan
    accounts = len(scene.estimate.consumables if scene.estimate else plan.consumables * len(plan.outside))
    optional = len(optional_lines(scene, side)) + 1
    return (optional, accounts + 4) if optional + accounts + 4 <= middle else (0, 0)


def _below(scene: Scene, width: int, height: int, room: int) -> tuple[int, int]:
    """Return the rows of alerts and of the message: a fixed number together, more only for what is long.

    `room`: rows that there are for them where the crew and two rows of the list are to stay.
    """
    usual = max(1, min(room, 2 if height < 28 else 3 if height < 44 else 4))
    most = max(1, min(height // 3, room))
    first, every = alert_rows(scene, width)
    message = min(max(1, message_rows(scene, width)), most)
    alerts = min(max(first, min(every, usual - 1)), most)
    return (max(min(alerts, max(0, room - message)), usual - message), message)


def rule_view(scene: Scene, width: int, height: int) -> list[Line]:
    """Return a rule."""
    return [rule(width)] * height


FIXED: tuple[tuple[str, View], ...] = (
    ("head", head),
    ("rule-1", rule_view),
    ("crew", crew_lines),
    ("rule-2", rule_view),
    ("runway", runway),
    ("rule-3", rule_view),
)
"""Panes above the middle, from the top down."""

BELOW: tuple[tuple[str, View], ...] = (
    ("rule-4", rule_view),
    ("alerts", alert_lines),
    ("message", message_lines),
)
"""Panes below the middle, from the top down."""


WHAT_IF_PAGE = "what-if"
PAGES = ("help", "brief", "optional", "consumables")
"""Views that move as a page."""
LISTS = ("steps", "events", WHAT_IF_PAGE)
"""Views with rows to be chosen."""
