"""What is open until somebody settles it, in words too, and who took the desk over: asked of progress."""

from __future__ import annotations

from math import inf

from tracker.foundation.shown import duration, in_words, pet_down
from tracker.foundation.text import plain
from tracker.journal.progress import Progress, Recorded
from tracker.journal.raised import Raised
from tracker.journal.wording import event_words


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


def matter_words(progress: Progress, one: Raised, *, most: int = 300) -> str:
    """What was raised, safe and on one line: `reminder 44 due 2:40, EV2: gloves`."""
    due = due_at(progress, one)
    words = f"{one.what} {one.number}"
    words += f" due {pet_down(due)}" if due is not None else f" after {one.after}" if one.after else ""
    words += f", {one.owner}" if one.owner else ""
    words += f" to {one.to}" if one.to else ""
    words += f" about {one.about}" if one.about and one.about not in one.text else ""
    return plain(f"{words}: {one.text}", most=most)


def outcome_words(progress: Progress, one: Raised, now: float) -> str:
    """What became of it: `no answer for 11 min`, `open for 2 h 04`, `in 9 min`, `-> yes, at 1:42 by lead`."""
    settled, due = one.settled, due_at(progress, one)
    if settled is None and due is not None and one.what != "question":
        return in_words(due, now)
    if settled is None:
        return f"{'no answer' if one.what == 'question' else 'open'} for {duration(open_s(one, now))}"
    event = next((event for event in progress.events if event.number == settled.number), None)
    deed = "" if event is None or settled.kind == "settled" else event_words(progress, event.kind, event.body)
    told = settled.text or deed or ("answered" if one.what == "question" else "done")
    return plain(f"-> {told}, at {pet_down(settled.at)} by {settled.by or settled.seat}", most=300)


def last_taken(progress: Progress) -> Recorded | None:
    """The event by which the desk was handed over last; its `by` says to whom. None without one."""
    return next((event for event in reversed(progress.events) if event.kind == "taken"), None)
