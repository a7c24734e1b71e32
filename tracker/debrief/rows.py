"""One row a step: what was planned, what happened, and why they differ; and what the rows add up to.

Hides how a row is put together from the journal's own table and its events. A column of every export is
a field of `StepRow` and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from statistics import median
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from tracker.foundation.times import format_pet_s
from tracker.journal.as_run import AsRunRow, SpentRow, as_run, as_spent
from tracker.journal.matters import open_s
from tracker.journal.progress import Decision, Progress, TaskState
from tracker.plan.model import Priority

MOST_TEXT = 30_000
"""Characters of a text that an export keeps: all of a note, and no more than a spreadsheet's cell holds."""


@dataclass(frozen=True, slots=True)
class Column:
    """Where a field of a row stands besides the JSON and, under its own name, the CSV."""

    heading: str = ""
    """Over the field in the table of steps; without one it has no column there."""
    form: Callable[[Any], str] | None = None
    """Its figure as text, which lines up on the right; None for what is text."""
    after: str = ""
    """The field behind which the table of steps has it; else in the order of the fields."""
    moment: bool = False
    """A PET, which the CSV also writes as `H:MM:SS`, as an instant in UTC and with the day of the year."""
    notations_follow: bool = False
    """The CSV has those other notations behind this field; what has been added since comes after them."""
    unit: str = ""
    """Of a figure: `s` for seconds, `1` for a ratio."""


def pet(seconds: float | None) -> str:
    """A PET or a duration as `H:MM:SS`, a dash where there is none."""
    return format_pet_s(None if seconds is None else round(seconds))


def signed(seconds: float | None) -> str:
    """A difference as `+H:MM:SS` or `-H:MM:SS`."""
    if seconds is None:
        return "-"
    text = pet(seconds)
    return text if text.startswith("-") or not round(seconds) else f"+{text}"


def apart(one: float | None, other: float | None) -> str:
    """By how much a PET or a duration is more than another, as `pet` shows them; a dash where one is none."""
    return "-" if one is None or other is None else signed(round(one) - round(other))


def factor(value: float | None) -> str:
    """A ratio with two decimals, a dash where there is none."""
    return "-" if value is None else f"{value:.2f}"


def _if_any(seconds: float) -> str:
    return pet(seconds) if seconds else ""


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step, as-run against planned; times in seconds of phase elapsed time.

    A field is a column of every export: its name heads the CSV and the JSON, the sentence below it is
    the one of `schema.json`, and its `Column` says how the tables of people show it. New ones come last.
    """

    journal: str
    """Name of the journal's file."""
    excursion: str
    """Name of the excursion."""
    task: str
    """Id of the task that the step belongs to."""
    title: str
    """Of that task."""
    priority: Priority
    """Of that task: `must`, `should` or `get-ahead`; `must` once it was committed."""
    step: Annotated[str, Column("step")]
    """Its id."""
    do: Annotated[str, Column("do")]
    """What is done in it."""
    crew: Annotated[tuple[str, ...], Column("crew")]
    """Who did it, or owns it now."""
    planned_crew: tuple[str, ...]
    """Who was to do it."""
    work: str
    """Kind of work."""
    status: Annotated[
        Literal["open", "waiting", "current", "held", "done", "skipped", "dropped", "left"], Column("status")
    ]
    """`open`, `waiting`, `current`, `held`, `done`, `skipped`, `dropped` or `left`."""
    planned_start: Annotated[float | None, Column("start planned", pet, moment=True, unit="s")]
    """None for a step that would never have found its window; an added step has its place's."""
    planned_finish: Annotated[float | None, Column(moment=True, unit="s")]
    """None where there is no planned start."""
    planned_duration: Annotated[float, Column("time planned", pet, unit="s")]
    """Planned work time."""
    actual_start: Annotated[float | None, Column("actual", pet, after="planned_start", moment=True, unit="s")]
    """None before it was begun."""
    actual_finish: Annotated[float | None, Column(moment=True, unit="s")]
    """None before it was done."""
    actual_duration: Annotated[float | None, Column("actual", pet, unit="s")]
    """Work time, holds left out; for a step that has not ended, so far."""
    variance: Annotated[float | None, Column("difference", signed, unit="s")]
    """Actual less planned duration; only of a step that is done."""
    ratio: Annotated[float | None, Column("ratio", factor, unit="1")]
    """Actual over planned duration; only of a step that is done."""
    finish_late: Annotated[float | None, Column(unit="s")]
    """Actual less planned finish."""
    waited: Annotated[float, Column("waited", _if_any, unit="s")]
    """How long its crew waited before it."""
    waited_for: str
    """What the step's crew waited for before it, longest first."""
    held: Annotated[float, Column("held", _if_any, unit="s")]
    """Holds inside it."""
    held_for: str
    """Reasons of the holds inside it."""
    planned_place: Annotated[int | None, Column(unit="1")]
    """Place among the steps that its first crew member did, in planned order, from 1."""
    actual_place: Annotated[int | None, Column(unit="1")]
    """The same in the order in which they were begun; it differs where the order was changed."""
    added: bool
    """Whether its task was added on the way."""
    dropped: bool
    """Whether its task was given up."""
    count: Annotated[int, Column(unit="1")]
    """How many items it has; 1 where nothing is counted."""
    count_done: Annotated[int, Column(unit="1")]
    """How many of them were done."""
    advised: str
    """What was advised about its task when somebody last decided on it."""
    chosen: str
    """What was then decided."""
    begin_kind: Literal["", "stated", "implied", "batch"]
    """How the begin is known: `stated`, `implied` or `batch`."""
    entry_lag: Annotated[float | None, Column(unit="s")]
    """How long after it the end was written."""
    seat: Annotated[str, Column(notations_follow=True)]
    """Who wrote the end."""
    said: str
    """Remarks on its events, by time, separated by semicolons."""
    raised: str = ""
    """What was raised about it or its task, each with how long it stood open, separated by semicolons."""
    given_up: str = ""
    """When its task was given up, and that it was must work: `2:13:00`, `must work 2:13:00`."""


