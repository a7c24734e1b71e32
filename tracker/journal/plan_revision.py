"""A plan revised on the ground while the crew is out, as the events that turn what is left into it.

What is done stays as it is on record. What the revised plan has otherwise and no event can say is named and
refused; words that change no figure (titles, what a step is called) are named and left as they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, TypeVar

from tracker.foundation.errors import EventError
from tracker.foundation.times import format_exact, format_instant
from tracker.journal.progress import Progress
from tracker.plan.build import task_data
from tracker.plan.diff import Change, changed_keys, differences
from tracker.plan.graph import longest_rising
from tracker.plan.model import Duration, Plan, Step, Task
from tracker.plan.timeline import as_pet

WORDS = {("plan", "excursion"), ("plan", "zero"), ("crew", "name"), ("tasks", "title"), ("steps", "do")}
WORDS |= {("steps", "cautions"), ("steps", "numbers"), ("hardware", "title")}
"""What is for people to read and changes nothing of what is left, by subject and key."""


_Needy = TypeVar("_Needy", Task, Step)


@dataclass(slots=True)
class Revision:
    """The events that turn what is left into a revised plan, and what they cannot say."""

    events: list[dict[str, Any]] = field(default_factory=list)
    """In the order in which they are to be recorded, without an instant."""
    refused: list[str] = field(default_factory=list)
    """What no event can express, a line each; then the events are not enough."""
    kept: list[str] = field(default_factory=list)
    """Words that stay as they are on record."""
    after: Progress | None = None
    """The progress with the events supposed; None where something is refused."""

    def at(self, pet_s: float | None) -> list[dict[str, Any]]:
        """The events with an instant; None: without one, for a journal that is live."""
        return [event if pet_s is None else {**event, "at": round(pet_s)} for event in self.events]


def revision(progress: Progress, plan: Plan) -> Revision:
    """What turns what is left of an excursion into a revised plan."""
    found = Revision()
    for change in _of_the_whole(progress, plan):
        _cannot(found, change)
    _tasks(found, progress, plan)
    _limits(found, progress, plan)
    if not found.refused:
        _places(found, progress, plan)
        _suppose(found, progress, plan)
    return found


def _of_the_whole(progress: Progress, plan: Plan) -> Iterator[Change]:
    """Yield what differs outside tasks, limits' instants and reserves."""
    bare = replace(progress.plan, tasks=(), limits=(), consumables=())
    yield from differences(bare, replace(plan, tasks=(), limits=(), consumables=()))
    stores = [
        replace(p, tasks=(), limits=(), consumables=tuple(replace(c, reserve=0.0) for c in p.consumables))
        for p in (progress.plan, plan)
    ]
    yield from (change for change in differences(*stores) if change.subject == "consumables")
    before = {limit.name: limit for limit in progress.plan.limits}
    after = {limit.name: limit for limit in plan.limits}
    for name in before.keys() ^ after.keys():
        yield Change("limits", name, "gone" if name in before else "added")
    for name in before.keys() & after.keys():
        if set(before[name].crew) != set(after[name].crew):
            yield Change(
                "limits", name, "changed", "crew", ", ".join(before[name].crew), ", ".join(after[name].crew)
            )


def _cannot(found: Revision, change: Change) -> None:
    """Note a change that is no event's: words stay as they are, anything else is refused."""
    if change.what == "changed" and (change.subject, change.key) in WORDS:
        found.kept.append(f"stays as it is on record: {change.subject}: {change.words()}")
    else:
        found.refused.append(f"no event can say this: {change.subject}: {change.words()}")


def _tasks(found: Revision, progress: Progress, plan: Plan) -> None:
    for name, state in progress.tasks.items():
        wanted = plan.task.get(name)
        if wanted is None:
            if state.status in ("open", "begun"):
                found.events.append({"kind": "dropped", "task": name})
            continue
        if state.status == "dropped":
            found.events.append({"kind": "restored", "task": name})
        if state.status not in ("done", "left"):
            _task(found, progress, _without(state.task, plan), wanted, plan)


def _without(one: _Needy, plan: Plan) -> _Needy:
    """A task or step without needs on what the revised plan no longer lists: done, or given up."""
    return replace(one, needs=tuple(need for need in one.needs if need in plan.task or need in plan.step))


def _task(found: Revision, progress: Progress, task: Task, wanted: Task, plan: Plan) -> None:
    """Compare what is left of a task that both have."""
    for key, before, after in changed_keys(task, wanted):
        _cannot(found, Change("tasks", task.id, "changed", key, before, after))
    new = {step.id: step for step in wanted.steps}
    for step in task.steps:
        state = progress.steps[step.id]
        over = state.ended in ("done", "skipped")
        if step.id not in new and not over:
            found.events.append({"kind": "skipped", "step": step.id})
        elif step.id in new and not over:
            _step(found, replace(_without(state.step, plan), crew=state.crew), new[step.id])
    for name in new.keys() - {step.id for step in task.steps}:
        right = "make it a task of its own"
        found.refused.append(f"no event adds a step to a task: steps: {name}; {right}")
    both = [step.id for step in task.steps if step.id in new]
    if both != [step.id for step in wanted.steps if step.id in set(both)]:
        found.refused.append(f"no event changes the order of steps in a task: tasks: {task.id}")


