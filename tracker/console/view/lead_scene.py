"""All that the lead's view is told: what the desk's views see, and the estimates through the day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tracker.console.lead_commands import LEAD_BY_ID
from tracker.console.view.scene import Scene
from tracker.forecast.values import Estimate, Range

TREND_S = 1800.0
"""Over how long a trend is told, and since when by default what moved the ingress."""


@dataclass(frozen=True, slots=True)
class Point:
    """An earlier estimate, as far as it is drawn."""

    at: float
    """PET for which it was made."""
    inside: Range
    safe: float
    margins: Mapping[str, float | None]
    """Per limit the median margin in seconds; None where it has no instant."""
    levels: Mapping[str, float]
    """Per account, `EV1.oxygen`, what was left then."""
    turn_back: float | None

    @staticmethod
    def of(estimate: Estimate) -> Point:
        """Return the point of an estimate."""
        return Point(
            estimate.at,
            estimate.inside,
            estimate.safe,
            {limit.id: limit.margin.p50 for limit in estimate.limits},
            {f"{f.crew}.{f.consumable}": f.now for f in estimate.consumables},
            estimate.turn_back.latest,
        )


@dataclass(frozen=True, slots=True)
class Moved:
    """What moved the projected ingress between two instants."""

    then: float
    now: float
    causes: tuple[tuple[str, float], ...]
    """(cause, seconds); they add up to the whole."""


@dataclass(frozen=True, slots=True)
class Supposed:
    """Something supposed, beside what stands; nothing of it is written."""

    text: str
    """As it was typed."""
    events: tuple[Mapping[str, Any], ...] = ()
    trouble: str = ""
    """Why it cannot be."""
    stands: Estimate | None = None
    estimate: Estimate | None = None
    """With the events supposed; None while it is worked out."""


@dataclass(frozen=True, slots=True)
class Orders:
    """Better orders, as they were found; nothing of it is written."""

    at: float
    """PET of the estimate that they would better."""
    found: tuple[tuple[str, float, float], ...] = ()
    """(words, seconds earlier in nine of ten, chance), the greatest gain first."""


@dataclass(frozen=True, slots=True)
class LeadScene(Scene):
    """Everything that a view of the lead's may look at."""

    points: tuple[Point, ...] = ()
    """Estimates through the day, by PET."""
    moved: Moved | None = None
    since: float = 0.0
    """From when on it is asked what moved the ingress."""
    chances: Mapping[str, float] = field(default_factory=dict)
    """Per remaining task the chance of being done before the crew must turn back."""
    supposed: Supposed | None = None
    back: bool = False
    """Whether an earlier instant is shown than the present."""
    present: float = 0.0
    """PET of the present, also while an earlier instant is shown."""
    trouble: str = ""
    """Why the journal cannot be read at the moment."""

    orders: Orders | None = None
    """Better orders for what is shown; None before they are asked for."""
    seeking: float | None = None
    """Share that is done of a search for better orders; None while there is none."""
    whole: bool = False
    """Whether everything is written at full length, with as many rows as it takes."""

    def key(self, command: str) -> str:
        """Return the key of a command of this view, as a person reads it."""
        return self.keys.get(command) or LEAD_BY_ID[command].shown

    def point_at(self, at: float, within: float) -> Point | None:
        """Return the estimate nearest to a PET, if it lies no further away than `within` seconds."""
        near = min(self.points, key=lambda point: abs(point.at - at), default=None)
        return near if near is not None and abs(near.at - at) <= within else None
