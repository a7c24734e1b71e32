"""A simulated lead who follows the advice: keeps or drops what is about to begin, and turns back in time."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from tracker.forecast.values import Estimate, OptionalFigure
from tracker.journal.progress import Progress

CHECK_S = 1800.0
"""How often the lead looks whether to turn back."""

Event = dict[str, Any]


class Lead:
    """Decides as the advice says, and records the advice beside the decision."""

    def __init__(self, *, scenarios: int = 10_000) -> None:
        self._scenarios = scenarios
        self.next_at = CHECK_S

    def decide(self, progress: Progress, at: float, tasks: Iterable[str]) -> list[Event]:
        """Return what is decided about optional tasks that are about to begin; nothing for others."""
        open_now = [task for task in dict.fromkeys(tasks) if _undecided(progress, task)]
        if not open_now:
            return []
        found = self._estimate(progress, at)
        advised = {figure.task: figure for figure in found.optional}
        return [e for task in open_now for e in _decision(progress, advised[task], found)]

    def look(self, progress: Progress, at: float) -> list[Event]:
        """Return the recall when it is time to turn back, and set when to look next."""
        from tracker.forecast.homebound import homebound

        self.next_at = at + CHECK_S
        if progress.closed is not None or homebound(progress):
            self.next_at = math.inf
            return []
        latest = self._estimate(progress, at).turn_back.latest
        if latest is None or latest <= at:
            return [{"kind": "called", "call": "home", "text": "time to turn back"}]
        self.next_at = min(self.next_at, latest)
        return []

    def _estimate(self, progress: Progress, at: float) -> Estimate:
        from tracker.forecast.estimate import estimate

        return estimate(progress, max(at, progress.at), scenarios=self._scenarios, ranges="shown")


def _undecided(progress: Progress, task: str) -> bool:
    """Whether a task is optional, not begun, and nobody has decided about it."""
    return progress.tasks[task].optional and progress.tasks[task].status == "open"


def _decision(progress: Progress, figure: OptionalFigure, found: Estimate) -> list[Event]:
    """Return a decision with the advice of its moment; dropping comes with what drops."""
    choice = "drop" if figure.advice == "drop" else "keep"
    figures = {
        "last_call": figure.last_call,
        "in_time": figure.in_time,
        "cost": figure.cost,
        "safe": found.safe,
    }
    chose = {
        "kind": "chose",
        "task": figure.task,
        "choice": choice,
        "advice": figure.advice,
        "figures": figures,
    }
    return [chose, {"kind": "dropped", "task": figure.task}] if choice == "drop" else [chose]
