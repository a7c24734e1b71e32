"""Follows, in a thread of its own, a journal that somebody else writes; it opens the file only to read."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tracker.console.view.lead_scene import Point
from tracker.forecast.values import Range
from tracker.foundation.errors import TrackerError
from tracker.journal.follow import Follower
from tracker.journal.progress import Progress

LOOK_S = 0.2
"""How often the journal is looked at: a tick is seen within a second, and a look costs next to nothing."""
TOLD_S = 60.0
"""How often the estimates on record are read again; desks keep at most one a minute."""


@dataclass(frozen=True)
class Grown:
    """The journal as it is now known."""

    progress: Progress
    told: tuple[Point, ...]
    """Estimates on record, as they were shown, by PET."""
    trouble: str = ""
    """Why the journal could not be read at the last look."""


@dataclass(frozen=True)
class NoJournal:
    """The journal could not be opened at all."""

    lines: tuple[str, ...]


class Following(threading.Thread):
    """Looks again and again, and reports what changed."""

    def __init__(self, path: Path, report: Callable[[Grown | NoJournal], None]) -> None:
        super().__init__(name="following", daemon=True)
        self._path = path
        self._report = report
        self._ended = threading.Event()
        self._told: tuple[Point, ...] = ()
        self._rows = 0

    def stop(self) -> None:
        """End after the next look."""
        self._ended.set()

    def run(self) -> None:
        """Look until stopped."""
        try:
            follower = Follower(self._path)
        except TrackerError as error:
            self._report(NoJournal(tuple(error.lines)))
            return
        with follower:
            self._read_told(follower)
            self._report(Grown(follower.progress, self._told))
            looks = 0
            while not self._ended.wait(LOOK_S):
                looks += 1
                self._look(follower, again=looks % round(TOLD_S / LOOK_S) == 0)

    def _look(self, follower: Follower, *, again: bool) -> None:
        """Report what changed since the last look, if anything did."""
        before = follower.trouble
        grown = follower.look()
        if again:
            self._read_told(follower)
        if grown or follower.trouble != before:
            self._report(Grown(follower.progress, self._told, follower.trouble or ""))

    def _read_told(self, follower: Follower) -> None:
        if follower.journal is None:
            return
        try:
            rows = follower.journal.estimates()
        except TrackerError:
            # The next look says what is wrong with the file.
            return
        new = [point for row in rows[self._rows :] if (point := told(row.estimate)) is not None]
        self._rows = len(rows)
        if new:
            self._told = tuple(sorted((*self._told, *new), key=lambda point: point.at))


def told(text: str) -> Point | None:
    """Return the point of an estimate on record; None for a row that says nothing of the kind."""
    try:
        row = json.loads(text)
        return Point(
            at=float(row["at"]),
            inside=_range(row["inside"]),
            safe=float(row["safe"]),
            margins={str(one["id"]): _figure(one["margin"]["p50"]) for one in row["limits"]},
            levels={f"{one['crew']}.{one['consumable']}": float(one["now"]) for one in row["consumables"]},
            turn_back=_figure(row["turn_back"]["latest"]),
        )
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


def _range(row: dict[str, Any]) -> Range:
    return Range(*(_figure(row[key]) for key in ("p10", "p50", "p90")))


def _figure(value: Any) -> float | None:
    return None if value is None else float(value)
