"""Instants that were looked at before: going back and forth shows them again at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tracker.console.view.lead_scene import Moved
from tracker.forecast.values import Estimate
from tracker.journal.progress import Progress

MOST = 64


@dataclass(frozen=True, slots=True)
class Instant:
    """What was worked out for one earlier instant."""

    progress: Progress
    estimate: Estimate
    since: float
    """From when on `moved` was asked."""
    moved: Moved | None = None
    chances: Mapping[str, float] = field(default_factory=dict)


class Instants:
    """The latest of them, by the number of events known and the PET that was shown."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, float], Instant] = {}

    def find(self, number: int, at: float) -> Instant | None:
        """Return what is known of an instant."""
        return self._known.get((number, at))

    def keep(self, number: int, at: float, instant: Instant) -> None:
        """Keep an instant; the one kept first goes when there are too many."""
        self._known.pop((number, at), None)
        self._known[number, at] = instant
        if len(self._known) > MOST:
            del self._known[next(iter(self._known))]

    def learned(self, progress: Progress, moved: Moved | None, chances: Mapping[str, float] | None) -> None:
        """Add what was learned beside an estimate that is kept."""
        for key, instant in self._known.items():
            if instant.progress is progress:
                now_moved = instant.moved if moved is None else moved
                known = instant.chances if chances is None else chances
                self._known[key] = replace(instant, moved=now_moved, chances=known)
