"""What is where on the desk: the panes and how many rows each has at a size of the screen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tracker.console.view.alerts import alert_lines, message_line
from tracker.console.view.clock import head
from tracker.console.view.consumables import consumables_list
from tracker.console.view.crew import crew_lines, crew_rows
from tracker.console.view.events import events_list
from tracker.console.view.home import way_home
from tracker.console.view.ink import Line, rule
from tracker.console.view.optional import optional_list
from tracker.console.view.runway import runway
from tracker.console.view.scene import LARGE, SMALL, Scene
from tracker.console.view.steps import steps_list

View = Callable[[Scene, int, int], list[Line]]

MIDDLE: dict[str, View] = {
    "steps": steps_list,
    "runway": runway,
    "optional": optional_list,
    "consumables": consumables_list,
    "home": way_home,
    "events": events_list,
}
"""Views that can stand in the middle of the screen, by name; help and brief are pages of text."""

WHOLE = ("home", "events", "help", "brief", "what-if")
"""Views that take the runway's and the side's room too."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Rows of the regions with a fixed height, and what stands beside the middle."""

    crew: int
    runway: int
    """0: under its key."""
    side: int
    """Columns of what stands beside the middle; 0: nothing."""
    consumables: int
    """Rows of the consumables below the optional tasks; 0: under its key."""
    alerts: int

    def apart(self) -> tuple[str, ...]:
        """Return the views that the view key goes round at this size."""
        names = ["steps"]
        names += [] if self.runway else ["runway"]
        names += [] if self.side else ["optional"]
        return (*names, *(() if self.consumables else ("consumables",)))


def layout_for(scene: Scene, width: int, height: int, *, whole: bool = False) -> Layout:
    """Return the layout of a screen of this size for this crew; `whole`: the middle takes all it can."""
    outside = len(scene.progress.plan.outside)
    small = width < SMALL or height < 28 or whole
    side = 0 if small else 86 if width >= 190 else 66 if width >= LARGE else 46 if width >= 120 else 40
    accounts = (
        len(scene.estimate.consumables) if scene.estimate else len(scene.progress.plan.consumables) * outside
    )
    return Layout(
        crew=crew_rows(scene, width, height),
        runway=0 if small else 2 + outside,
        side=side,
        consumables=min(accounts + 4, max(0, height // 3)) if side and width >= LARGE and height >= 36 else 0,
        alerts=1 if height < 28 else 2 if height < 44 else 3,
    )


def rule_view(scene: Scene, width: int, height: int) -> list[Line]:
    """Return a rule."""
    return [rule(width)] * height


def message_view(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the message line."""
    return [message_line(scene, width)] * height


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
    ("message", message_view),
)
"""Panes below the middle, from the top down."""
