"""What remains to be done: open work, and whatever closes what is open or will be."""

from __future__ import annotations

from typing import Literal

from tracker.journal.folding.order import go_on, queue_again
from tracker.journal.folding.spending import break_off
from tracker.journal.folding.state import State
from tracker.journal.progress import OpenItem, Recorded

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
        step: _given(state, step) for step, s in state.steps.items() if s.ended not in ("done", "skipped")
    }
    todo = [step for step, given in base.items() if given is None]
    closers = [state.closer[item] for item in state.opener if _left_open(state, item, at)]
    while todo or closers:
        if todo:
            closers += [state.closer[item] for item in state.steps[todo.pop()].step.opens]
            continue
        step = closers.pop()
        if base.get(step) is not None and not _at_once(state, step):
            base[step] = None
            todo.append(step)
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


def _given(state: State, step: str) -> Given:
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
