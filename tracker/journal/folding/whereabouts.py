"""Where crew members and hardware are as far as no step says it, and what somebody answers in a round."""

from __future__ import annotations

from collections.abc import Iterable

from tracker.foundation.text import did_you_mean, near
from tracker.journal.folding.conditions import take_reading
from tracker.journal.folding.state import State, pet, refuse, the_crew
from tracker.journal.progress import Recorded
from tracker.plan.model import LOCK


def placed(state: State, event: Recorded, at: float) -> None:
    """Somebody is at a site, and goes home from there until a step says otherwise."""
    (c,) = _outside(state, event)
    state.site[c] = _known(event, "site", state.plan.sites)


def took(state: State, event: Recorded, at: float) -> None:
    """Somebody has a piece of hardware; `journal.places` follows it."""
    _known(event, "hardware", [one.id for one in state.plan.hardware])
    _outside(state, event)


def put(state: State, event: Recorded, at: float) -> None:
    """A piece of hardware was left at a site, or brought back into the lock."""
    _known(event, "hardware", [one.id for one in state.plan.hardware])
    _known(event, "site", [*state.plan.sites, LOCK])


def checked(state: State, event: Recorded, at: float) -> None:
    """Somebody answered a round; a number is a reading."""
    (c,) = _outside(state, event)
    rounds = {one.id: one for one in state.plan.rounds}
    asked = rounds[_known(event, "round", rounds)].ask
    for item, answer in event.body["answers"].items():
        if item not in asked:
            why = f"{event.body['round']} does not ask {item}; it asks {', '.join(asked)}"
            refuse(event, why)
        if not isinstance(answer, str):
            shared = item in state.plan.consumable and state.plan.consumable[item].shared
            take_reading(state, event, "*" if shared else c, item, float(answer), at)
    if missing := [item for item in asked if item not in event.body["answers"]]:
        state.warn(event, f"{c} was not asked {', '.join(missing)}")


def _outside(state: State, event: Recorded) -> tuple[str, ...]:
    """Return whom an event names; it is unusual of somebody inside."""
    crew = the_crew(state, event)
    for c in crew:
        if c in state.entered:
            state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
    return crew


def _known(event: Recorded, key: str, known: Iterable[str]) -> str:
    """Return what an event names by a key, or refuse what the plan has not."""
    found, ids = str(event.body[key]), list(known)
    if found not in ids:
        there = ", ".join(ids) or "none in this plan"
        refuse(event, f"there is no {key} {found}{did_you_mean(near(found, ids)) or f'; {there}'}")
    return found
