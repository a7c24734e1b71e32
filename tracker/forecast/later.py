"""Optional work that is best put off to the end: where it costs nothing and may still come in.

A task that is not kept in its place is supposed to be moved last, before closeout. If it is in time there
with a chance that is worth it, moving it there keeps the choice open, and its last call is the one there.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from tracker.forecast.last_call import LastCall, last_calls
from tracker.forecast.limits import ChanceConstraint, closed
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets, plain_world
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress, supposed_at


def put_off(
    progress: Progress, sets: TaskSets, kept: Collection[int], *, prior: PacePrior | None
) -> dict[int, LastCall]:
    """The last call at the end of every optional task that had better be moved there.

    Those neither kept nor begun, with must work of anybody behind their place, that are in time at the end
    with a chance of at least what may fail.
    """
    world = sets.world
    if plain_world(world) and not ChanceConstraint.of(world).met(sets.outcome(()).failing):
        return {}
    ahead = _before_must_work(progress)
    free = [m for m, task in enumerate(world.optional) if m not in kept and not task.begun]
    asked = {m: name for m in free if (name := world.optional[m].task) in ahead}
    moved = _moved(progress, list(asked.values()), world.now) if asked else None
    if moved is None:
        return {}
    there = build_world(
        moved.progress, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory
    )
    place = {task.task: m for m, task in enumerate(there.optional)}
    names = [world.optional[m].task for m in kept]
    calls = last_calls(TaskSets(there), closed(there.optional, [place[name] for name in names]))
    there.memory.give_back(there.durations)
    found = {m: calls[place[task]] for m, task in asked.items() if task in moved.tasks}
    return {m: call for m, call in found.items() if call.last_call is not None and not call.hopeless(there)}


def _before_must_work(progress: Progress) -> set[str]:
    """The tasks of which an open step stands before must work of anybody."""
    out: set[str] = set()
    must = False
    for step in reversed(progress.fold.sequence):
        state = progress.steps[step]
        if state.ended is not None:
            continue
        task = progress.tasks[state.step.task]
        if must:
            out.add(state.step.task)
        must = must or not (task.optional or task.task.closeout)
    return out


@dataclass(frozen=True, slots=True)
class _Moved:
    """What stands once these tasks are last."""

    progress: Progress
    tasks: frozenset[str]


def _moved(progress: Progress, tasks: list[str], now: float) -> _Moved | None:
    """Suppose these moved to the end, one after another; None where none can be."""
    at, done = supposed_at(progress, now), []
    for task in tasks:
        try:
            progress = progress.suppose({"kind": "moved", "task": task, "last": True, "at": at})
        except EventError:
            # What it is needed for comes before the end.
            continue
        done.append(task)
    return _Moved(progress, frozenset(done)) if done else None
