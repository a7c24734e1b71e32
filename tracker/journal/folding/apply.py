"""Applies one event to a state: the table of effects, and what holds for every kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tracker.foundation.errors import EventError
from tracker.journal.events import AFTER_CLOSED, BEFORE_ZERO
from tracker.journal.folding import changes as plan
from tracker.journal.folding import conditions as crew
from tracker.journal.folding import effects_end as end
from tracker.journal.folding import effects_facts as facts
from tracker.journal.folding import work
from tracker.journal.folding.begin import start_waiting
from tracker.journal.folding.state import State, named, pet, refuse
from tracker.journal.progress import Recorded

Effect = Callable[[State, Recorded, float], None]

EFFECTS: Mapping[str, Effect] = {
    "zero": facts.zero,
    "began": work.began,
    "counted": work.counted,
    "done": end.done,
    "skipped": end.skipped,
    "dropped": plan.dropped,
    "restored": plan.restored,
    "held": crew.held,
    "resumed": crew.resumed,
    "went": facts.went,
    "handed": plan.handed,
    "moved": plan.moved,
    "added": plan.added,
    "retimed": plan.retimed,
    "limited": facts.limited,
    "reading": facts.reading,
    "replaced": facts.reading,
    "seen": facts.seen,
    "entered": crew.entered,
    "called": crew.called,
    "silent": crew.silent,
    "heard": crew.heard,
    "noted": facts.noted,
    "chose": plan.chose,
    "acknowledged": facts.acknowledged,
    "closed": facts.closed,
}
"""What each kind does to the state; `withdrawn` and `amended` change which events are applied instead."""

_STILL = frozenset(("noted", "acknowledged", "reading", "replaced", "chose", "silent", "heard"))
"""Kinds after which nothing can begin that could not before."""

_NOT_HEARD = frozenset(("skipped", "handed", "retimed", "went"))
"""Kinds that name a step without a word from its crew."""


def apply(state: State, event: Recorded) -> None:
    """Change a state by one event; EventError, and a state to be thrown away, when it is impossible."""
    at = max(0.0, event.at)
    if event.at < 0 and event.kind not in BEFORE_ZERO:
        refuse(event, "nothing of this kind happens before zero")
    if state.zero is None and event.kind not in BEFORE_ZERO and event.kind != "zero":
        refuse(event, "the clock has not started; record `zero` first")
    if state.closed is not None and at > state.closed and event.kind not in AFTER_CLOSED:
        refuse(event, f"the excursion was closed at {pet(state.closed)}")
    try:
        EFFECTS[event.kind](state, event, at)
    except (KeyError, TypeError, ValueError) as error:
        raise EventError(f"{named(event)}: event {event.number} is damaged ({error!r})") from error
    state.at = max(state.at, at)
    _hear(state, event, at)
    if event.kind not in _STILL:
        start_waiting(state, at)


def _hear(state: State, event: Recorded, at: float) -> None:
    """Note from whom, or of whom, there was word."""
    named = event.body.get("crew")
    if named is None:
        step = event.body.get("step")
        who = state.steps[step].crew if step is not None and event.kind not in _NOT_HEARD else ()
    else:
        who = (named,) if isinstance(named, str) else named
    for c in who:
        if c in state.mark:
            state.heard[c] = at
