"""What a plan's tasks and steps say of one another: ids, needs, crews, efforts, open items."""

from __future__ import annotations

from tracker.plan.complaints import nearest
from tracker.plan.known import ABOVE_REST, MOST_WATTS, Known, each_step, kind_of, people
from tracker.plan.node import Loc, Tree
from tracker.plan.schema import ALONE, StepFile, TaskFile


def check_tasks(tasks: list[TaskFile], tree: Tree, known: Known, at: Loc = ("tasks",)) -> None:
    """Note every fault of tasks and their steps, and add them to what is known."""
    _task_ids(tasks, tree, known, at)
    for i, task in enumerate(tasks):
        _task(tree, (*at, i), task)
        _needs(tree, (*at, i, "needs"), task, task.needs, known)
    for task, whole, step, place in each_step(tasks, at):
        _step(tree, place, task, step, known)
        _needs(tree, (*place, "needs"), task, step.needs, known)
        _within(tree, place, whole, step, known)


def _task_ids(tasks: list[TaskFile], tree: Tree, known: Known, at: Loc) -> None:
    for i, task in enumerate(tasks):
        if task.id in known.tasks:
            tree.report(
                (*at, i, "id"), f"{task.id!r} is already the id of a task", "give this one another id"
            )
        unclear = tree.find((*at, i, "priority")).stand_in
        known.tasks.setdefault(task.id, "unclear" if unclear else kind_of(task))
    for task, whole, _, place in each_step(tasks, at):
        if whole in known.steps and known.steps[whole] == task.id and not _twin(tasks, task):
            right = "give this one another id; a step without one is counted from 1"
            tree.report((*place, "id"), f"{whole!r} is already the id of a step", right)
        known.steps.setdefault(whole, task.id)


def _twin(tasks: list[TaskFile], task: TaskFile) -> bool:
    """Whether an earlier task has the same id: then that is the fault, not the ids of its steps."""
    return next(other for other in tasks if other.id == task.id) is not task


def _task(tree: Tree, at: Loc, task: TaskFile) -> None:
    unclear = tree.find((*at, "priority")).stand_in
    if task.closeout and task.priority is not None and not unclear:
        tree.report((*at, "priority"), "closeout always remains and has no priority", "leave it out")
    if task.value is not None and not unclear and (task.closeout or kind_of(task) == "must"):
        what = "closeout" if task.closeout else "a must"
        tree.report((*at, "value"), f"{what} is never dropped and needs no value", "leave it out")
    elif task.value is not None and not unclear and task.value <= 0:
        tree.report((*at, "value"), f"{task.value:g} is not above 0", "write a number above 0; 1 is usual")
    if not task.steps and not tree.find((*at, "steps")).stand_in:
        tree.report((*at, "steps"), "is empty", "write at least one step")


def _needs(tree: Tree, at: Loc, task: TaskFile, needs: list[str], known: Known) -> None:
    kind = known.tasks[task.id]
    for i, need in enumerate(needs):
        owner = need if need in known.tasks else known.steps.get(need)
        if need == task.id:
            tree.report((*at, i), f"{need!r} is this very task", "name another task, or a step of this one")
        elif owner is None:
            known_ids = [*known.steps, *known.tasks] if "." in need else [*known.tasks, *known.steps]
            near = nearest(need, [k for k in known_ids if k.split(".")[0] != task.id] + known_ids)
            tree.report((*at, i), f"there is no task or step {need!r}", near)
        elif known.tasks[owner] == "closeout" and kind != "closeout":
            what = f"{need!r} is closeout, and nothing may need closeout"
            tree.report((*at, i), what, "leave the need out, or make it part of closeout")
        elif known.tasks[owner] in ("should", "get-ahead") and kind in ("must", "closeout"):
            what = f"{need!r} is {known.tasks[owner]}, and a {kind} task may not hang on optional work"
            tree.report((*at, i), what, f"make {owner!r} a must, or leave the need out")
        if need in needs[:i]:
            tree.report((*at, i), f"{need!r} is named twice", "name each once")


