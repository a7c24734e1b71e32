"""What happens to crew members: holds, voice, the recall, being inside."""

from __future__ import annotations

from tracker.journal.folding.lookup import the_crew
from tracker.journal.folding.order import go_on, queue_again
from tracker.journal.folding.remaining import give_up
from tracker.journal.folding.spending import account, account_all, break_off, stop
from tracker.journal.folding.state import State, pet, refuse
from tracker.journal.progress import Hold, Recall, Recorded


def held(state: State, event: Recorded, at: float) -> None:
    """A hold starts; holding one member of a joint step holds the step."""
    until, text = event.body.get("until"), event.body.get("text", "")
    crew = the_crew(state, event)
    if "crew" not in event.body:
        crew = tuple(c for c in crew if c not in state.entered)
    fresh = [c for c in crew if c not in state.holds]
    again = [c for c in crew if c in state.holds]
    if again and "crew" in event.body:
        state.warn(event, f"{', '.join(again)} is in a hold since {pet(state.holds[again[0]].since)}")
    for c in again:
        state.holds[c] = Hold(c, state.holds[c].since, until, text or state.holds[c].text)
    if not fresh:
        return
    for step in dict.fromkeys(state.current[c] for c in fresh):
        if step is not None and state.at_work(step, at):
            _suspend(state, step, at)
    account_all(state, fresh, at)
    for c in fresh:
        state.holds[c] = Hold(c, at, until, text)


def _suspend(state: State, step: str, at: float) -> None:
    account_all(state, state.members(step), at)
    stop(state, step, at)
    if state.steps[step].began is not None:
        state.suspended.add(step)


def resumed(state: State, event: Recorded, at: float) -> None:
    """A hold ends."""
    crew = the_crew(state, event)
    if "crew" in event.body:
        if free := [c for c in crew if c not in state.holds]:
            refuse(event, f"{', '.join(free)} is not held")
    elif not state.holds:
        refuse(event, "nobody is held")
    release(state, [c for c in crew if c in state.holds], at)


def release(state: State, crew: list[str], at: float) -> None:
    """End the holds of these crew members; steps go on once no member of theirs is held."""
    steps = [step for c in crew if (step := state.current[c]) is not None]
    account_all(state, crew, at)
    for step in steps:
        account_all(state, state.members(step), at)
    for c in crew:
        del state.holds[c]
    for step in steps:
        if not any(c in state.holds for c in state.steps[step].crew):
            state.suspended.discard(step)


def entered(state: State, event: Recorded, at: float) -> None:
    """Take in that a crew member is inside; what they still had to do asks for a new owner."""
    (c,) = the_crew(state, event)
    if c in state.entered:
        state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
        return
    if not state.plan.member[c].outside:
        state.warn(event, f"{c} was not outside")
        return
    if c in state.holds:
        release(state, [c], at)
    step = state.current[c]
    if step is not None and state.steps[step].crew == (c,):
        break_off(state, step, at)
    account(state, c, at)
    for name in state.queue[c]:
        s = state.steps[name]
        left = tuple(other for other in s.crew if other != c)
        state.change(name, crew=left, evidence=s.evidence and s.began is None)
    state.entered[c] = at
    state.queue[c] = ()
    go_on(state, at)


def silent(state: State, event: Recorded, at: float) -> None:
    """Voice is lost; until it is back nobody knows how long work really takes."""
    for c in the_crew(state, event):
        if c in state.silent:
            state.warn(event, f"{c} is silent since {pet(state.silent[c])}")
        else:
            state.silent[c] = at
            _no_evidence(state, c, at)


def heard(state: State, event: Recorded, at: float) -> None:
    """Voice is back."""
    for c in the_crew(state, event):
        if c in state.silent:
            _no_evidence(state, c, at)
            del state.silent[c]
        elif "crew" in event.body:
            state.warn(event, f"{c} was not silent")


def _no_evidence(state: State, crew: str, at: float) -> None:
    step = state.current[crew]
    began = state.steps[step].began if step is not None else None
    if step is not None and began is not None and began < at:
        state.change(step, evidence=False)


def called(state: State, event: Recorded, at: float) -> None:
    """The recall: what is in progress is broken off; closers of open items and closeout remain."""
    crew = the_crew(state, event)
    for c in crew:
        if c in state.entered:
            if "crew" in event.body:
                state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
            continue
        state.recall[c] = Recall(at, event.body["call"], crew)
    state.taken_up = frozenset()
    queue_again(state)
    give_up(state, event, at)