@cache
def step_columns() -> dict[str, Column]:
    """The column of every field of a row, by its name and in the order of the fields."""
    hints = get_type_hints(StepRow, include_extras=True)
    return {
        field.name: next((one for one in get_args(hints[field.name]) if isinstance(one, Column)), Column())
        for field in fields(StepRow)
    }


def plain_type(hint: Any) -> type:
    """The type of a field's values, without None and annotations: `str` for literals, `tuple` for several."""
    origin, of = get_origin(hint), get_args(hint)
    if origin is Annotated or origin in (Union, UnionType):
        return plain_type(next(one for one in of if one is not NoneType))
    return str if origin is Literal else origin or hint


def end_of(progress: Progress) -> float:
    """Return the PET up to which there is something to look back on: the close, or the last event."""
    return progress.at if progress.closed is None else progress.closed


def step_rows(progress: Progress, journal: str) -> tuple[StepRow, ...]:
    """Return one row a step, in planned order, added steps last; `journal` names the excursion's file."""
    places, said = _places(progress), _said(progress)
    causes = _causes(as_spent(progress, end_of(progress)))
    decided = {decision.task: decision for decision in progress.decisions}
    rows = []
    for run in as_run(progress):
        place = places.get(run.step, (None, None))
        rows.append(
            _row(progress, journal, run, place, causes, decided.get(run.task), said.get(run.step, ""))
        )
    return tuple(rows)


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
    finish = run.actual_finish if run.status == "done" else None
    actual, planned = run.actual_duration, run.planned_duration
    return StepRow(
        journal=journal,
        excursion=progress.plan.excursion,
        title=task.task.title,
        priority=task.priority,
        planned_crew=state.step.crew,
        ratio=None if run.variance is None or actual is None or planned <= 0 else actual / planned,
        finish_late=None if finish is None or run.planned_finish is None else finish - run.planned_finish,
        waited_for=causes.get((run.step, "wait"), ""),
        held_for=causes.get((run.step, "hold"), ""),
        planned_place=places[0],
        actual_place=places[1],
        added=task.added,
        dropped=task.status == "dropped",
        count=state.step.count,
        count_done=state.step.count if finish is not None and not state.counted else state.counted,
        advised=(decision.advice or "") if decision else "",
        chosen=decision.choice if decision else "",
        **{name: getattr(run, name) for name in _TAKEN_OVER},
        begin_kind=run.begin_kind or "",
        seat=run.seat or "",
        said=said,
        raised=_raised(progress, run.step, run.task),
        given_up=_given_up(progress, task),
    )


