"""Steps for which a window never opens: at no time at all, not for long enough, or not late enough."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.foundation.times import format_pet
from tracker.plan.build import build_task, build_window
from tracker.plan.model import Plan
from tracker.plan.node import Tree
from tracker.plan.schema import PlanFile
from tracker.plan.structure import lenient, step_places
from tracker.plan.timeline import HORIZON_LIMITS, Timeline, as_planned, starts_on_paper
from tracker.plan.windows import Intervals, openings

_DAY_S = 86_400


def check_openings(file: PlanFile, tree: Tree, efforts: Mapping[str, float]) -> None:
    """Note every step whose windows never open for it, whenever the crew is there."""
    places, windows = step_places(file), _sound_windows(file, tree)
    seen: set[str] = set()
    for task in file.tasks:
        for step in build_task(task, lenient(efforts)).steps:
            if step.id in seen or not step.windows or not windows.keys() >= set(step.windows):
                continue
            seen.add(step.id)
            if not any(end > 0 for _, end in starts_on_paper(step, windows)):
                tree.report((*places[step.id], "window"), *_hopeless(step.windows, step.whole))


def _sound_windows(file: PlanFile, tree: Tree) -> dict[str, Intervals]:
    """Return when each window without a fault is open, with zero as planned."""
    zero = file.zero_planned
    found: dict[str, Intervals] = {}
    for i, window in enumerate(file.windows):
        path = tree.find(("windows", i)).path
        if any(fault.path == path or fault.path.startswith(f"{path}.") for fault in tree.faults):
            continue
        built = build_window(window)
        found[window.id] = openings(
            built, zero=zero, zero_planned=zero, seen=None, horizon_s=_horizon_s(file)
        )
    return found


def _horizon_s(file: PlanFile) -> float:
    limit, zero = file.limits.get("elapsed"), file.zero_planned
    at = limit.at if limit is not None else 0
    seconds = at if isinstance(at, int) else (at - zero).total_seconds() if zero is not None else 0.0
    return HORIZON_LIMITS * (seconds if seconds > 0 else _DAY_S)


def check_windows(plan: Plan, file: PlanFile, tree: Tree) -> None:
    """Note every step that cannot be reached on paper before its windows close for good."""
    places = step_places(file)
    for name in as_planned(plan).shut_out:
        late = _still_shut_out(plan, name)
        if late is not None:
            what = f"{_names(plan.step[name].windows)} never opens for this step: it closes before"
            right = "open it later, or bring the step forward"
            tree.report((*places[name], "window"), f"{what} {_arrival(late, name)}, on paper", right)


def _hopeless(windows: tuple[str, ...], whole: bool) -> tuple[str, str]:
    names = _names(windows)
    if len(windows) > 1:
        return f"{names} are never open together" + (" long enough" if whole else ""), "name fewer windows"
    if whole:
        return f"{names} never opens long enough for the whole step", "leave out `whole`, or shorten the step"
    return f"{names} never opens after zero", "open it later, or leave it out"


def _names(windows: tuple[str, ...]) -> str:
    return " and ".join(repr(window) for window in windows)


def _still_shut_out(plan: Plan, name: str) -> Timeline | None:
    """Return the course with only what a step needs, when the step is shut out even there."""
    wanted: set[str] = set()
    todo = [plan.step[name].task]
    while todo:
        task = todo.pop()
        if task in wanted:
            continue
        wanted.add(task)
        own = plan.task[task]
        for need in (*own.needs, *(n for step in own.steps for n in step.needs)):
            todo.append(need if need in plan.task else plan.step[need].task)
    course = as_planned(plan, wanted)
    return course if name in course.shut_out else None


def _arrival(course: Timeline, name: str) -> str:
    ends = [
        course.finish[order[order.index(name) - 1]]
        for order in course.order.values()
        if name in order and order.index(name)
    ]
    return f"the crew is there at {format_pet(max(ends, default=0.0))} or later" if ends else "it can begin"
