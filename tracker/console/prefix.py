"""Keys that want digits after them: a late tick, one more item, a skipped step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["late", "count", "skip"]

REPEAT_S = 0.3
"""A key that comes again within this time is a bounce."""
LAPSE_S = 6.0
"""A key that was begun and forgotten must not bend a tick long after."""


@dataclass(frozen=True, slots=True)
class Prefix:
    """What was pressed so far."""

    kind: Kind
    since: float
    minutes: int | None = None

    @property
    def words(self) -> str:
        """What is wanted next."""
        if self.kind == "late":
            return (
                "late by ? minutes: a digit"
                if self.minutes is None
                else f"{self.minutes} min ago: crew digit"
            )
        return {"count": "one more item: crew digit", "skip": "skip the current step: crew digit"}[self.kind]

    def lapsed(self, mono: float) -> bool:
        """Return whether it was forgotten."""
        return mono - self.since > LAPSE_S

    def with_minutes(self, digit: int, mono: float) -> Prefix | None:
        """Return the prefix after a minutes digit; None where the digit is a crew member's."""
        if self.kind == "late" and self.minutes is None:
            return Prefix(self.kind, mono, digit)
        return None