def _given_up(progress: Progress, task: TaskState) -> str:
    at = [e.at for e in progress.events if e.kind == "dropped" and e.body["task"] == task.task.id]
    if task.status != "dropped" or not at:
        return ""
    return f"{'' if task.task.optional else 'must work '}{pet(at[-1])}"


def _raised(progress: Progress, step: str, task: str) -> str:
    end = end_of(progress)
    about = (one for one in progress.raised if one.about in (step, task))
    return "; ".join(f"{one.what} {one.text} ({pet(open_s(one, max(end, one.at)))})" for one in about)


_TAKEN_OVER = [field.name for field in fields(AsRunRow) if field.name not in ("begin_kind", "seat")]


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


@dataclass(frozen=True, slots=True)
class Group:
    """The steps of one task, crew member or kind of work, added up; seconds."""

    name: str
    title: str
    """Of a task its title, of a crew member the name; empty for a kind of work."""
    steps: int
    done: int
    planned: float
    """Planned duration of the steps that are done."""
    actual: float
    """Actual duration of the same steps."""
    variance: float
    ratio: float | None
    """Their actual over their planned duration."""
    waited: float
    """Of a crew member their own waiting; else that before the steps, which counts once for all of a crew."""
    held: float
    """Likewise of holds."""
    not_done: float
    """Planned duration of the steps that are not."""
    start: float | None
    finish: float | None
    planned_start: float | None
    planned_finish: float | None
    excursion: str
    """Name of the excursion that they belong to; empty where they are of several."""
    plans: int
    """How many excursions by name they are of."""
    median_ratio: float | None
    """Median of the steps' own ratios, so that few long steps do not speak for all."""


@dataclass(frozen=True, slots=True)
class Spent:
    """Where one crew member's time went, in seconds; the four add up to `elapsed`."""

    crew: str
    work: float
    wait: float
    hold: float
    idle: float
    elapsed: float


Named = Mapping[str, str]
"""Names of crew members by id."""


def by_task(rows: Iterable[StepRow]) -> tuple[Group, ...]:
    """Return one group a task, in the order of the rows."""
    return _added(((row.task,), _group(row, row.task, row.title)) for row in rows)


def by_crew(
    rows: Iterable[StepRow], spent: Sequence[SpentRow], named: Named | None = None
) -> tuple[Group, ...]:
    """Return one group a crew member; a joint step counts for each of its crew, waiting for who waited.

    `spent`: the rows of `as_spent` whose waiting and holds belong to these steps.
    """
    found = _added(_of_each(rows, named or {}))
    return tuple(own(group, spent_by(spent, group.name)) for group in found)


def own(group: Group, spent: Spent) -> Group:
    """Return the group of a crew member with what they waited and held themselves.

    A step's own time counts once however many of its crew spent it, so it is not what each of them did.
    """
    return replace(group, waited=spent.wait, held=spent.hold)


def _of_each(rows: Iterable[StepRow], named: Named) -> Iterator[tuple[Key, Group]]:
    """Yield a group a step and crew member, by id and name."""
    for row in rows:
        for crew in row.crew:
            name = named.get(crew, "")
            yield (crew, name), _group(row, crew, name)


def by_work(rows: Iterable[StepRow]) -> tuple[Group, ...]:
    """Return one group a kind of work."""
    return _added(((row.work,), _group(row, row.work)) for row in rows)


RowsOfEach = Sequence[tuple[Sequence[StepRow], Sequence[Group]]]
"""The rows of each excursion, and its crew as `by_crew` has them."""


def pooled_tasks(every: RowsOfEach) -> tuple[Group, ...]:
    """Return one group a task of one plan family: excursion, id, title and step ids are the same."""

    def parts() -> Iterator[tuple[Key, Group]]:
        for rows, _ in every:
            steps: dict[str, list[str]] = {}
            for row in rows:
                steps.setdefault(row.task, []).append(row.step)
            for row in rows:
                key = (row.excursion, row.task, row.title, *sorted(steps[row.task]))
                yield key, _group(row, row.task, row.title)

    return _timeless(_added(parts()))