def _step(tree: Tree, at: Loc, task: TaskFile, step: StepFile, known: Known) -> None:
    people(tree, (*at, "crew"), step.crew, known)
    _member(tree, (*at, "site"), step.site, known.sites, "site", "sites")
    for i, window in enumerate(step.window):
        _member(tree, (*at, "window", i), window, known.windows, "window", "windows")
    if step.whole and not step.window:
        tree.report((*at, "whole"), "there is no window to be whole in", "name a window, or leave it out")
    if step.time.home and not task.closeout:
        tree.report((*at, "time"), "`home` is a time for closeout only", "write a time such as 0:12")
    if step.work == "spread":
        tree.report(
            (*at, "work"), "'spread' is no kind of work: pace files use the word", "write another word"
        )
    _effort(tree, (*at, "effort"), step, known)
    for name, factor in step.use.items():
        place = (*at, "use", name)
        if name not in known.consumables:
            if "consumables" not in tree.unsure:
                tree.report_key(place, f"there is no consumable {name!r}", nearest(name, known.consumables))
        elif not 0 <= factor <= 1000:
            tree.report(place, f"{factor:g} is no factor", "write 1 for the usual use, 2.4 for more")
    for key, seen in (("opens", known.openers), ("closes", known.closers)):
        for i, item in enumerate(getattr(step, key)):
            seen.setdefault(item, []).append((*at, key, i))


def _effort(tree: Tree, at: Loc, step: StepFile, known: Known) -> None:
    for member, level in step.effort.items():
        place = at if member == ALONE else (*at, member)
        if member != ALONE and member not in step.crew and not tree.find((*at[:-1], "crew")).stand_in:
            right = f"its crew is {', '.join(step.crew)}"
            tree.report_key((*at, member), f"{member!r} is not in the crew of this step", right)
        if isinstance(level, str):
            if level not in known.efforts and "efforts" not in tree.unsure:
                tree.report(place, f"there is no effort {level!r}", nearest(level, known.efforts))
        elif not 0 < level <= MOST_WATTS:
            tree.report(place, f"{level:g} W is no metabolic rate", f"write watts, at most {MOST_WATTS:g}")
        elif level < known.efforts["rest"]:
            tree.report(place, f"{level:g} W is below rest, {known.efforts['rest']:g} W", ABOVE_REST)


def _within(tree: Tree, at: Loc, whole: str, step: StepFile, known: Known) -> None:
    if step.within is None:
        return
    of, place = step.within.of, (*at, "within", "of")
    if of == whole:
        tree.report(place, "a step cannot be timed from its own end", "name the step that starts the clock")
    elif of not in known.steps:
        own = [name for name, task in known.steps.items() if task == of]
        if own:
            tree.report(place, f"{of!r} is a task", f"name one of its steps: {', '.join(own[:6])}")
        else:
            tree.report(place, f"there is no step {of!r}", nearest(of, known.steps))


def check_items(tree: Tree, known: Known) -> None:
    """Note a fault for every open item without exactly one opener and one closer."""
    pairs: list[tuple[dict[str, list[Loc]], dict[str, list[Loc]], str, str]] = [
        (known.openers, known.closers, "opens", "closes"),
        (known.closers, known.openers, "closes", "opens"),
    ]
    for mine, others, does, undoes in pairs:
        for item, places in mine.items():
            for again in places[1:]:
                tree.report(
                    again,
                    f"another step already {does} {item!r}",
                    f"let exactly one step {does.removesuffix('s')} it",
                )
            if item not in others:
                near = nearest(item, [other for other in others if other not in mine])
                right = near if near.startswith("did") else f"let exactly one step have {undoes}: [{item}]"
                tree.report(places[0], f"no step {undoes} {item!r}", right)


def _member(tree: Tree, at: Loc, name: str | None, known: set[str], what: str, part: str) -> None:
    if name is not None and name not in known and part not in tree.unsure:
        right = nearest(name, sorted(known)) or f"the plan has no {part}"
        tree.report(at, f"there is no {what} {name!r}", right)
