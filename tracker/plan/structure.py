"""Faults that show only in the whole of a plan, when its needs, orders and windows are followed.

Circles, items that are closed before they are opened, clocks that start too late, a way home from nowhere,
and steps for which a window never opens: at no time at all, not for long enough, or not late enough.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from tracker.foundation.times import calendar_fault, format_pet
from tracker.plan.build import build_task, build_window
from tracker.plan.graph import around, before_each, circles, closure, crew_orders, step_needs
from tracker.plan.hardware import moves
from tracker.plan.model import MOST_AMOUNT, Plan, Task
from tracker.plan.rules import each_step
from tracker.plan.schema import PlanFile
from tracker.plan.timeline import Timeline, as_planned, beyond, horizon_s, last_sites, starts_on_paper
from tracker.plan.windows import Intervals, openings
from tracker.plan.yaml_tree import Loc, Tree

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
    """The place of each step; the first place, for an id that two of them have."""
    places: dict[str, Loc] = {}
    for _, whole, _, place in each_step(file.tasks):
        places.setdefault(whole, place)
    return places


def _each_once(tasks: list[Task]) -> list[Task]:
    """The tasks without those, and without steps, whose id came before: a fault of its own."""
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
    """Efforts by name in which every name is known."""
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
    links = [(s, prev) for s, prev in zip(circle, following, strict=True) if prev in needs[s]]
    at: Loc = places[circle[0]]
    for step, prev in links:
        found = _need_place(tree, places[step], prev, file)
        if found is not None:
            at = found
            break
    node = tree.find(at)
    if not any((fault.line, fault.column) == (node.line, node.column) for fault in tree.faults):
        tree.report(
            at, f"a circle: {around(circle, before)}", "leave one need out, or change the order of the tasks"
        )


def _need_place(tree: Tree, place: Loc, need: str, file: PlanFile) -> Loc | None:
    """The place at which a step, or else its task, says that it needs a step or that step's task."""
    task, _, _ = need.partition(".")
    for at in ((*place, "needs"), (*place[:2], "needs")):
        node = tree.find(at)
        for i, item in enumerate(node.items if node.path.endswith("needs") else ()):
            if item.text in (need, task):
                return (*at, i)
    return None


def _behind(step: str, before: Before) -> Collection[str]:
    """Everything that comes before a step."""
    return closure(before[step], before.__getitem__)


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
    """The openings of each window without a fault, with zero as planned."""
    zero, elapsed = file.zero_planned, file.limits.get("elapsed")
    end = horizon_s([elapsed.at] if elapsed is not None else [], zero)
    found: dict[str, Intervals] = {}
    for i, window in enumerate(file.windows):
        path = tree.find(("windows", i)).path
        if any(fault.path == path or fault.path.startswith(f"{path}.") for fault in tree.faults):
            continue
        built = build_window(window)
        found[window.id] = openings(built, zero=zero, zero_planned=zero, seen=None, horizon_s=end)
    return found


def check_bounds(file: PlanFile, tree: Tree) -> None:
    """Note every limit that no excursion can reach, and every amount that no store can have."""
    for i, store in enumerate(file.consumables):
        for key in ("start", "reserve", "per_hour", "per_megajoule", "reading_sd"):
            value = getattr(store, key)
            if value is not None and value > MOST_AMOUNT:
                what = f"{value:g} is beyond anything that runs down"
                tree.report(("consumables", i, key), what, f"write a number up to {MOST_AMOUNT:g}")
    zero, elapsed = file.zero_planned, file.limits.get("elapsed")
    if zero is not None and (wrong := calendar_fault(zero)):
        tree.report(("zero_planned",), wrong, "check its year")
    end = horizon_s([elapsed.at] if elapsed is not None else [], zero)
    for name, limit in file.limits.items():
        path = tree.find(("limits", name)).path
        sound = not any(fault.path == path or fault.path.startswith(f"{path}.") for fault in tree.faults)
        if sound and (wrong := beyond(limit.at, zero, end)):
            tree.report(("limits", name, "at"), wrong, "check its day and year, and those of `zero_planned`")


def check_windows(plan: Plan, file: PlanFile, tree: Tree) -> None:
    """Note every step that cannot be reached on paper before its windows close for good."""
    places = step_places(file)
    for name in as_planned(plan).shut_out:
        late = _still_shut_out(plan, name)
        if late is not None:
            what = f"{_names(plan.step[name].windows)} never opens for this step: it closes before"
            right = "open it later, or bring the step forward"
            tree.report((*places[name], "window"), f"{what} {_arrival(late, name)}, on paper", right)


def check_whereabouts(plan: Plan, file: PlanFile, tree: Tree) -> None:
    """Note every step that takes what somebody has, or puts down or brings what its crew has not."""
    places = step_places(file)
    for move in moves(plan):
        if move.wrong:
            tree.report((*places[move.step], move.key, move.place), *move.wrong)


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
    """The course with only what a step needs, when the step is shut out even there."""

    def needed(task: str) -> Iterator[str]:
        own = plan.task[task]
        for need in (*own.needs, *(n for step in own.steps for n in step.needs)):
            yield need if need in plan.task else plan.step[need].task

    course = as_planned(plan, closure([plan.step[name].task], needed))
    return course if name in course.shut_out else None


def _arrival(course: Timeline, name: str) -> str:
    ends = [
        course.finish[order[order.index(name) - 1]]
        for order in course.order.values()
        if name in order and order.index(name)
    ]
    return f"the crew is there at {format_pet(max(ends, default=0.0))} or later" if ends else "it can begin"
