"""Whether the crew is on its way home, so that there is nothing left to turn back from."""

from __future__ import annotations

from tracker.journal.progress import Progress


def homebound(progress: Progress) -> bool:
    """Whether there is no turning back any more: closeout has begun, or everybody is called or inside."""
    outside = progress.plan.outside
    if outside and all(c in progress.recall or c in progress.entered for c in outside):
        return True
    return any(
        progress.tasks[state.step.task].task.closeout and (state.ended == "done" or state.began is not None)
        for state in progress.steps.values()
    )
