"""Finds what an event names, or refuses the event in words that say what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from tracker.journal.folding.state import State, refuse
from tracker.journal.progress import Recorded, StepState
from tracker.plan.model import Consumable, Task


def the_step(state: State, event: Recorded) -> StepState:
    """Return the step that an event names."""
    step = event.body["step"]
    if step not in state.steps:
        why = f"there is no step {step}"
        if step in state.tasks:
            ids = [one.id for one in state.tasks[step].steps]
            why = f"{step} is a task; its steps are {', '.join(ids[:8])}"
        refuse(event, why + _nearest(step, state.steps))
    return state.steps[step]


def the_task(state: State, event: Recorded, key: str = "task") -> Task:
    """Return the task that an event names."""
    task = event.body[key]
    if task not in state.tasks:
        refuse(event, f"there is no task {task}{_nearest(task, state.tasks)}")
    return state.tasks[task]


def the_crew(state: State, event: Recorded) -> tuple[str, ...]:
    """Return the crew members that an event names, all where it names none."""
    named = event.body.get("crew")
    if named is None:
        return state.crew
    for c in (named,) if isinstance(named, str) else named:
        if c not in state.crew:
            refuse(event, f"there is no crew member {c}; the crew is {', '.join(state.crew)}")
    return (named,) if isinstance(named, str) else tuple(named)


def the_consumable(state: State, event: Recorded, name: str, crew: str) -> Consumable:
    """Return a consumable that this crew member has; `*` stands for a shared store."""
    consumables = state.plan.consumable
    if name not in consumables:
        refuse(event, f"there is no consumable {name}{_nearest(name, consumables)}")
    found = consumables[name]
    if found.shared and crew != "*":
        refuse(event, f"{name} is one store for all; its crew is `*`, not {crew}")
    if not found.shared and crew not in found.crew:
        what = f"{name} is no shared store" if crew == "*" else f"{crew} has no {name}"
        refuse(event, f"{what}; name one of {', '.join(found.crew)}")
    return found


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(close)}?" if close else ""
