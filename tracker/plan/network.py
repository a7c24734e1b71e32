"""Faults of a plan's network: circles, what ends before it begins, windows that never open in time."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.plan.build import build_task
from tracker.plan.known import each_step
from tracker.plan.model import Plan, Task
from tracker.plan.order import before_each, circles, crew_orders, step_needs
from tracker.plan.schema import PlanFile
from tracker.plan.timeline import Timeline, as_planned, last_sites, starts_on_paper, windows_on_paper
from tracker.plan.tree import Loc, Tree

Before = dict[str, dict[str, str]]


def check_network(file: PlanFile, tree: Tree, efforts: Mapping[str, float]) -> None:
    """Note circles, and steps that stand before what they come after."""
    tasks = [build_task(task, _lenient(efforts)) for task in file.tasks]
    places = {whole: place for _, whole, _, place in each_step(file.tasks)}
    if len(places) < sum(len(task.steps) for task in tasks):
        return
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
        wanted = step[name].time.home and step[name].crew and closeout[step[name].task]
        if wanted and name not in homes:
            what = "`home` has no site to start from: nobody of its crew works at one before"
            tree.report((*place, "time"), what, "give an earlier step a site, or write a time")


class _Any(dict[str, float]):
    """Efforts that are not known yet have been complained of elsewhere."""

    def __missing__(self, key: str) -> float:
        return 0.0


def _lenient(efforts: Mapping[str, float]) -> Mapping[str, float]:
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


def check_windows(plan: Plan, file: PlanFile, tree: Tree) -> None:
    """Note every step for which its windows never open: not at all, not long enough, or too early."""
    places = {whole: place for _, whole, _, place in each_step(file.tasks)}
    windows = windows_on_paper(plan)
    hopeless = set()
    for step in plan.step.values():
        if step.windows and not any(end > 0 for _, end in starts_on_paper(step, windows)):
            hopeless.add(step.id)
            tree.report((*places[step.id], "window"), *_hopeless(step.windows, step.whole))
    if hopeless:
        return
    everything = as_planned(plan)
    for name in everything.shut_out:
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
    from tracker.foundation.times import format_pet

    ends = [
        course.finish[order[order.index(name) - 1]]
        for order in course.order.values()
        if name in order and order.index(name)
    ]
    return f"the crew is there at {format_pet(max(ends, default=0.0))} or later" if ends else "it can begin"