def pooled_crew(every: RowsOfEach) -> tuple[Group, ...]:
    """Return one group a crew member, who is the same by id and name."""
    named = [(rows, {group.name: group.title for group in crew}) for rows, crew in every]
    found = _added(part for rows, names in named for part in _of_each(rows, names))
    mine: dict[Key, list[Group]] = {}
    for group in (group for _, crew in every for group in crew):
        mine.setdefault((group.name, group.title), []).append(group)
    return _timeless(
        replace(group, waited=sum(one.waited for one in theirs), held=sum(one.held for one in theirs))
        for group in found
        for theirs in [mine[group.name, group.title]]
    )


def pooled_work(every: RowsOfEach) -> tuple[Group, ...]:
    """Return one group a kind of work, over all plans."""
    return _timeless(by_work(row for rows, _ in every for row in rows))


def _timeless(groups: Iterable[Group]) -> tuple[Group, ...]:
    """Return groups of several excursions without times of day."""
    times = {"start": None, "finish": None, "planned_start": None, "planned_finish": None}
    return tuple(replace(group, **times) for group in groups)  # type: ignore[arg-type]


def pace(groups: Iterable[Group]) -> float | None:
    """Return actual over planned time of all that was done; None without any."""
    every = tuple(groups)
    planned = sum(group.planned for group in every)
    return sum(group.actual for group in every) / planned if planned > 0 else None


def _group(row: StepRow, name: str, title: str = "") -> Group:
    """Return a step as a group of its own."""
    done = row.status == "done"
    return Group(
        name=name,
        title=title,
        steps=1,
        done=int(done),
        planned=row.planned_duration if done else 0,
        actual=(row.actual_duration or 0.0) if done else 0,
        variance=0,
        ratio=row.ratio if done else None,
        waited=row.waited,
        held=row.held,
        not_done=0 if done else row.planned_duration,
        start=row.actual_start,
        finish=row.actual_finish,
        planned_start=row.planned_start,
        planned_finish=row.planned_finish,
        excursion=row.excursion,
        plans=1,
        median_ratio=None,
    )


Key = tuple[str, ...]


def _added(steps: Iterable[tuple[Key, Group]]) -> tuple[Group, ...]:
    """Return single steps added up by their keys, in the order in which the keys come."""
    by_key: dict[Key, list[Group]] = {}
    for key, step in steps:
        by_key.setdefault(key, []).append(step)
    return tuple(_sum(mine) for mine in by_key.values())


def _sum(groups: Sequence[Group]) -> Group:
    sums: dict[str, Any] = {name: sum(getattr(g, name) for g in groups) for name in _SUMMED}
    planned, actual = sums["planned"], sums["actual"]
    ratios = [group.ratio for group in groups if group.ratio is not None]
    excursions = {group.excursion for group in groups}
    return Group(
        name=groups[0].name,
        title=groups[0].title if len({g.title for g in groups}) == 1 else "",
        variance=actual - planned,
        ratio=actual / planned if planned > 0 else None,
        **sums,
        start=_known(min, groups, "start"),
        finish=_known(max, groups, "finish"),
        planned_start=_known(min, groups, "planned_start"),
        planned_finish=_known(max, groups, "planned_finish"),
        excursion=groups[0].excursion if len(excursions) == 1 else "",
        plans=len(excursions),
        median_ratio=median(ratios) if ratios else None,
    )


_SUMMED = ("steps", "done", "planned", "actual", "waited", "held", "not_done")


def _known(of: Callable[..., float | None], groups: Sequence[Group], name: str) -> float | None:
    return of((at for g in groups if (at := getattr(g, name)) is not None), default=None)


def spent_by(spent: Sequence[SpentRow], crew: str) -> Spent:
    """Return where the time of one crew member went, by their rows of `as_spent`."""
    sums = {"work": 0.0, "wait": 0.0, "hold": 0.0, "idle": 0.0}
    for one in spent:
        if one.crew == crew:
            sums[one.kind] += one.finish - one.start
    return Spent(crew, sums["work"], sums["wait"], sums["hold"], sums["idle"], sum(sums.values()))
