"""What is open until somebody settles it, and who took the desk over: questions asked of progress."""

from __future__ import annotations

from math import inf

from tracker.journal.progress import Progress, Recorded
from tracker.journal.raised import Raised


def unsettled(progress: Progress) -> tuple[Raised, ...]:
    """What is open, what is due first ahead, then as it was raised."""
    still = (one for one in progress.raised if one.settled is None)
    return tuple(sorted(still, key=lambda one: (_known(due_at(progress, one)), one.number)))


def _known(at: float | None) -> float:
    return inf if at is None else at


def due_at(progress: Progress, one: Raised) -> float | None:
    """The PET at which something is due: what was said, or the end of its step; None while there is none."""
    if one.due is not None:
        return one.due
    step = progress.steps.get(one.after) if one.after is not None else None
    return None if step is None else step.done


def open_s(one: Raised, now: float) -> float:
    """How long something has been open by PET `now`, or was open, in seconds."""
    return max(0.0, (now if one.settled is None else one.settled.at) - one.at)


def last_taken(progress: Progress) -> Recorded | None:
    """The event by which the desk was handed over last; its `by` says to whom. None without one."""
    return next((event for event in reversed(progress.events) if event.kind == "taken"), None)
