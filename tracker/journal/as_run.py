"""As-run against planned: the derived tables of a journal as functions of its progress.

`as_run` has a row a step, planned and as it went; `as_spent` a row for each stretch of a crew member's time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from operator import attrgetter

from tracker.journal.progress import BeginKind, Progress, Spending, StepState, step_status
from tracker.journal.store import AS_RUN, Cell, Rows, Table


@dataclass(frozen=True, slots=True)
class AsRunRow:
    """One step, planned and as it went; seconds."""

    task: str
    step: str
    do: str
    crew: tuple[str, ...]
    work: str
    status: str
    planned_start: float | None
    planned_finish: float | None
    planned_duration: float
    actual_start: float | None
    actual_finish: float | None
    actual_duration: float | None
    """Work time, holds out; None before there was any."""
    variance: float | None
    """Actual less planned duration, of a step that is done."""
    waited: float
    held: float
    begin_kind: BeginKind | None
    entry_lag: float | None
    seat: str | None


@dataclass(frozen=True, slots=True)
class SpentRow:
    """One stretch of one crew member's time; seconds."""

    crew: str
    start: float
    finish: float
    kind: Spending
    step: str | None
    cause: str | None


def as_run(progress: Progress) -> list[AsRunRow]:
    """Return one row a step, planned ones in file order, added ones last."""
    return [_row(progress, s) for s in progress.steps.values()]


def _row(progress: Progress, s: StepState) -> AsRunRow:
    step = s.step
    start, finish = progress.planned[step.id]
    known = isfinite(start) and isfinite(finish)
    planned = finish - start if known else float(step.time.likely)
    begun = s.began is not None and s.began <= progress.at
    duration = s.elapsed_s(progress.at) if begun else None
    return AsRunRow(
        task=step.task,
        step=step.id,
        do=step.do,
        crew=s.crew,
        work=step.work,
        status=step_status(progress, step.id, progress.at, recorded=True),
        planned_start=start if known else None,
        planned_finish=finish if known else None,
        planned_duration=planned,
        actual_start=s.began if begun else None,
        actual_finish=s.done,
        actual_duration=duration,
        variance=s.worked_s - planned if s.ended == "done" else None,
        waited=s.waited_s,
        held=s.held_s,
        begin_kind=s.begin_kind if begun else None,
        entry_lag=s.entry_lag_s,
        seat=s.seat,
    )


def as_spent(progress: Progress, end: float) -> list[SpentRow]:
    """Return everybody's time from PET 0 to `end` without a gap, crew member by crew member."""
    return [SpentRow(*cells) for cells in _spent_cells(progress, end)]


def _spent_cells(
    progress: Progress, end: float
) -> Iterator[tuple[str, float, float, Spending, str | None, str | None]]:
    """Yield the same as the table holds it, in the order of its columns."""
    for crew, intervals in progress.spent.items():
        for one in intervals:
            finish = end if one.end is None else min(one.end, end)
            if finish > one.start:
                yield crew, one.start, finish, one.kind, one.step, one.cause


_PER_CREW = 1_000_000
"""Places kept for each crew member in `as_spent`, so that a new interval moves no other row."""

_run_values = attrgetter(*AS_RUN)
_CREW = AS_RUN.index("crew")


Derived = Mapping[Table, Rows]


def derived_rows(progress: Progress, before: tuple[Progress, Derived] | None = None) -> dict[Table, Rows]:
    """Return every row of both tables by place, up to the last event.

    `before`: an earlier progress and its rows; those of steps to which nothing happened since are taken over.
    """
    known, rows = (before[0], before[1]["as_run"]) if before is not None else (progress, {})
    same = _as_before(progress, known) if before is not None else set()
    run = {
        place: rows[place] if step in same else _run_cells(progress, s)
        for place, (step, s) in enumerate(progress.steps.items(), 1)
    }
    spent: dict[int, tuple[Cell, ...]] = {}
    places = {member.id: n * _PER_CREW for n, member in enumerate(progress.plan.crew, 1)}
    for cells in _spent_cells(progress, progress.at):
        spent[places[cells[0]]] = cells
        places[cells[0]] += 1
    return {"as_run": run, "as_spent": spent}


def differences(before: Rows, after: Rows) -> tuple[Rows, list[int]]:
    """Return the rows to put and the places to clear to come from one table to another."""
    put = {place: cells for place, cells in after.items() if before.get(place) != cells}
    return put, [place for place in before if place not in after]


def _as_before(progress: Progress, known: Progress) -> set[str]:
    """Return the steps whose rows are what they were: ended, or nobody is or was at them; nothing changed."""
    at = {*progress.current.values(), *known.current.values()}
    return {
        step
        for step, s in progress.steps.items()
        if known.steps.get(step) is s and (s.ended is not None or (s.began is None and step not in at))
    }


def _run_cells(progress: Progress, s: StepState) -> tuple[Cell, ...]:
    """Return a step's row as the file holds it: the crew as one text."""
    row = _row(progress, s)
    values = _run_values(row)
    return (*values[:_CREW], " ".join(row.crew), *values[_CREW + 1 :])
