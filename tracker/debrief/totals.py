"""Sums that add up: per task, crew member and kind of work, and where each crew member's time went."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from tracker.debrief.rows import StepRow
from tracker.journal.progress import Interval, Progress


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


@dataclass(frozen=True, slots=True)
class Part:
    """One bar of the waterfall: so many seconds for this reason."""

    label: str
    seconds: float


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
    planned = sum(row.planned_duration or 0.0 for row in done)
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
        not_done=sum(row.planned_duration or 0.0 for row in rows if row.status != "done"),
        start=min((r.actual_start for r in rows if r.actual_start is not None), default=None),
        finish=max((r.actual_finish for r in rows if r.actual_finish is not None), default=None),
        planned_start=min((r.planned_start for r in rows if r.planned_start is not None), default=None),
        planned_finish=max((r.planned_finish for r in rows if r.planned_finish is not None), default=None),
    )


def intervals_until(progress: Progress, crew: str, end: float) -> list[Interval]:
    """Return a crew member's intervals from PET 0 to `end`, the last one cut off or drawn out to it."""
    found = []
    for one in progress.spent.get(crew, ()):
        finish = end if one.end is None else min(one.end, end)
        if one.start < finish:
            found.append(Interval(one.start, finish, one.kind, one.step, one.cause))
    return found


def spent_by(progress: Progress, crew: str, end: float) -> Spent:
    """Return where the time of one crew member went between PET 0 and `end`."""
    sums = {"work": 0.0, "wait": 0.0, "hold": 0.0, "idle": 0.0}
    for one in intervals_until(progress, crew, end):
        sums[one.kind] += (one.end or one.start) - one.start
    return Spent(crew, sums["work"], sums["wait"], sums["hold"], sums["idle"], sum(sums.values()))


def waterfall(progress: Progress, rows: Sequence[StepRow], crew: str, end: float) -> tuple[Part, ...]:
    """Return why `end` differs from the planned end of one crew member: parts that add up exactly.

    The first part is the planned end, then come differences; their sum is the elapsed time at `end`.
    """
    planned = _planned(progress, crew)
    parts = {"as planned": max((finish for _, finish in planned.values()), default=0.0)}
    planned_work = sum(finish - start for start, finish in planned.values())
    planned_wait = parts["as planned"] - planned_work
    by_step = {row.step: row for row in rows}
    worked = _worked(progress, crew, end)
    for step, (start, finish) in planned.items():
        _add(parts, *_planned_part(by_step[step], finish - start, worked.pop(step, 0.0)))
    for step, seconds in worked.items():
        _add(parts, "added work" if by_step[step].added else "handed over", seconds)
    _add(parts, "waiting planned", -planned_wait)
    for one in intervals_until(progress, crew, end):
        if one.kind != "work":
            _add(parts, _label(one), (one.end or one.start) - one.start)
    return _merged(parts)


def _planned(progress: Progress, crew: str) -> dict[str, tuple[float, float]]:
    """Return the planned course of the steps that the plan gave this crew member."""
    steps = progress.plan.step
    return {s: times for s, times in progress.planned.items() if s in steps and crew in steps[s].crew}


def _worked(progress: Progress, crew: str, end: float) -> dict[str, float]:
    sums: dict[str, float] = {}
    for one in intervals_until(progress, crew, end):
        if one.kind == "work" and one.step is not None:
            sums[one.step] = sums.get(one.step, 0.0) + (one.end or one.start) - one.start
    return sums


def _planned_part(row: StepRow, planned: float, worked: float) -> tuple[str, float]:
    """Return what a planned step contributes: its pace, or that it was not done."""
    if row.status == "done" and worked > 0:
        return f"pace: {row.work}", worked - planned
    if worked > 0:
        return "broken off", worked - planned
    return ("handed over" if row.status == "done" else "not done"), -planned


def _label(interval: Interval) -> str:
    if interval.kind == "idle":
        return "idle"
    if interval.kind == "hold":
        return "holds"
    return f"waiting: {(interval.cause or 'other').split()[0]}"


def _add(parts: dict[str, float], label: str, seconds: float) -> None:
    parts[label] = parts.get(label, 0.0) + seconds


def _merged(parts: Mapping[str, float]) -> tuple[Part, ...]:
    """Return the parts that are not nothing, the planned end first."""
    first, *rest = parts.items()
    return (Part(*first), *(Part(label, seconds) for label, seconds in rest if abs(seconds) > 1e-9))


def pooled(groups: Iterable[Group]) -> tuple[Group, ...]:
    """Return groups of several excursions added up by name; times of day are left out."""
    sums: dict[str, Group] = {}
    for group in groups:
        had = sums.get(group.name)
        sums[group.name] = _sum(had, group) if had else _timeless(group)
    return tuple(sums.values())


def _timeless(group: Group) -> Group:
    return _sum(None, group)


def _sum(a: Group | None, b: Group) -> Group:
    both = [b] if a is None else [a, b]
    planned, actual = sum(g.planned for g in both), sum(g.actual for g in both)
    return Group(
        name=b.name,
        title=b.title,
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
