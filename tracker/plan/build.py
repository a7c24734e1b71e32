"""Makes the plan's values from its file, once that is without faults."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from tracker.foundation.times import format_exact
from tracker.plan.graph import crew_orders
from tracker.plan.metabolism import per_megajoule
from tracker.plan.model import (
    MOST_AMOUNT,
    Confidence,
    Consumable,
    CrewMember,
    Duration,
    Emergency,
    Hardware,
    Limit,
    Orbit,
    Plan,
    Round,
    Step,
    Task,
    Window,
    Within,
)
from tracker.plan.rules import DEFAULT_EFFORTS, USUAL_EFFORT, step_id
from tracker.plan.scalars import ALONE
from tracker.plan.schema import ConsumableFile, PlanFile, StepFile, TaskFile, TimeFile, WindowFile
from tracker.plan.timeline import last_sites

USUAL_WORK = "general"
USUAL_CONFIDENCE = 0.9
READING_PARTS = 100
"""How exact a reading is without `reading_sd`: the start by so many, which has no more digits than it."""


def build_plan(file: PlanFile, source: str, name: str, path: str) -> Plan:
    """The plan of a file."""
    crew = tuple(CrewMember(m.id, m.name or m.id, m.outside) for m in file.crew)
    outside = tuple(member.id for member in crew if member.outside)
    efforts = {**DEFAULT_EFFORTS, **file.efforts}
    tasks = tuple(build_task(task, efforts) for task in file.tasks)
    sites = {name: site.home for name, site in file.sites.items()}
    return Plan(
        excursion=file.excursion,
        zero=file.zero,
        zero_planned=file.zero_planned,
        limits=tuple(
            Limit(name, limit.at, tuple(limit.crew or outside)) for name, limit in file.limits.items()
        ),
        confidence=_confidence(file),
        crew=crew,
        rest_w=efforts["rest"],
        efforts=efforts,
        consumables=tuple(_consumable(store, outside) for store in file.consumables),
        windows=tuple(build_window(window) for window in file.windows),
        sites=sites,
        tasks=with_ways_home(tasks, sites, [member.id for member in crew]),
        source=source,
        name=name,
        file=path,
        assisted={name: site.assisted for name, site in file.sites.items() if site.assisted is not None},
        rounds=tuple(Round(one.id, one.every, tuple(one.ask)) for one in file.rounds),
        hardware=tuple(Hardware(one.id, one.title or one.id, one.origin) for one in file.hardware),
        emergency=Emergency(file.emergency.supply, file.emergency.lock) if file.emergency else None,
    )


def _confidence(file: PlanFile) -> Confidence:
    given = file.confidence
    if given.joint is not None:
        return Confidence(given.joint, given.joint, True)
    return Confidence(given.elapsed or USUAL_CONFIDENCE, given.consumables or USUAL_CONFIDENCE, False)


def _consumable(store: ConsumableFile, outside: tuple[str, ...]) -> Consumable:
    energy = per_megajoule(store.model, store.unit) if store.model else store.per_megajoule or 0.0
    amounts = {
        "start": store.start,
        "reserve": store.reserve,
        "per_hour": store.per_hour or 0.0,
        "per_megajoule": energy,
        "reading_sd": store.start / READING_PARTS if store.reading_sd is None else store.reading_sd,
    }
    large = ", ".join(f"{key} {value:g}" for key, value in amounts.items() if value > MOST_AMOUNT)
    cut = f"{large} in the plan is beyond anything that runs down; taken as {MOST_AMOUNT:g}"
    return Consumable(
        id=store.id,
        unit=store.unit,
        **{key: min(value, MOST_AMOUNT) for key, value in amounts.items()},
        model=store.model,
        crew=tuple(store.crew or outside),
        shared=store.shared,
        cut=cut if large else "",
    )


def build_window(window: WindowFile) -> Window:
    """A window of a file."""
    if window.orbit is not None:
        orbit = Orbit(window.orbit.altitude, window.orbit.beta, window.orbit.first_sunrise)
        return Window(window.id, (), orbit, window.kind or "light")
    spans = tuple((a, b) for a, b in window.open or ())
    return Window(window.id, spans, kind=window.kind or "other")  # type: ignore[arg-type]


def build_task(task: TaskFile, efforts: Mapping[str, float]) -> Task:
    """A task of a file."""
    title = task.title or task.id
    return Task(
        id=task.id,
        title=title,
        priority=task.priority or "must",
        value=1.0 if task.value is None else task.value,
        needs=tuple(task.needs),
        closeout=task.closeout,
        steps=tuple(
            _step(step, step_id(task.id, step, i), task.id, title, efforts)
            for i, step in enumerate(task.steps)
        ),
    )


def _step(step: StepFile, whole: str, task: str, title: str, efforts: Mapping[str, float]) -> Step:
    def watts(level: float | str) -> float:
        return efforts[level] if isinstance(level, str) else level

    usual = watts(step.effort.get(ALONE, USUAL_EFFORT))
    return Step(
        id=whole,
        task=task,
        do=step.do or title,
        crew=tuple(step.crew),
        time=_duration(step.time),
        fixed=step.fixed,
        count=step.count,
        effort={member: watts(step.effort.get(member, usual)) for member in step.crew},
        default_effort=usual,
        use=dict(step.use),
        work=step.work,
        site=step.site,
        needs=tuple(step.needs),
        windows=tuple(step.window),
        whole=step.whole,
        hold_point=step.hold_point,
        opens=tuple(step.opens),
        closes=tuple(step.closes),
        within=Within(step.within.of, step.within.time) if step.within else None,
        cautions=tuple(step.cautions),
        numbers=dict(step.numbers),
        takes=tuple(step.takes),
        leaves=dict(step.leaves),
        brings=tuple(step.brings),
    )


def task_data(task: Task) -> dict[str, Any]:
    """A task as a plan file has it, in plain data: what `parse_task` makes the same task of."""
    own = {
        "id": task.id,
        "title": task.title,
        "priority": None if task.closeout else task.priority,
        "value": None if task.value == 1 else task.value,
        "needs": list(task.needs),
        "closeout": task.closeout,
        "steps": [step_data(step) for step in task.steps],
    }
    return {key: value for key, value in own.items() if value not in (None, [], False)}


def step_data(step: Step) -> dict[str, Any]:
    """A step as a plan file has it, in plain data; what is as usual is left out."""
    alike = set(step.effort.values()) <= {step.default_effort}
    within = step.within and {"of": step.within.of, "time": format_exact(step.within.time)}
    own = {
        "id": step.id.partition(".")[2],
        **{key: getattr(step, key) for key in ("do", "fixed", "site", "whole", "hold_point")},
        **{key: list(getattr(step, key)) for key in _LISTS},
        **{key: dict(getattr(step, key)) or None for key in ("use", "numbers", "leaves")},
        "time": _time_data(step.time),
        "count": None if step.count == 1 else step.count,
        "effort": step.default_effort if alike else dict(step.effort),
        "work": None if step.work == USUAL_WORK else step.work,
        "window": list(step.windows),
        "within": within,
    }
    return {key: value for key, value in own.items() if value not in (None, [], False)}


_LISTS = ("crew", "needs", "opens", "closes", "cautions", "takes", "brings")
"""Keys of a step that are lists of texts."""


def _time_data(time: Duration) -> str | dict[str, str]:
    if time.home:
        return "home"
    if time.low is None or time.high is None:
        return format_exact(time.likely)
    return {key: format_exact(getattr(time, key)) for key in ("low", "likely", "high")}


def _duration(time: TimeFile) -> Duration:
    if time.home:
        return Duration(likely=1, home=True)
    assert time.likely is not None
    return Duration(time.likely, time.low, time.high)


def with_ways_home(
    tasks: tuple[Task, ...], sites: Mapping[str, int], crew: Iterable[str]
) -> tuple[Task, ...]:
    """The tasks with the way home on paper: from the last site of each step's crew, the longest."""
    step = {step.id: step for task in tasks for step in task.steps}
    if not any(s.time.home for s in step.values()):
        return tasks
    orders = {m: [step[s] for s in order] for m, order in crew_orders(tasks, crew).items()}
    ways = {s: max(1, *(sites[site] for site in found)) for s, found in last_sites(orders).items()}
    return tuple(
        replace(
            task,
            steps=tuple(
                replace(s, time=replace(s.time, likely=ways.get(s.id, 1))) if s.time.home else s
                for s in task.steps
            ),
        )
        for task in tasks
    )
