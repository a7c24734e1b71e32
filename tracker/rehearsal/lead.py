"""A simulated lead who follows the advice: keeps or drops what is about to begin, and turns back in time."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from tracker.forecast.values import Estimate, OptionalFigure
from tracker.journal.progress import Progress

Event = dict[str, Any]


class Lead:
    """Decides as the advice says, and records the advice beside the decision."""

    def __init__(self, *, every_s: float = 1800.0, scenarios: int = 10_000) -> None:
        """Make ready. `every_s`: how often the lead looks whether to turn back."""
        self._every_s, self._scenarios = every_s, scenarios
        self.next_at = every_s

    def decide(self, progress: Progress, at: float, tasks: Iterable[str]) -> list[Event]:
        """Return what is decided about optional tasks that are about to begin; nothing for others.

        What is advised to be kept is kept for good; what is still to be decided begins, and may go later.
        """
        open_now = [task for task in dict.fromkeys(tasks) if _status(progress, task) in ("open", "begun")]
        if not open_now:
            return []
        found = self._estimate(progress, at)
        advised = {figure.task: figure for figure in found.optional}
        return [event for task in open_now for event in _decision(advised[task], found)]

    def look(self, progress: Progress, at: float) -> list[Event]:
        """Return what has to be given up by now, the recall or a task, and set when to look next."""
        self.next_at = at + self._every_s
        left = _work_left(progress)
        if progress.closed is not None or progress.recall or not left:
            self.next_at = math.inf
            return []
        found = self._estimate(progress, at)
        if _time_to_go(progress, found, at, left):
            return [{"kind": "called", "call": "home", "text": "time to turn back"}]
        if found.turn_back.latest is not None:
            self.next_at = min(self.next_at, max(at + 60.0, found.turn_back.latest))
        begun = [f for f in found.optional if f.advice == "drop" and _status(progress, f.task) == "begun"]
        return [event for figure in begun for event in _decision(figure, found)]

    def _estimate(self, progress: Progress, at: float) -> Estimate:
        from tracker.forecast.estimate import estimate

        return estimate(progress, max(at, progress.at), scenarios=self._scenarios, ranges="shown")


def _status(progress: Progress, task: str) -> str:
    """Return the status of an optional task; nothing for one that nobody may leave out any more."""
    return progress.tasks[task].status if progress.tasks[task].optional else ""


def _work_left(progress: Progress) -> set[str]:
    """Return the tasks besides closeout of which steps remain."""
    tasks = {progress.steps[step].step.task for steps in progress.order.values() for step in steps}
    return {task for task in tasks if not progress.tasks[task].task.closeout}


def _time_to_go(progress: Progress, found: Estimate, at: float, left: set[str]) -> bool:
    """Whether turn-back is reached.

    Once somebody has begun closeout there is none; then extra work alone is broken off when it endangers
    the limits.
    """
    from tracker.journal.progress import homebound

    if not homebound(progress):
        return found.turn_back.latest is None or found.turn_back.latest <= at
    extra = all(progress.tasks[task].task.optional for task in left)
    return extra and found.safe < progress.plan.confidence.elapsed


def _decision(figure: OptionalFigure, found: Estimate) -> list[Event]:
    """Return a decision with the advice of its moment; dropping comes with what drops."""
    if figure.advice == "decide":
        return []
    figures = {
        "last_call": figure.last_call,
        "in_time": figure.in_time,
        "cost": figure.cost,
        "safe": found.safe,
    }
    chose = {
        "kind": "chose",
        "task": figure.task,
        "choice": figure.advice,
        "advice": figure.advice,
        "figures": figures,
    }
    return [chose, {"kind": "dropped", "task": figure.task}] if figure.advice == "drop" else [chose]
