"""What an estimate says that needs no scenarios: what is open, who was called, what is demanded."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.journal.progress import Progress


def confidence_of(progress: Progress) -> float | Mapping[str, float]:
    """Return the demanded confidence: one figure, or one a kind of limit."""
    wanted = progress.plan.confidence
    if wanted.joint:
        return wanted.elapsed
    return {"elapsed": wanted.elapsed, "consumables": wanted.consumables}


def open_items(progress: Progress, now: float) -> tuple[Mapping[str, str], ...]:
    """Return what is open at `now`."""
    return tuple(
        {"item": item.item, "opened_by": item.opened_by, "closed_by": item.closed_by}
        for item in progress.open_at(now)
    )


def called(progress: Progress) -> str | None:
    """Return the recall in force; of several, the more urgent."""
    calls = {recall.call for recall in progress.recall.values()}
    return "at once" if "at once" in calls else "home" if calls else None


def last_done(progress: Progress, member: str) -> float | None:
    """Return when this crew member's last step was done, None without one."""
    done = [
        s.done
        for s in progress.steps.values()
        if s.ended == "done" and s.done is not None and member in s.crew
    ]
    return max(done, default=None)
