"""What is raised and stays open until somebody settles it: questions, reminders, deviations, messages."""

from __future__ import annotations

from dataclasses import replace

from tracker.foundation.text import did_you_mean, near
from tracker.journal.folding.state import State, pet, refuse, the_step
from tracker.journal.kinds import BY_NAME
from tracker.journal.progress import Recorded
from tracker.journal.raised import Raised, Settlement


def raised(state: State, event: Recorded, at: float) -> None:
    """Something is open from now on."""
    body = event.body
    about, due = body.get("about"), body.get("due")
    if about is not None and about not in (known := subjects(state)):
        why = f"there is no step, task, limit or crew member {about}"
        refuse(event, why + did_you_mean(near(about, known)))
    if "after" in body:
        the_step(state, event, "after")
    state.raised[event.number] = Raised(
        number=event.number,
        at=at,
        what=body["what"],
        text=body["text"],
        about=about,
        due=None if due is None else float(due),
        after=body.get("after"),
        owner=body.get("owner"),
        to=body.get("to"),
        by=body.get("by"),
        seat=event.seat,
    )


def subjects(state: State) -> tuple[str, ...]:
    """Return all that something can be about: tasks, steps, crew members, limits, reserves."""
    reserves = (f"{crew}.{consumable}" for crew, consumable in state.reserves)
    shared = (f"*.{consumable}" for consumable in state.plan.consumable)
    return (*state.tasks, *state.steps, *state.crew, *state.limits, *reserves, *shared)


def settled(state: State, event: Recorded, at: float) -> None:
    """It is done or answered; a further answer stands in the place of the one before."""
    number = event.body["event"]
    found = state.raised.get(number)
    if found is None:
        still = ", ".join(str(one.number) for one in state.raised.values() if one.settled is None)
        refuse(event, f"event {number} raised nothing by then; {still or 'nothing'} is open")
    before = found.settled
    if before is not None and before.kind == "settled":
        state.warn(event, f"{found.what} {number} was settled at {pet(before.at)} (event {before.number})")
    _settle(state, found, event, at)


def answered(state: State, event: Recorded, at: float) -> None:
    """Take a decision as the answer to every open question about what it decides."""
    key = BY_NAME[event.kind].settles
    if key is None or not state.raised:
        return
    for one in list(state.raised.values()):
        if one.settled is None and one.what == "question" and _about(state, one.about, event, key):
            _settle(state, one, event, at)


def _settle(state: State, one: Raised, event: Recorded, at: float) -> None:
    text, by = event.body.get("text", ""), event.body.get("by")
    how = Settlement(event.number, event.kind, at, text, by, event.seat)
    state.raised[one.number] = replace(one, settled=how)


def _about(state: State, subject: str | None, event: Recorded, key: str) -> bool:
    """Whether a question about a subject is about what an event decides."""
    if subject is None:
        return False
    decided = event.body.get(key)
    if key == "crew":
        return subject in (state.crew if decided is None else decided)
    if key == "task":
        return subject == decided or (subject in state.steps and state.steps[subject].step.task == decided)
    everybody = str(decided).removeprefix("*") if key == "limit" and str(decided).startswith("*.") else ""
    return subject == decided or bool(everybody and subject.endswith(everybody))