def _step(found: Revision, step: Step, wanted: Step) -> None:
    if set(step.crew) != set(wanted.crew):
        found.events.append({"kind": "handed", "step": step.id, "crew": list(wanted.crew)})
    if step.time != wanted.time and not (step.time.home or wanted.time.home):
        found.events.append({"kind": "retimed", "step": step.id, "time": _time(wanted.time)})
    # Efforts are by member; those of somebody it is handed to are the step's own, which both have.
    same = (
        replace(step, crew=wanted.crew, time=wanted.time)
        if not step.time.home and not wanted.time.home
        else step
    )
    for key, before, after in changed_keys(same, wanted):
        _cannot(found, Change("steps", step.id, "changed", key, before, after))


def _time(time: Duration) -> str | dict[str, str]:
    if time.low is None or time.high is None:
        return format_exact(time.likely)
    return {key: format_exact(getattr(time, key)) for key in ("low", "likely", "high")}


def _limits(found: Revision, progress: Progress, plan: Plan) -> None:
    zero = progress.zero or progress.plan.zero_planned
    for limit in plan.limits:
        now, wanted = progress.limits.get(limit.name), as_pet(limit.at, zero)
        if now is not None and wanted is not None and round(now) != round(wanted):
            value = format_instant(limit.at) if isinstance(limit.at, datetime) else format_exact(limit.at)
            found.events.append({"kind": "limited", "limit": limit.name, "value": value})
    for store in plan.consumables:
        for owner in store.owners:
            reserve = progress.reserves.get((owner, store.id))
            if reserve is not None and reserve != store.reserve:
                limit_name = f"{owner}.{store.id}"
                found.events.append({"kind": "limited", "limit": limit_name, "value": store.reserve})


def _places(found: Revision, progress: Progress, plan: Plan) -> None:
    """Bring the tasks that remain into the plan's order by the fewest moves, then add what is new."""
    dropped = {event["task"] for event in found.events if event["kind"] == "dropped"}
    for closeout in (False, True):
        wanted = [t.id for t in plan.tasks if t.closeout == closeout and _remains(progress, t.id, dropped)]
        old = [name for name in wanted if name in progress.tasks]
        order = _order(progress)
        stay = longest_rising([order.index(name) for name in old])
        ahead: str | None = None
        for place in reversed(range(len(old))):
            if place not in stay:
                found.events.append({"kind": "moved", "task": old[place], **_before(ahead)})
            ahead = old[place]
        for place, name in enumerate(wanted):
            if name not in progress.tasks:
                ahead = next((other for other in wanted[place:] if other in progress.tasks), None)
                task = task_data(plan.task[name])
                found.events.append({"kind": "added", "task": task, **_before(ahead)})


def _before(task: str | None) -> dict[str, Any]:
    return {"last": True} if task is None else {"before": task}


def _remains(progress: Progress, task: str, dropped: Iterable[str]) -> bool:
    """Whether there is anything left of a task that is in the revised plan."""
    if task not in progress.tasks:
        return True
    state = progress.tasks[task]
    left = any(progress.steps[step.id].ended not in ("done", "skipped") for step in state.task.steps)
    return left and task not in dropped


def _order(progress: Progress) -> list[str]:
    """All tasks in the order in which the first of what is left of each comes."""
    places = {name: place for place, name in enumerate(progress.fold.sequence)}

    def first(task: Task) -> int:
        left = [s.id for s in task.steps if progress.steps[s.id].ended not in ("done", "skipped")]
        return min((places[name] for name in left or [s.id for s in task.steps]), default=0)

    return sorted(progress.tasks, key=lambda name: first(progress.tasks[name].task))


def _suppose(found: Revision, progress: Progress, plan: Plan) -> None:
    """Suppose the events, and look whether what is left is then what the plan says."""
    if not found.events:
        found.after = progress
        return
    try:
        after = progress.suppose(*found.events)
    except EventError as error:
        found.refused += [f"cannot be recorded: {line}" for line in error.lines]
        return
    left = {name for name, state in after.tasks.items() if state.status in ("open", "begun")}
    wanted = [task.id for task in plan.tasks if task.id in left]
    order = [name for name in _order(after) if name in set(wanted)]
    if sorted(order, key=lambda n: after.tasks[n].task.closeout) != sorted(
        wanted, key=lambda n: after.tasks[n].task.closeout
    ):
        found.refused.append("no event can say this: steps of several tasks stand between one another now")
        return
    found.after = after


def as_amended(progress: Progress) -> Plan:
    """The plan of a journal as it stands, with all that was dropped, added, moved, handed and retimed."""
    plan, zero = progress.plan, progress.zero or progress.plan.zero_planned
    tasks = tuple(
        replace(
            (task := progress.tasks[name].task),
            steps=tuple(
                replace(progress.steps[step.id].step, crew=progress.steps[step.id].crew)
                for step in task.steps
            ),
        )
        for name in _order(progress)
        if progress.tasks[name].status != "dropped"
    )
    limits = tuple(
        limit
        if limit.name not in progress.limits or as_pet(limit.at, zero) == progress.limits[limit.name]
        else replace(limit, at=round(progress.limits[limit.name]))
        for limit in plan.limits
    )
    stores = tuple(
        replace(store, reserve=_reserve(progress.reserves, store.id, store.reserve))
        for store in plan.consumables
    )
    return replace(plan, tasks=tasks, limits=limits, consumables=stores)


def _reserve(reserves: Mapping[tuple[str, str], float], store: str, planned: float) -> float:
    """The reserve of a store where all of its owners have the same; else the planned one."""
    found = {value for (_, name), value in reserves.items() if name == store}
    return found.pop() if len(found) == 1 else planned
