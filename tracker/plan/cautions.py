"""Warnings about a plan that can be flown, but perhaps not as its author means."""

from __future__ import annotations

from tracker.foundation.times import format_pet
from tracker.plan.faults import Fault
from tracker.plan.model import Plan
from tracker.plan.node import Loc, Tree
from tracker.plan.supplies import SHARED, supplies
from tracker.plan.timeline import Timeline, as_planned, pet_on_paper, windows_on_paper
from tracker.plan.windows import together
from tracker.plan.yaml_tree import read_tree


def plan_warnings(plan: Plan) -> tuple[Fault, ...]:
    """Return every warning that needs no forecast, in file order."""
    tree = read_tree(plan.source.removeprefix("\ufeff"), plan.file or plan.name)
    _without_planned_zero(plan, tree)
    must = as_planned(plan, optional=False)
    _limits(plan, tree, must)
    _supplies(plan, tree, must)
    _clocks(plan, tree)
    _too_long(plan, tree)
    _light_use(plan, tree)
    return tuple(sorted(tree.faults, key=lambda fault: (fault.line, fault.column)))


def _without_planned_zero(plan: Plan, tree: Tree) -> None:
    if plan.zero_planned is not None:
        return
    for i, window in enumerate(plan.windows):
        first = window.orbit.first_sunrise if window.orbit else window.open[0][0]
        if isinstance(first, int):
            what = "is in PET without `zero_planned`: it moves with the actual zero"
            tree.report(("windows", i, "id"), what, "write zero_planned, since the sky does not wait")
        else:
            what = "is in UTC without `zero_planned`: on paper it is taken as always open"
            tree.report(("windows", i, "id"), what, "write zero_planned")
    for name, at in ((limit.name, limit.at) for limit in plan.limits):
        if not isinstance(at, int):
            what = "is in UTC without `zero_planned`: it has no place on paper"
            tree.report(("limits", name), what, "write zero_planned")


def _limits(plan: Plan, tree: Tree, must: Timeline) -> None:
    for limit in plan.limits:
        at = pet_on_paper(plan, limit.at)
        inside = max((must.inside[c] for c in limit.crew), default=0.0)
        if at is not None and inside > at:
            what = (
                f"must work alone ends at {format_pet(inside)} on paper, {format_pet(inside - at)} too late"
            )
            tree.report(("limits", limit.name), what, "take work out, or plan it shorter")


def _supplies(plan: Plan, tree: Tree, must: Timeline) -> None:
    order = [consumable.id for consumable in plan.consumables]
    for supply in supplies(plan, must):
        if supply.at_inside < supply.reserve:
            who = "the crew" if supply.crew == SHARED else supply.crew
            what = (
                f"must work alone leaves {who} {supply.at_inside:.3g} {supply.unit} on paper, "
                f"below the reserve of {supply.reserve:g}"
            )
            tree.report(
                ("consumables", order.index(supply.consumable)), what, "take work out, or start with more"
            )


def places(plan: Plan) -> dict[str, Loc]:
    """Return where each step stands in the file."""
    return {
        step.id: ("tasks", i, "steps", j)
        for i, task in enumerate(plan.tasks)
        for j, step in enumerate(task.steps)
    }


def _clocks(plan: Plan, tree: Tree) -> None:
    at, course = places(plan), as_planned(plan)
    for step in plan.step.values():
        if step.within is None or step.id in course.lost:
            continue
        took = course.finish[step.id] - course.finish[step.within.of]
        if took > step.within.time:
            what = (
                f"{format_pet(took, with_seconds=took % 60 != 0)} pass on paper from the done of "
                f"{step.within.of} to the done of this step"
            )
            tree.report((*at[step.id], "within", "time"), what, "allow more, or bring the steps together")


def _too_long(plan: Plan, tree: Tree) -> None:
    at, windows = places(plan), windows_on_paper(plan)
    for step in plan.step.values():
        if not step.windows or step.whole:
            continue
        longest = max(
            (end - max(start, 0.0) for start, end in together([windows[w] for w in step.windows])), default=0
        )
        if step.time.likely > longest:
            names = " with ".join(repr(name) for name in step.windows)
            what = f"the step takes {format_pet(step.time.likely)}, longer than any opening of {names}"
            tree.report((*at[step.id], "window"), what, "split the step, or leave the window out")


def _light_use(plan: Plan, tree: Tree) -> None:
    """Warn of steps that use less than waiting does: rest is meant to be the least."""
    at = places(plan)
    for step in plan.step.values():
        for name, factor in step.use.items():
            store = plan.consumable[name]
            waiting = store.per_hour / 3600 + store.per_megajoule * plan.rest_w / 1e6
            least = min((step.effort_of(c) for c in step.crew if c in plan.outside), default=plan.rest_w)
            if factor * (store.per_hour / 3600 + store.per_megajoule * least / 1e6) < waiting:
                what = f"the step takes less {name} than waiting does"
                tree.report((*at[step.id], "use", name), what, "make sure that this is meant")
