"""A line that stays open while hands are elsewhere: whether it was left, and digits that were meant as ticks.

A line is left when nothing was typed in it for a while, and when what was entered was not taken. Digits that
come next are text, like all that is typed there, and are remembered with their instants until another key
shows that somebody types: so none is lost, and none ticks before it is asked about.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

QUIET_S = 10.0
"""After so long without a key a line is left: what comes next may have been meant for the desk."""


@dataclass(frozen=True, slots=True)
class Meant:
    """A digit that went into a line that was left."""

    digit: int
    utc: datetime
    """When it was pressed."""


@dataclass(slots=True)
class LeftOpen:
    """What is known of the hands at a line that is open."""

    _touched: float
    """When a key came last, on the clock for short spans."""
    _refused: bool = False
    """Whether Enter was the last key, and was not taken."""
    meant: list[Meant] = field(default_factory=list)
    """Digits that may have been meant as ticks, the first first."""

    def left(self, mono: float) -> bool:
        """Return whether the line is left, so that a digit may be meant as a tick."""
        return self._refused or bool(self.meant) or self.quiet(mono)

    def quiet(self, mono: float) -> bool:
        """Return whether nothing was typed for a while."""
        return mono - self._touched >= QUIET_S

    def typed(self, character: str, utc: datetime, mono: float) -> None:
        """Take note of a character that goes into the line; an empty one is another key."""
        if character and character in "123456789" and self.left(mono):
            self.meant.append(Meant(int(character), utc))
        else:
            self.meant.clear()
        self._touched, self._refused = mono, False

    def refused(self, mono: float) -> None:
        """Take note that what was entered was not taken."""
        self._touched, self._refused = mono, True
