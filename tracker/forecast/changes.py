"""What could be done otherwise: every hand-over of a step, and every other place of a task."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tracker.journal.progress import Progress, StepState


def changes(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every change that is looked at: the event that would make it so, and what it does in words."""
    yield from _hand_overs(progress)
    yield from _places(progress)


def _hand_overs(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every step of one crew member outside that another one there could take over."""
    ready = [c for c in progress.plan.outside if c not in progress.entered and c not in progress.recall]
    for step, state in progress.steps.items():
        if _untouched(state) and len(state.crew) == 1 and state.crew[0] in ready:
            for other in ready:
                if other != state.crew[0] and not progress.tasks[state.step.task].task.closeout:
                    text = f"hand {step} over from {state.crew[0]} to {other}"
                    yield {"kind": "handed", "step": step, "crew": [other]}, text


def _untouched(state: StepState) -> bool:
    return state.ended is None and state.worked_s == 0 and state.counted == 0 and state.begin_kind is None


def _places(progress: Progress) -> Iterator[tuple[dict[str, Any], str]]:
    """Yield every open task in every other place among the open ones."""
    open_tasks = [
        name
        for name, state in progress.tasks.items()
        if state.status in ("open", "begun") and not state.task.closeout
    ]
    for task in open_tasks:
        for other in open_tasks:
            if other != task:
                yield {"kind": "moved", "task": task, "before": other}, f"do {task} before {other}"
        yield {"kind": "moved", "task": task, "last": True}, f"do {task} last, before closeout"
