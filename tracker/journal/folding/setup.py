"""What the plan, and work added to it, fixes: needs, open items, the first order, planned times."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from tracker.journal.folding.state import SharedList, State
from tracker.journal.progress import StepState
from tracker.plan import timeline
from tracker.plan.graph import step_needs
from tracker.plan.model import Plan, Step, Task
from tracker.plan.timeline import DAY_S, as_pet, as_planned
from tracker.plan.windows import openings


def first_state(plan: Plan) -> State:
    """Return the state before the first event."""
    course = as_planned(plan)
    crew = tuple(member.id for member in plan.crew)
    tasks = {task.id: task for task in plan.tasks}
    ordered = sorted(plan.tasks, key=lambda task: task.closeout)
    sequence = tuple(step.id for task in ordered for step in task.steps)
    steps = {step.id: new_step(step) for step in plan.step.values()}
    queue = {c: tuple(step for step in sequence if c in steps[step].crew) for c in crew}
    opener, closer = _items(plan.step.values())
    state = State(
        plan=plan,
        tasks=tasks,
        needs=step_needs(plan.tasks),
        opener=opener,
        closer=closer,
        planned={step: (course.start[step], course.finish[step]) for step in course.start},
        sequence=sequence,
        crew=crew,
        steps=steps,
        queue=queue,
        current={c: queue[c][0] if queue[c] else None for c in crew},
        mark=dict.fromkeys(crew, 0.0),
        spent={c: SharedList() for c in crew},
        limits={limit.name: _as_limit(limit.at) for limit in plan.limits},
        reserves=_reserves(plan),
    )
    open_windows(state)
    return state


def _as_limit(at: object) -> float:
    return at if not isinstance(at, int) else float(at)  # type: ignore[return-value]


def _items(steps: Iterable[Step]) -> tuple[dict[str, str], dict[str, str]]:
    listed = list(steps)
    opener = {item: step.id for step in listed for item in step.opens}
    closer = {item: step.id for step in listed for item in step.closes}
    return {item: step for item, step in opener.items() if item in closer}, closer


def _reserves(plan: Plan) -> dict[tuple[str, str], float]:
    return {
        (c, consumable.id): consumable.reserve for consumable in plan.consumables for c in consumable.owners
    }


def new_step(step: Step) -> StepState:
    """Return a step to which nothing has happened."""
    return StepState(
        step=step,
        crew=step.crew,
        ended=None,
        began=None,
        begin_kind=None,
        done=None,
        worked_s=0.0,
        running_since=None,
        counted=0,
        counted_worked_s=0.0,
        gone=step.hold_point is None,
        evidence=True,
        left_s=None,
        left_worked_s=0.0,
        waited_s=0.0,
        held_s=0.0,
        waited_for=None,
        done_number=None,
        entry_lag_s=None,
        seat=None,
    )


def with_task(state: State, task: Task, place: int) -> None:
    """Take an added task into the state; its planned time is that of the step before which it comes."""
    state.tasks = {**state.tasks, task.id: task}
    state.added = (*state.added, task.id)
    state.steps.update({step.id: new_step(step) for step in task.steps})
    state.needs = step_needs(state.tasks.values())
    state.opener, state.closer = _items(s.step for s in state.steps.values())
    start = _planned_start(state, place)
    state.planned = {
        **state.planned,
        **{step.id: (start, start + step.time.likely) for step in task.steps},
    }


def _planned_start(state: State, place: int) -> float:
    if place < len(state.sequence):
        return state.planned[state.sequence[place]][0]
    return max((finish for _, finish in state.planned.values()), default=0.0)


def limits_as_pet(state: State) -> Mapping[str, float]:
    """Return every elapsed limit as PET seconds, by the actual zero where it is known.

    A limit that is an instant stands for a day where no zero is known.
    """
    end = horizon_s(state)
    return {name: min(_as_pet(state, at), end) for name, at in state.limits.items()}


def _as_pet(state: State, at: float | datetime) -> float:
    pet = as_pet(at, _zero(state))
    return DAY_S if pet is None else pet


def horizon_s(state: State) -> float:
    """Return the PET beyond which nothing is taken, by the elapsed limit as planned and as changed."""
    return timeline.horizon_s((state.plan.elapsed_limit, state.limits["elapsed"]), _zero(state))


STOPS = "figures stop there"
"""Said of an instant on record that is beyond the horizon."""


def beyond(state: State, at: float | datetime) -> str | None:
    """Return what is said of an instant beyond the horizon; None of one before it."""
    return timeline.beyond(at, _zero(state), horizon_s(state))


def _zero(state: State) -> datetime | None:
    return state.zero or state.plan.zero_planned


def open_windows(state: State) -> None:
    """Work out when the windows are open, by the zero and the openings seen so far."""
    state.openings = {
        window.id: openings(
            window,
            zero=state.zero,
            zero_planned=state.plan.zero_planned,
            seen=state.seen.get(window.id),
            horizon_s=horizon_s(state),
        )
        for window in state.plan.windows
    }
