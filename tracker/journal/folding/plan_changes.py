"""What happens when people change the plan on the way: drop, move, add, hand over, retime, decide."""

from __future__ import annotations

from tracker.foundation.errors import EventError, PlanError
from tracker.foundation.times import parse_pet
from tracker.journal.folding.order import (
    before_closeout,
    before_task,
    give_up,
    go_on,
    next_place,
    put,
    queue_again,
    refuse_circle,
)
from tracker.journal.folding.setup import with_task
from tracker.journal.folding.spending import account, break_off
from tracker.journal.folding.state import State, named, on_record, refuse, the_crew, the_step, the_task
from tracker.journal.progress import Decision, Recorded
from tracker.plan.model import Duration, Task


def dropped(state: State, event: Recorded, at: float) -> None:
    """Give a task up; closers of what is open or will be opened remain."""
    task = the_task(state, event)
    if task.closeout:
        refuse(event, f"{task.id} is closeout, which always remains")
    if task.id in state.dropped:
        state.warn(event, f"{task.id} is already dropped (event {state.dropped[task.id]})")
        return
    steps = [step.id for step in task.steps]
    if all(state.steps[step].ended == "done" for step in steps):
        state.warn(event, f"{task.id} is already done")
    state.dropped[task.id] = event.number
    state.taken_up -= set(steps)
    give_up(state, event, at)


def restored(state: State, event: Recorded, at: float) -> None:
    """Take a dropped task back, for whoever was called home as well."""
    task = the_task(state, event)
    if task.id not in state.dropped:
        state.warn(event, f"{task.id} is not dropped")
        return
    del state.dropped[task.id]
    if state.recall:
        state.taken_up |= {step.id for step in task.steps}
    give_up(state, event, at)
    refuse_circle(state, event)


def handed(state: State, event: Recorded, at: float) -> None:
    """The step now belongs to others; its time so far is no evidence of pace."""
    s = the_step(state, event)
    step, crew = s.step.id, the_crew(state, event)
    if s.ended == "done":
        refuse(event, f"{on_record(state, step)}; there is nothing left to hand over")
    if s.ended is not None:
        state.warn(event, on_record(state, step))
    for c in crew:
        if c in state.entered:
            state.warn(event, f"{c} is inside, so {step} has no one to do it")
    members = state.members(step)
    if any(c in crew for c in members):
        for c in members:
            if c not in crew:
                account(state, c, at)
    else:
        break_off(state, step, at)
    begun = state.steps[step].began is not None
    state.change(step, crew=crew, evidence=s.evidence and not begun)
    state.earliest[step] = at
    if state.recall:
        state.taken_up |= {step}
        give_up(state, event, at)
    queue_again(state, {*s.crew, *crew})
    go_on(state, at)
    refuse_circle(state, event)


def moved(state: State, event: Recorded, at: float) -> None:
    """Give the open steps of a task a new place; who is at one of them stays at it."""
    task = the_task(state, event)
    steps = [step.id for step in task.steps if state.steps[step.id].ended is None]
    if not steps:
        state.warn(event, f"nothing of {task.id} is open")
    place = _place(state, event, task)
    assert place is not None
    ordered = [step for step in state.sequence if step in set(steps)]
    state.sequence = put(state.sequence, place, ordered)
    queue_again(state)
    go_on(state, at)
    refuse_circle(state, event)


def _place(state: State, event: Recorded, task: Task) -> int | None:
    """Return the place in the sequence that an event asks for; None where it asks for none."""
    if "before" not in event.body:
        if not event.body.get("last"):
            return None
        return len(state.sequence) if task.closeout else before_closeout(state)
    anchor = the_task(state, event, "before")
    if anchor.id == task.id:
        refuse(event, f"{task.id} cannot come before itself")
    if task.closeout and not anchor.closeout:
        refuse(event, f"{task.id} is closeout and comes after everything else, so not before {anchor.id}")
    place = before_task(state, anchor.id)
    return place if task.closeout else min(place, before_closeout(state))


def added(state: State, event: Recorded, at: float) -> None:
    """Put unplanned work into the order: next for its crew where nothing else is said."""
    task = _new_task(state, event)
    place = _place(state, event, task)
    steps = [step.id for step in task.steps]
    if place is None:
        crew = dict.fromkeys(c for step in task.steps for c in step.crew)
        place = len(state.sequence) if task.closeout else next_place(state, crew)
    with_task(state, task, place)
    state.sequence = put(state.sequence, place, steps)
    state.earliest.update(dict.fromkeys(steps, at))
    if state.recall:
        state.taken_up |= set(steps)
    queue_again(state)
    go_on(state, at)
    refuse_circle(state, event)


def _new_task(state: State, event: Recorded) -> Task:
    from tracker.plan.read import parse_task

    known = tuple(state.tasks.values())
    try:
        task = parse_task(event.body["task"], state.plan, known=known, default_id=f"added-{event.number}")
    except PlanError as error:
        raise EventError(*(f"{named(event)}: {line}" for line in error.lines)) from error
    return task


def retimed(state: State, event: Recorded, at: float) -> None:
    """The crew says how long a step takes: in all, or from now on."""
    s = the_step(state, event)
    step = s.step.id
    if s.ended is not None:
        state.warn(event, on_record(state, step))
        return
    time = event.body["time"]
    new = (
        Duration(parse_pet(time))
        if isinstance(time, str)
        else Duration(parse_pet(time["likely"]), parse_pet(time["low"]), parse_pet(time["high"]))
    )
    if event.body.get("left"):
        state.change(step, left_s=float(new.likely), left_worked_s=s.elapsed_s(at), evidence=False)
        return
    if new.likely == 0:
        refuse(event, "0:00 is no time at all; give one, or `left: true` where nothing is left to do")
    from dataclasses import replace

    state.change(step, step=replace(s.step, time=new), left_s=None, left_worked_s=0.0)


def chose(state: State, event: Recorded, at: float) -> None:
    """Keep what was decided about a task; `keep` commits it."""
    body = event.body
    task = the_task(state, event)
    state.committed = state.committed - {task.id} | ({task.id} if body["choice"] == "keep" else set())
    state.decisions = state.decisions.add(
        Decision(
            number=event.number,
            at=at,
            task=task.id,
            choice=body["choice"],
            advice=body.get("advice"),
            figures=body.get("figures"),
            seat=event.seat,
            by=body.get("by"),
        )
    )
