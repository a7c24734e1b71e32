"""Sums per task, crew member and kind of work, and where each crew member's time went."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from tracker.debrief.rows import StepRow
from tracker.journal.asrun import SpentRow


@dataclass(frozen=True, slots=True)
class Group:
    """The steps of one task, crew member or kind of work, added up; seconds."""

    name: str
    title: str
    steps: int
    done: int
    planned: float
    """Planned duration of the steps that are done."""
    actual: float
    """Actual duration of the same steps."""
    variance: float
    ratio: float | None
    waited: float
    held: float
    not_done: float
    """Planned duration of the steps that are not."""
    start: float | None
    finish: float | None
    planned_start: float | None
    planned_finish: float | None


@dataclass(frozen=True, slots=True)
class Spent:
    """Where one crew member's time went, in seconds; the four add up to `elapsed`."""

    crew: str
    work: float
    wait: float
    hold: float
    idle: float
    elapsed: float


def by_task(rows: Sequence[StepRow]) -> tuple[Group, ...]:
    """Return one group a task, in the order of the rows."""
    return _groups(rows, lambda row: [(row.task, row.title)])


def by_crew(rows: Sequence[StepRow]) -> tuple[Group, ...]:
    """Return one group a crew member; a joint step counts for each of its crew."""
    return _groups(rows, lambda row: [(crew, "") for crew in row.crew])


def by_work(rows: Sequence[StepRow]) -> tuple[Group, ...]:
    """Return one group a kind of work."""
    return _groups(rows, lambda row: [(row.work, "")])


def _groups(rows: Sequence[StepRow], keys: Callable[[StepRow], list[tuple[str, str]]]) -> tuple[Group, ...]:
    members: dict[str, list[StepRow]] = {}
    titles: dict[str, str] = {}
    for row in rows:
        for name, title in keys(row):
            members.setdefault(name, []).append(row)
            titles[name] = title
    return tuple(_group(name, titles[name], mine) for name, mine in members.items())


def _group(name: str, title: str, rows: list[StepRow]) -> Group:
    done = [row for row in rows if row.status == "done"]
    planned = sum(row.planned_duration for row in done)
    actual = sum(row.actual_duration or 0.0 for row in done)
    return Group(
        name=name,
        title=title,
        steps=len(rows),
        done=len(done),
        planned=planned,
        actual=actual,
        variance=actual - planned,
        ratio=actual / planned if planned > 0 else None,
        waited=sum(row.waited for row in rows),
        held=sum(row.held for row in rows),
        not_done=sum(row.planned_duration for row in rows if row.status != "done"),
        start=min((r.actual_start for r in rows if r.actual_start is not None), default=None),
        finish=max((r.actual_finish for r in rows if r.actual_finish is not None), default=None),
        planned_start=min((r.planned_start for r in rows if r.planned_start is not None), default=None),
        planned_finish=max((r.planned_finish for r in rows if r.planned_finish is not None), default=None),
    )


def spent_by(spent: Sequence[SpentRow], crew: str) -> Spent:
    """Return where the time of one crew member went, by their rows of `as_spent`."""
    sums = {"work": 0.0, "wait": 0.0, "hold": 0.0, "idle": 0.0}
    for one in spent:
        if one.crew == crew:
            sums[one.kind] += one.finish - one.start
    return Spent(crew, sums["work"], sums["wait"], sums["hold"], sums["idle"], sum(sums.values()))


def pooled(groups: Iterable[Group]) -> tuple[Group, ...]:
    """Return groups of several excursions added up by name; times of day are left out."""
    sums: dict[str, Group] = {}
    for group in groups:
        had = sums.get(group.name)
        sums[group.name] = _sum([group] if had is None else [had, group])
    return tuple(sums.values())


def _sum(both: Sequence[Group]) -> Group:
    planned, actual = sum(g.planned for g in both), sum(g.actual for g in both)
    return Group(
        name=both[-1].name,
        title=both[-1].title if both[0].title == both[-1].title else "",
        steps=sum(g.steps for g in both),
        done=sum(g.done for g in both),
        planned=planned,
        actual=actual,
        variance=actual - planned,
        ratio=actual / planned if planned > 0 else None,
        waited=sum(g.waited for g in both),
        held=sum(g.held for g in both),
        not_done=sum(g.not_done for g in both),
        start=None,
        finish=None,
        planned_start=None,
        planned_finish=None,
    )
