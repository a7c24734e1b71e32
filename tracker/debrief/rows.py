"""One row a step: what was planned, what happened, and why they differ."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tracker.journal.progress import Decision, Interval, Progress, StepState


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step, as-run against planned; times in seconds of phase elapsed time."""

    journal: str
    excursion: str
    task: str
    title: str
    priority: str
    step: str
    do: str
    crew: tuple[str, ...]
    """Who did it, or owns it now."""
    planned_crew: tuple[str, ...]
    work: str
    status: str
    """`done`, `skipped`, `dropped`, `left`, `begun` or `open`."""
    planned_start: float | None
    """None for a step that was not in the plan."""
    planned_finish: float | None
    planned_duration: float | None
    actual_start: float | None
    actual_finish: float | None
    actual_duration: float | None
    """Work time, holds left out; for a step that has not ended, so far."""
    variance: float | None
    """Actual less planned duration; only of a step that is done."""
    ratio: float | None
    """Actual over planned duration; only of a step that is done."""
    finish_late: float | None
    """Actual less planned finish."""
    waited: float
    waited_for: str
    """What the step's crew waited for before it, longest first."""
    held: float
    held_for: str
    """Reasons of the holds inside it."""
    planned_place: int | None
    """Place among the steps that its first crew member did, in planned order, from 1."""
    actual_place: int | None
    """The same in the order in which they were begun; it differs where the order was changed."""
    added: bool
    """Whether its task was added on the way."""
    dropped: bool
    """Whether its task was given up."""
    count: int
    count_done: int
    advised: str
    """What was advised about its task when somebody last decided on it."""
    chosen: str
    """What was then decided."""
    begin_kind: str
    """How the begin is known: `stated`, `implied` or `batch`."""
    entry_lag: float | None
    """How long after it the end was written."""
    seat: str


def step_rows(progress: Progress, journal: str) -> tuple[StepRow, ...]:
    """Return one row a step, in planned order, added steps last; `journal` names the excursion's file."""
    places = _places(progress)
    intervals = _by_step(progress)
    decided = {decision.task: decision for decision in progress.decisions}
    return tuple(
        _row(progress, journal, state, places.get(step, (None, None)), intervals.get(step, ()), decided)
        for step, state in progress.steps.items()
    )


def _row(
    progress: Progress,
    journal: str,
    state: StepState,
    places: tuple[int | None, int | None],
    intervals: Iterable[Interval],
    decided: Mapping[str, Decision],
) -> StepRow:
    step, task = state.step, progress.tasks[state.step.task]
    start, finish = progress.planned.get(step.id, (None, None)) if not task.added else (None, None)
    planned = step.time.likely if start is None or finish is None else finish - start
    done = state.ended == "done"
    decision = decided.get(step.task)
    return StepRow(
        journal=journal,
        excursion=progress.plan.excursion,
        task=step.task,
        title=task.task.title,
        priority=task.priority,
        step=step.id,
        do=step.do,
        crew=state.crew,
        planned_crew=step.crew,
        work=step.work,
        status=state.ended or ("open" if state.began is None else "begun"),
        planned_start=start,
        planned_finish=finish,
        planned_duration=planned,
        actual_start=state.began,
        actual_finish=state.done,
        actual_duration=state.elapsed_s(progress.at) if state.began is not None else None,
        variance=state.worked_s - planned if done else None,
        ratio=state.worked_s / planned if done and planned > 0 else None,
        finish_late=state.done - finish if state.done is not None and finish is not None else None,
        waited=state.waited_s,
        waited_for=_causes(intervals, "wait"),
        held=state.held_s,
        held_for=_causes(intervals, "hold"),
        planned_place=places[0],
        actual_place=places[1],
        added=task.added,
        dropped=task.status == "dropped",
        count=step.count,
        count_done=step.count if done and not state.counted else state.counted,
        advised=(decision.advice or "") if decision else "",
        chosen=decision.choice if decision else "",
        begin_kind=state.begin_kind or "",
        entry_lag=state.entry_lag_s,
        seat=state.seat or "",
    )


def _by_step(progress: Progress) -> dict[str, list[Interval]]:
    """Return the intervals that belong to each step, of all crew members."""
    found: dict[str, list[Interval]] = {}
    for intervals in progress.spent.values():
        for interval in intervals:
            if interval.step is not None:
                found.setdefault(interval.step, []).append(interval)
    return found


def _causes(intervals: Iterable[Interval], kind: str) -> str:
    """Return the distinct causes of intervals of a kind, longest first, separated by semicolons."""
    spent: dict[str, float] = {}
    for interval in intervals:
        if interval.kind == kind and interval.cause and interval.end is not None:
            spent[interval.cause] = spent.get(interval.cause, 0.0) + interval.end - interval.start
    return "; ".join(sorted(spent, key=lambda cause: (-spent[cause], cause)))


def _places(progress: Progress) -> dict[str, tuple[int, int]]:
    """Return per begun step its place by plan and as run among its first crew member's begun steps."""
    began: dict[str, dict[str, float]] = {}
    for step, state in progress.steps.items():
        if state.began is not None and state.crew:
            began.setdefault(state.crew[0], {})[step] = state.began
    places = {}
    for mine in began.values():
        file_order = {step: i for i, step in enumerate(mine)}
        by_plan = sorted(mine, key=lambda step: (progress.planned.get(step, (0.0, 0.0))[0], file_order[step]))
        by_run = sorted(mine, key=lambda step: (mine[step], by_plan.index(step)))
        run_place = {step: i for i, step in enumerate(by_run, 1)}
        places.update({step: (i, run_place[step]) for i, step in enumerate(by_plan, 1)})
    return places
