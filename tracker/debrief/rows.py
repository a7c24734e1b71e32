"""One row a step: what was planned, what happened, and why they differ."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

from tracker.journal.asrun import AsRunRow, SpentRow, as_run, as_spent
from tracker.journal.progress import Decision, Progress


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
    """`open`, `waiting`, `current`, `held`, `done`, `skipped`, `dropped` or `left`."""
    planned_start: float | None
    """None for a step that would never have found its window; an added step has its place's."""
    planned_finish: float | None
    planned_duration: float
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
    said: str
    """Remarks on its events, by time, separated by semicolons."""


def step_rows(progress: Progress, journal: str) -> tuple[StepRow, ...]:
    """Return one row a step, in planned order, added steps last; `journal` names the excursion's file."""
    places = _places(progress)
    end = progress.at if progress.closed is None else progress.closed
    causes = _causes(as_spent(progress, end))
    decided = {decision.task: decision for decision in progress.decisions}
    said = _said(progress)
    return tuple(
        _row(
            progress,
            journal,
            run,
            places.get(run.step, (None, None)),
            causes,
            decided.get(run.task),
            said.get(run.step, ""),
        )
        for run in as_run(progress)
    )


def _said(progress: Progress) -> dict[str, str]:
    """Return per step what was said with its events."""
    found: dict[str, list[str]] = {}
    for event in progress.events:
        if event.body.get("text") and "step" in event.body:
            found.setdefault(str(event.body["step"]), []).append(str(event.body["text"]))
    return {step: "; ".join(texts) for step, texts in found.items()}


def _row(
    progress: Progress,
    journal: str,
    run: AsRunRow,
    places: tuple[int | None, int | None],
    causes: Mapping[tuple[str, str], str],
    decision: Decision | None,
    said: str,
) -> StepRow:
    state, task = progress.steps[run.step], progress.tasks[run.task]
    finished = run.status == "done" and run.actual_finish is not None
    return StepRow(
        journal=journal,
        excursion=progress.plan.excursion,
        title=task.task.title,
        priority=task.priority,
        planned_crew=state.step.crew,
        ratio=_ratio(run),
        finish_late=_less(run.actual_finish, run.planned_finish) if finished else None,
        waited_for=causes.get((run.step, "wait"), ""),
        held_for=causes.get((run.step, "hold"), ""),
        planned_place=places[0],
        actual_place=places[1],
        added=task.added,
        dropped=task.status == "dropped",
        count=state.step.count,
        count_done=state.step.count if finished and not state.counted else state.counted,
        advised=(decision.advice or "") if decision else "",
        chosen=decision.choice if decision else "",
        **{name: getattr(run, name) for name in _TAKEN_OVER},
        begin_kind=run.begin_kind or "",
        seat=run.seat or "",
        said=said,
    )


_TAKEN_OVER = [field.name for field in fields(AsRunRow) if field.name not in ("begin_kind", "seat")]


def _ratio(run: AsRunRow) -> float | None:
    if run.variance is None or run.actual_duration is None or run.planned_duration <= 0:
        return None
    return run.actual_duration / run.planned_duration


def _less(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b


def _causes(spent: Iterable[SpentRow]) -> dict[tuple[str, str], str]:
    """Return per (step, `wait` or `hold`) its distinct causes, longest first, separated by semicolons."""
    found: dict[tuple[str, str], dict[str, float]] = {}
    for one in spent:
        if one.step is not None and one.cause:
            mine = found.setdefault((one.step, one.kind), {})
            mine[one.cause] = mine.get(one.cause, 0.0) + one.finish - one.start
    return {
        key: "; ".join(sorted(mine, key=lambda cause: (-mine[cause], cause))) for key, mine in found.items()
    }


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
