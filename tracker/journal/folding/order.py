"""The order of work: who does what next, where new or moved steps go, and what remains of abandoned work.

Whatever closes an item that is open, or will be, remains to be done.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from tracker.journal.folding.begin import circle
from tracker.journal.folding.spending import account, break_off
from tracker.journal.folding.state import State, refuse
from tracker.journal.progress import OpenItem, Recorded
from tracker.plan.graph import closure


def queue_again(state: State, crew: Iterable[str] | None = None) -> None:
    """Make the queues of these crew members (default: all) from the sequence."""
    names = list(state.crew if crew is None else crew)
    queues: dict[str, list[str]] = {c: [] for c in names}
    for step in state.sequence:
        s = state.steps[step]
        if s.ended is None:
            for c in s.crew:
                if c in queues and c not in state.entered:
                    queues[c].append(step)
    for c in names:
        state.queue[c] = tuple(queues[c])


def unqueue(state: State, step: str) -> None:
    """Take a step that ended out of its crew's queues."""
    for c in state.steps[step].crew:
        queue = state.queue[c]
        if step in queue:
            i = queue.index(step)
            state.queue[c] = queue[:i] + queue[i + 1 :]


def go_on(state: State, at: float) -> None:
    """Give every crew member whose current step is over, or who had none, their next one."""
    for c in state.crew:
        current = state.current[c]
        following = state.queue[c][0] if state.queue[c] else None
        if current is not None and state.steps[current].ended is None and c in state.steps[current].crew:
            if following is None or not _waits_at_closeout(state, current, following, at):
                continue
            break_off(state, current, at)
        if following != current:
            account(state, c, at)
            state.current[c] = following


def _waits_at_closeout(state: State, current: str, following: str, at: float) -> bool:
    """Whether a current step is closeout on which no work has begun, and other work has come before it.

    Closeout comes after everything else of each crew member, also after what was added or handed over to
    somebody who already waits for the others at it.
    """
    s = state.steps[current]
    if not _closeout(state, current) or _closeout(state, following):
        return False
    return s.worked_s == 0 and s.begin_kind != "stated" and not state.at_work(current, at)


def _closeout(state: State, step: str) -> bool:
    return state.tasks[state.steps[step].step.task].closeout


def refuse_circle(state: State, event: Recorded) -> None:
    """Refuse a new order in which steps wait for one another in a circle."""
    found = circle(state)
    if found is not None:
        refuse(event, f"this order is a circle: {found}")


def before_task(state: State, task: str) -> int:
    """Return the place in the sequence before a task's first open step (or first step)."""
    steps = [step.id for step in state.tasks[task].steps]
    still_open = [step for step in steps if state.steps[step].ended is None]
    return min(state.sequence.index(step) for step in still_open or steps)


def before_closeout(state: State) -> int:
    """Return the place in the sequence before the first step of closeout."""
    for i, step in enumerate(state.sequence):
        if _closeout(state, step):
            return i
    return len(state.sequence)


def next_place(state: State, crew: Iterable[str]) -> int:
    """Return the place in the sequence that comes next for all of these: after their current steps."""
    current = set(state.current.values())
    ahead = [step for c in crew for step in state.queue[c] if step not in current]
    first = min((state.sequence.index(step) for step in ahead), default=len(state.sequence))
    return min(first, before_closeout(state))


def put(sequence: Sequence[str], place: int, steps: Sequence[str]) -> tuple[str, ...]:
    """Return the sequence with steps, wherever they were, at a place."""
    moved = set(steps)
    head = [step for step in sequence[:place] if step not in moved]
    tail = [step for step in sequence[place:] if step not in moved]
    return (*head, *steps, *tail)


Given = Literal["dropped", "left"] | None


def is_open(state: State, item: str, at: float) -> bool:
    """Whether an item is open: from the begin of its opener to the done of its closer."""
    began = state.steps[state.opener[item]].began
    return began is not None and began <= at and state.steps[state.closer[item]].ended != "done"


def _left_open(state: State, item: str, at: float) -> bool:
    """Whether breaking work off at an instant leaves an item open.

    Not where its opener came up at that very instant and nobody said that it was begun.
    """
    s = state.steps[state.opener[item]]
    fresh = s.running_since is not None and s.running_since >= at and s.worked_s == 0
    return is_open(state, item, at) and not (fresh and s.begin_kind != "stated")


def open_items(state: State, at: float) -> tuple[OpenItem, ...]:
    """Return the items that are open at an instant, in the order in which they are planned to open."""
    return tuple(
        OpenItem(item, opener, state.closer[item])
        for item, opener in state.opener.items()
        if is_open(state, item, at)
    )


def give_up(state: State, event: Recorded, at: float) -> None:
    """Bring every step in line with what was dropped and who was called: given up, or still to be done.

    The closer of every item that is open, or that a remaining step will open, remains even so; not for
    those who were called home at once.
    """
    base = {
        step: given_by(state, step) for step, s in state.steps.items() if s.ended not in ("done", "skipped")
    }

    def closers(items: Iterable[str]) -> list[str]:
        found = (state.closer[item] for item in items)
        return [step for step in found if base.get(step) is not None and not _at_once(state, step)]

    open_now = (item for item in state.opener if _left_open(state, item, at))
    remain = [step for step, given in base.items() if given is None] + closers(open_now)
    base.update(dict.fromkeys(closure(remain, lambda step: closers(state.steps[step].step.opens))))
    changed = [(step, given) for step, given in base.items() if state.steps[step].ended != given]
    for step, given in changed:
        if given is not None:
            break_off(state, step, at)
            state.change(step, ended=given, done_number=event.number, seat=event.seat)
        else:
            state.change(step, ended=None, done_number=None, seat=None)
            state.earliest[step] = at
    if changed:
        queue_again(state)
    go_on(state, at)


def given_by(state: State, step: str) -> Given:
    """Return how a step is given up, closers not yet considered; None when it is not."""
    s = state.steps[step]
    if step in state.taken_up:
        return None
    if s.step.task in state.dropped:
        return "dropped"
    if not state.recall or state.tasks[s.step.task].closeout:
        return None
    return "left" if any(c in state.recall for c in s.crew) else None


def _at_once(state: State, step: str) -> bool:
    calls = [state.recall[c].call for c in state.steps[step].crew if c in state.recall]
    return "at once" in calls
