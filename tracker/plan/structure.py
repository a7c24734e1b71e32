"""Faults of a plan's network: circles, and what ends before it begins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from tracker.plan.build import build_task
from tracker.plan.graph import before_each, circles, crew_orders, step_needs
from tracker.plan.known import each_step
from tracker.plan.model import Task
from tracker.plan.node import Loc, Tree
from tracker.plan.schema import PlanFile
from tracker.plan.timeline import last_sites

Before = dict[str, dict[str, str]]


def check_network(file: PlanFile, tree: Tree, efforts: Mapping[str, float]) -> None:
    """Note circles, and steps that stand before what they come after."""
    tasks = _each_once([build_task(task, lenient(efforts)) for task in file.tasks])
    places = step_places(file)
    orders = crew_orders(tasks, [member.id for member in file.crew])
    needs = step_needs(tasks)
    before = before_each(needs, orders)
    ordered = sorted(tasks, key=lambda task: task.closeout)
    knots = circles([step.id for task in ordered for step in task.steps], before)
    for circle in knots:
        _circle(tree, circle, before, needs, places, file)
    if not knots:
        _opened_first(tree, tasks, before, places)
        _clock_order(tree, tasks, before, places)
    step = {step.id: step for task in tasks for step in task.steps}
    closeout = {task.id: task.closeout for task in tasks}
    homes = last_sites({member: [step[s] for s in order] for member, order in orders.items()})
    for name, place in places.items() if "crew" not in tree.unsure else ():
        one = step.get(name)
        wanted = one is not None and one.time.home and one.crew and closeout[one.task]
        if wanted and name not in homes:
            what = "`home` has no site to start from: nobody of its crew works at one before"
            tree.report((*place, "time"), what, "give an earlier step a site, or write a time")


def step_places(file: PlanFile) -> dict[str, Loc]:
    """Return where each step stands; the first place, for an id that two of them have."""
    places: dict[str, Loc] = {}
    for _, whole, _, place in each_step(file.tasks):
        places.setdefault(whole, place)
    return places


def _each_once(tasks: list[Task]) -> list[Task]:
    """Return the tasks without those, and without steps, whose id came before: a fault of its own."""
    once: dict[str, Task] = {}
    for task in tasks:
        first = {step.id: step for step in reversed(task.steps)}
        own = tuple(step for step in task.steps if first[step.id] is step)
        once.setdefault(task.id, replace(task, steps=own))
    return list(once.values())


class _Any(dict[str, float]):
    """Efforts that are not known yet have been complained of elsewhere."""

    def __missing__(self, key: str) -> float:
        return 0.0


def lenient(efforts: Mapping[str, float]) -> Mapping[str, float]:
    """Return efforts by name in which every name is known."""
    return _Any(efforts)


def _circle(
    tree: Tree,
    circle: list[str],
    before: Before,
    needs: Mapping[str, tuple[str, ...]],
    places: Mapping[str, Loc],
    file: PlanFile,
) -> None:
    following = [*circle[1:], circle[0]]
    words = ", ".join(f"{step} {before[step][prev]}" for step, prev in zip(circle, following, strict=True))
    links = [(s, prev) for s, prev in zip(circle, following, strict=True) if prev in needs[s]]
    at: Loc = places[circle[0]]
    for step, prev in links:
        found = _need_place(tree, places[step], prev, file)
        if found is not None:
            at = found
            break
    node = tree.find(at)
    if not any((fault.line, fault.column) == (node.line, node.column) for fault in tree.faults):
        tree.report(at, f"a circle: {words}", "leave one need out, or change the order of the tasks")


def _need_place(tree: Tree, place: Loc, need: str, file: PlanFile) -> Loc | None:
    """Return where a step, or else its task, says that it needs a step or that step's task."""
    task, _, _ = need.partition(".")
    for at in ((*place, "needs"), (*place[:2], "needs")):
        node = tree.find(at)
        for i, item in enumerate(node.items if node.path.endswith("needs") else ()):
            if item.text in (need, task):
                return (*at, i)
    return None


def _behind(step: str, before: Before) -> set[str]:
    """Return everything that comes before a step."""
    seen: set[str] = set()
    todo = [step]
    while todo:
        for earlier in before.get(todo.pop(), ()):
            if earlier not in seen:
                seen.add(earlier)
                todo.append(earlier)
    return seen


def _opened_first(tree: Tree, tasks: list[Task], before: Before, places: Mapping[str, Loc]) -> None:
    steps = [step for task in tasks for step in task.steps]
    closer = {item: step.id for step in steps for item in step.closes}
    for step in steps:
        for i, item in enumerate(step.opens):
            closing = closer.get(item)
            if closing is not None and closing != step.id and closing in _behind(step.id, before):
                what = f"{item!r} is closed by {closing}, which comes before it is opened"
                tree.report(
                    (*places[step.id], "opens", i), what, "change the order, or the step that closes it"
                )


def _clock_order(tree: Tree, tasks: list[Task], before: Before, places: Mapping[str, Loc]) -> None:
    for task in tasks:
        for step in task.steps:
            if step.within and step.within.of in before and step.id in _behind(step.within.of, before):
                what = f"{step.within.of} comes after this step, so its clock starts too late"
                tree.report((*places[step.id], "within", "of"), what, "name an earlier step")
