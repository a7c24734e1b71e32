"""The way home on a bad day: from each site alone, with a partner who cannot help, and through the lock.

Held against what is kept for an emergency. The figures are the plan's own; nobody's pace is in them.
"""

from __future__ import annotations

from dataclasses import dataclass

from tracker.foundation.shown import duration, spare, spare_words, up
from tracker.foundation.text import columns
from tracker.plan.model import Plan

HEADING = "home on a bad day, by the plan's own figures, worst first"
BY_PLAN = "emergency supply by plan"
"""Before what is to spare: it is the margin of a rule, whatever the forecast says."""


@dataclass(frozen=True, slots=True)
class WayHome:
    """The ways home from one site, in seconds."""

    site: str
    alone: int
    """To the door."""
    assisted: int | None
    """To the door with a partner who cannot help; None where the plan does not say it."""
    lock: int | None
    """From the door until the emergency supply is no longer needed; None without one."""
    supply: int | None

    @property
    def longest(self) -> int:
        """The longest way that is known, with the lock."""
        return max(self.alone, self.assisted or 0) + (self.lock or 0)

    @property
    def to_spare(self) -> int | None:
        """What the emergency supply leaves on the longest way, rounded against the crew; None without one."""
        return spare(self.supply, self.longest)

    @property
    def cells(self) -> tuple[str, ...]:
        """The row of a table below `HEADS`."""
        ways = [self.alone, self.assisted]
        through = [None if way is None or self.lock is None else way + self.lock for way in ways]
        alone, assisted, alone_in, assisted_in = (_way(way) for way in (*ways, *through))
        return self.site, alone, alone_in, assisted, assisted_in, spare_words(self.to_spare)

    @property
    def words(self) -> str:
        """It in one line: `from truss: alone 12 min, assisted 25 min, 30 min with the lock: ...`."""
        assisted = "" if self.assisted is None else f", assisted {_way(self.assisted)}"
        lock = "" if self.lock is None else f", {_way(self.longest)} with the lock"
        against = "" if self.supply is None else f": {spare_words(self.to_spare)} of {duration(self.supply)}"
        return f"from {self.site}: alone {_way(self.alone)}{assisted}{lock}{against}"


HEADS = ("site", "alone", "with lock", "assisted", "with lock", "emergency supply")


def _way(seconds: int | None) -> str:
    """A way home in minutes, the begun one in full; a dash for none."""
    return duration(up(seconds))


def ways_home(plan: Plan) -> tuple[WayHome, ...]:
    """The ways home from every site, worst first; nothing for a plan that speaks of no bad day."""
    kept = plan.emergency
    if kept is None and not plan.assisted:
        return ()
    lock, supply = (None, None) if kept is None else (kept.lock, kept.supply)
    ways = [WayHome(site, home, plan.assisted.get(site), lock, supply) for site, home in plan.sites.items()]
    return tuple(sorted(ways, key=lambda way: -way.longest))


def card(plan: Plan) -> list[str]:
    """The ways home as lines, worst first, below what they are held against; nothing without any."""
    ways = ways_home(plan)
    return [against(plan), *columns([HEADS, *(way.cells for way in ways)])] if ways else []


def against(plan: Plan) -> str:
    """What the ways home are held against, in words."""
    if plan.emergency is None:
        return "no emergency supply is named"
    lock = f", {_way(plan.emergency.lock)} of it for the lock" if plan.emergency.lock else ""
    return f"emergency supply {duration(plan.emergency.supply)}{lock}"
