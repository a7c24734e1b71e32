"""What is said on the voice loop: who says it, and when it comes to the journal."""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from tracker.journal.progress import Progress
from tracker.rehearsal.crew import Happened
from tracker.rehearsal.surprises import Surprise


@dataclass(frozen=True, slots=True)
class Gauge:
    """One reading of a consumable; `owner` is `*` for a shared store."""

    owner: str
    consumable: str
    unit: str
    value: float


@dataclass(frozen=True, order=True, slots=True)
class Said:
    """An event to be recorded at a PET."""

    due: float
    turn: int
    seat: str = field(compare=False)
    event: Mapping[str, Any] = field(compare=False)
    true_at: float | None = field(compare=False, default=None)
    """When it happened, where the operator gives the time; None: the clock stamps it."""
    crew: tuple[str, ...] = field(compare=False, default=())


class Voice(Protocol):
    """Turns what happens into events of the journal, in its own time."""

    def hear(self, happened: Happened, progress: Progress) -> None:
        """Take in what the crew says."""

    def surprise(self, one: Surprise, at: float) -> None:
        """Take in a surprise that is said aloud."""

    def read(self, gauges: Sequence[Gauge], at: float) -> None:
        """Take in readings of consumables."""

    def next_at(self) -> float:
        """Return when next something is to be recorded; infinite when nothing waits."""

    def take(self, at: float, progress: Progress) -> Said | None:
        """Return the next event that is due by then, and forget it."""


class Agenda:
    """Events that wait for their time, soonest first; of the same time, in the order in which they came."""

    def __init__(self) -> None:
        self._waiting: list[Said] = []
        self._turn = 0

    def put(
        self,
        due: float,
        seat: str,
        event: Mapping[str, Any],
        *,
        true_at: float | None = None,
        crew: tuple[str, ...] = (),
    ) -> None:
        """Let an event wait."""
        self._turn += 1
        heapq.heappush(self._waiting, Said(due, self._turn, seat, event, true_at, crew))

    def next_at(self) -> float:
        """Return when the first is due; infinite without any."""
        return self._waiting[0].due if self._waiting else math.inf

    def take(self, at: float) -> Said | None:
        """Return the first that is due by then, and forget it."""
        return heapq.heappop(self._waiting) if self.next_at() <= at else None
