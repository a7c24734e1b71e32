"""Shows a state as progress: what is still open is settled on a copy, and derived views are made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tracker.journal.folding.begin import circle_in, needs_of, open_needs
from tracker.journal.folding.order import given_by, open_items
from tracker.journal.folding.setup import limits_as_pet
from tracker.journal.folding.spending import account, settle, stop, stretch
from tracker.journal.folding.state import State
from tracker.journal.progress import Folded, Observation, Progress, Stretch, TaskState
from tracker.plan.graph import sort_steps


def show(state: State, fold: Folded, **given: Any) -> Progress:
    """Return a state as progress; `given` are the fields that the fold knows."""
    v = state.copy()
    for batch in list(v.batches.values()):
        if batch.crew and batch.crew[0] in v.batches and v.batches[batch.crew[0]] is batch:
            settle(v, batch)
    if v.closed is not None:
        _close(v, v.closed)
    order = _orders(v)
    return Progress(
        plan=v.plan,
        zero=v.zero,
        at=v.at,
        tasks=_tasks(v),
        steps=_steps(v),
        order=order,
        current=v.current,
        free_since=v.mark,
        holds=v.holds,
        limits=limits_as_pet(v),
        limit_crew={limit.name: limit.crew for limit in v.plan.limits},
        reserves=v.reserves,
        readings=v.readings.as_tuple(),
        spent={c: _spent(v, c) for c in v.crew},
        observations=_observations(v),
        openings=v.openings,
        planned=v.planned,
        needs={s: open_needs(v, s) for s in v.sequence if v.steps[s].ended is None},
        open_items=open_items(v, v.at),
        entered=v.entered,
        silent=v.silent,
        last_heard=v.heard,
        recall=v.recall,
        decisions=v.decisions.as_tuple(),
        acknowledged=v.acknowledged,
        closed=v.closed,
        warnings=v.warnings.as_tuple(),
        raised=tuple(v.raised.values()),
        too_early=_too_early(v),
        fold=fold,
        **given,
    )


def _too_early(v: State) -> Mapping[str, tuple[str, ...]]:
    """Return the steps that are done before what they need, with the needs that are still open."""
    waits = ((s, needs_of(v, s)) for s in v.sequence if v.steps[s].ended == "done")
    still = {s: tuple(one for one in needs if v.steps[one].ended is None) for s, needs in waits}
    return {s: needs for s, needs in still.items() if needs}


def _close(v: State, at: float) -> None:
    """End everybody's time and leave what is open."""
    for c in v.crew:
        account(v, c, at)
    for c in v.crew:
        if (step := v.current[c]) is not None:
            stop(v, step, at)
        v.current[c], v.queue[c] = None, ()
    v.holds.clear()
    for step, s in v.steps.items():
        if s.ended is None:
            v.change(step, ended="left")


def _steps(v: State) -> Mapping[str, Any]:
    """Return the steps, planned first; those in progress with their waiting so far."""
    for c in v.crew:
        step = v.current[c]
        if step is None or c in v.holds:
            continue
        s = v.steps[step]
        since = max(v.mark[c], v.waited_to.get(step, 0.0))
        if s.running_since is not None and s.running_since > since:
            v.change(step, waited_s=s.waited_s + s.running_since - since)
            v.waited_to[step] = s.running_since
    return v.steps


def _spent(v: State, crew: str) -> tuple[Stretch, ...]:
    past = v.spent[crew].as_tuple()
    if v.closed is not None:
        return past
    return (*past, *stretch(v, crew, v.mark[crew], None))


def _observations(v: State) -> tuple[Observation, ...]:
    return tuple(sorted(v.observations, key=lambda one: one.at))


def _tasks(v: State) -> dict[str, TaskState]:
    added = set(v.added)
    out = {}
    for task in v.tasks.values():
        committed = task.id in v.committed
        out[task.id] = TaskState(
            task=task,
            status=_status(v, task.id),
            committed=committed,
            priority="must" if committed else task.priority,
            added=task.id in added,
        )
    return out


def _status(v: State, task: str) -> Any:
    steps = [v.steps[step.id] for step in v.tasks[task].steps]
    ended = {s.ended for s in steps}
    if ended <= {"done", "skipped"}:
        return "done" if "done" in ended else "dropped"
    if task in v.dropped:
        return "dropped"
    if None not in ended:
        return "left" if "left" in ended else "dropped"
    if "left" in ended and all(given_by(v, s.step.id) == "left" for s in steps if s.ended is None):
        # What remains only closes what was opened: the task itself is not gone on with.
        return "left"
    begun = any(s.ended == "done" or (s.began is not None and s.began <= v.at) for s in steps)
    return "begun" if begun else "open"


def _orders(v: State) -> dict[str, tuple[str, ...]]:
    """Return everybody's open steps in the order in which they will do them, current step first.

    Where people have left the order so that steps would then wait for one another in a circle, a step that
    only waits keeps its own place, and as a last resort needs go before the order.
    """
    order = {c: _first(v.queue[c], v.current[c]) for c in v.crew}
    if order == v.queue and not v.taken_up:
        return order
    if circle_in(v, order) is None:
        return order
    running = [step for step in v.sequence if v.at_work(step, v.at)]
    order = {c: _first(v.queue[c], *(step for step in running if c in v.steps[step].crew)) for c in v.crew}
    if circle_in(v, order) is None:
        return order
    needs = {step: open_needs(v, step) for step in v.sequence if v.steps[step].ended is None}
    sequence, _ = sort_steps(list(needs), needs)
    return {c: tuple(step for step in sequence if c in v.steps[step].crew) for c in v.crew}


def _first(queue: tuple[str, ...], *steps: str | None) -> tuple[str, ...]:
    """Return a queue with these steps of it first."""
    ahead = [step for step in steps if step is not None and step in queue]
    if not ahead or queue[: len(ahead)] == tuple(ahead):
        return queue
    return (*ahead, *(step for step in queue if step not in ahead))
