"""What one part of a plan says of another: every rule that a single value cannot be held against.

The head (crew, limits, consumables, efforts, windows, sites) is looked at first, since tasks and steps refer
to it; then tasks and steps, which refer to one another by ids, needs and open items. Each fault is noted in
the tree, and what was taken out as faulty before is not complained of again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from tracker.foundation.times import format_exact
from tracker.plan.complaints import nearest
from tracker.plan.metabolism import UNITS
from tracker.plan.model import LOCK
from tracker.plan.scalars import ALONE, is_id
from tracker.plan.schema import ConsumableFile, PlanFile, StepFile, TaskFile
from tracker.plan.yaml_tree import Loc, Tree

DEFAULT_EFFORTS = {"rest": 120.0, "light": 200.0, "moderate": 300.0, "heavy": 450.0}
USUAL_EFFORT = "light"
MOST_WATTS = 2000.0
ANOTHER = "give this one another id"
OFTENEST_S = 60
"""A round is due once a minute at most."""


@dataclass(slots=True)
class Known:
    """Ids that something may refer to, and what has been said of open items."""

    crew: dict[str, bool] = field(default_factory=dict)
    """Id to whether they go outside."""
    consumables: set[str] = field(default_factory=set)
    windows: set[str] = field(default_factory=set)
    sites: set[str] = field(default_factory=set)
    hardware: set[str] = field(default_factory=set)
    efforts: dict[str, float] = field(default_factory=dict)
    tasks: dict[str, str] = field(default_factory=dict)
    """Id to `must`, `should`, `get-ahead` or `closeout`."""
    steps: dict[str, str] = field(default_factory=dict)
    """Id to the task's id."""
    openers: dict[str, list[Loc]] = field(default_factory=dict)
    closers: dict[str, list[Loc]] = field(default_factory=dict)


def step_id(task: str, step: StepFile, index: int) -> str:
    """The whole id of a step."""
    return f"{task}.{step.id if step.id is not None else index + 1}"


def kind_of(task: TaskFile) -> str:
    """Return `closeout`, or the task's priority."""
    return "closeout" if task.closeout else task.priority or "must"


def each_step(
    tasks: Iterable[TaskFile], at: Loc = ("tasks",)
) -> Iterator[tuple[TaskFile, str, StepFile, Loc]]:
    """Yield every step with its task, whole id and location."""
    for i, task in enumerate(tasks):
        for j, step in enumerate(task.steps):
            yield task, step_id(task.id, step, j), step, (*at, i, "steps", j)


ABOVE_REST = "nobody works below rest; raise it or lower efforts.rest"


def people(tree: Tree, at: Loc, crew: list[str], known: Known, outside: str = "") -> None:
    """Note faults of a list of crew members; `outside` says why one inside does not belong there."""
    node = tree.find(at)
    if not crew and not node.stand_in:
        tree.report(at, "names nobody", "write [EV1]")
    for i, member in enumerate(crew):
        if member not in known.crew:
            if "crew" not in tree.unsure:
                tree.report((*at, i), f"there is no crew member {member!r}", nearest(member, known.crew))
        elif outside and not known.crew[member]:
            tree.report((*at, i), f"{member!r} is inside and {outside}", "name crew members outside")
        if member in crew[:i]:
            tree.report((*at, i), f"{member!r} is named twice", "name each once")


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
            tree.report((*at, i, "id"), f"{task.id!r} is already the id of a task", ANOTHER)
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
    for name in step.numbers:
        _named(tree, (*at, "numbers", name), name)
    _carried(tree, at, step, known)
    for key, seen in (("opens", known.openers), ("closes", known.closers)):
        for i, item in enumerate(getattr(step, key)):
            seen.setdefault(item, []).append((*at, key, i))


def _carried(tree: Tree, at: Loc, step: StepFile, known: Known) -> None:
    """Note faults of the hardware that a step takes, leaves and brings, each by itself."""
    for key in ("takes", "brings"):
        listed = getattr(step, key)
        for i, name in enumerate(listed):
            _member(tree, (*at, key, i), name, known.hardware, "hardware", "hardware")
            if name in listed[:i]:
                tree.report((*at, key, i), f"{name!r} is named twice", "name each once")
    for name, site in step.leaves.items():
        place = (*at, "leaves", name)
        if name not in known.hardware and "hardware" not in tree.unsure:
            right = nearest(name, sorted(known.hardware)) or "the plan has no hardware"
            tree.report_key(place, f"there is no hardware {name!r}", right)
        elif name in step.brings:
            tree.report_key(place, f"{name!r} is brought back by the same step", "keep one of the two")
        elif site == LOCK and LOCK not in known.sites:
            tree.report(place, "the lock is no site to leave it at", f"write brings: [{name}]")
        else:
            _member(tree, place, site, known.sites, "site", "sites")


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


def check_plan(file: PlanFile, tree: Tree) -> Known:
    """Note every fault between the parts of a plan, and return what is known in it."""
    known = Known(efforts={**DEFAULT_EFFORTS, **file.efforts})
    _crew(file, tree, known)
    _consumables(file, tree, known)
    _efforts(file, tree)
    _windows(file, tree, known)
    _sites(file, tree, known)
    _rounds(file, tree)
    _hardware(file, tree, known)
    _limits(file, tree, known)
    _confidence(file, tree)
    if not file.tasks and "tasks" not in tree.unsure:
        tree.report(("tasks",), "is empty", "write at least one task")
    check_tasks(file.tasks, tree, known)
    check_items(tree, known)
    return known


def _crew(file: PlanFile, tree: Tree, known: Known) -> None:
    for i, member in enumerate(file.crew):
        at = ("crew", i, "id")
        if member.id in known.crew:
            tree.report(at, f"{member.id!r} is already the id of a crew member", ANOTHER)
            tree.unsure.add("crew")
        if member.id in ("all", "spread"):
            tree.report(
                at, f"{member.id!r} is kept for everybody together", "give this crew member another id"
            )
        known.crew[member.id] = member.outside
    if "crew" in tree.unsure:
        return
    if not file.crew:
        tree.report(("crew",), "is empty", "write crew: [{id: EV1, name: Lead}]")
    elif not any(known.crew.values()):
        tree.report(("crew",), "nobody goes outside", "leave `outside: false` out for those who do")


def _consumables(file: PlanFile, tree: Tree, known: Known) -> None:
    for i, store in enumerate(file.consumables):
        at: Loc = ("consumables", i)
        if store.id in known.crew:
            right = "crew and consumables share their ids: give this one another"
            tree.report((*at, "id"), f"{store.id!r} is already the id of a crew member", right)
            tree.unsure.add("consumables")
        elif store.id in known.consumables:
            tree.report((*at, "id"), f"{store.id!r} is already the id of a consumable", ANOTHER)
        known.consumables.add(store.id)
        if store.crew is not None:
            people(tree, (*at, "crew"), store.crew, known, outside="uses no consumables")
        _store(tree, at, store)


def _store(tree: Tree, at: Loc, store: ConsumableFile) -> None:
    for key in ("per_hour", "per_megajoule", "reserve", "reading_sd"):
        value = getattr(store, key)
        if value is not None and value < 0:
            tree.report((*at, key), f"{value:g} is negative", "write 0 or more")
    if store.start <= 0:
        tree.report(
            (*at, "start"), f"{store.start:g} is nothing to start with", "write what is there at zero"
        )
    elif store.reserve > store.start:
        what = f"{store.reserve:g} {store.unit} is more than the start, {store.start:g}"
        tree.report((*at, "reserve"), what, "write a reserve below the start")
    if store.model is not None:
        if store.per_megajoule is not None:
            tree.report(
                (*at, "per_megajoule"), "stands beside `model`, which gives it", "keep one of the two"
            )
        if store.unit not in UNITS:
            right = f"write {', '.join(UNITS)}, or per_megajoule instead of model"
            tree.report((*at, "unit"), f"{store.unit!r} is no mass, and `model` gives one", right)
    elif not store.per_hour and not store.per_megajoule:
        right = "write per_hour, per_megajoule or model"
        tree.report(at, "nothing says how fast it runs down", right)


def _efforts(file: PlanFile, tree: Tree) -> None:
    rest = file.efforts.get("rest", DEFAULT_EFFORTS["rest"])
    for name, watts in file.efforts.items():
        at = ("efforts", name)
        _named(tree, at, name)
        if not 0 < watts <= MOST_WATTS:
            tree.report(at, f"{watts:g} W is no metabolic rate", f"write watts, at most {MOST_WATTS:g}")
        elif watts < rest:
            tree.report(at, f"{watts:g} W is below rest, {rest:g} W", ABOVE_REST)


def _windows(file: PlanFile, tree: Tree, known: Known) -> None:
    for i, window in enumerate(file.windows):
        at: Loc = ("windows", i)
        if window.id in known.windows:
            tree.report((*at, "id"), f"{window.id!r} is already the id of a window", ANOTHER)
        known.windows.add(window.id)
        if window.open is not None and window.orbit is not None:
            tree.report_key((*at, "orbit"), "stands beside `open`", "keep one of the two")
        elif window.orbit is not None:
            _orbit(tree, (*at, "orbit"), window.orbit.altitude, window.orbit.beta)
        elif window.open is None:
            if "windows" not in tree.unsure:
                tree.report(at, "nothing says when it is open", "write open: [[0:00, 0:47]], or orbit")
        elif not window.open:
            tree.report((*at, "open"), "is empty: it never opens", "write [[0:00, 0:47], [1:32, 2:19]]")
        else:
            _spans(tree, (*at, "open"), window.open)


def _orbit(tree: Tree, at: Loc, altitude: float, beta: float) -> None:
    if not 100 <= altitude <= 100_000:
        tree.report((*at, "altitude"), f"{altitude:g} km is no orbit", "write km above ground, 100 to 100000")
    if not -90 <= beta <= 90:
        tree.report((*at, "beta"), f"{beta:g} is no such angle", "write degrees from -90 to 90")


def _spans(tree: Tree, at: Loc, spans: list[list]) -> None:  # type: ignore[type-arg]
    kinds = {type(end) for span in spans for end in span}
    if len(kinds) > 1:
        tree.report(at, "mixes PETs and instants", "write all of a window's times one way")
        return
    for i, (start, end) in enumerate(spans):
        if start >= end:
            tree.report((*at, i), "ends before it begins", "write [from, to], from before to")


def _limits(file: PlanFile, tree: Tree, known: Known) -> None:
    if "elapsed" not in file.limits:
        tree.report_key(("limits", "elapsed"), "is missing", "write limits: {elapsed: 6:30}")
    everybody = {member for member, outside in known.crew.items() if outside}
    for name, limit in file.limits.items():
        at: Loc = ("limits", name)
        _named(tree, at, name)
        if isinstance(limit.at, int) and limit.at <= 0:
            tree.report((*at, "at"), "leaves no time", "write a PET after zero, such as 6:30")
        if limit.crew is None:
            continue
        people(tree, (*at, "crew"), limit.crew, known, outside="is not outside")
        if name == "elapsed" and set(limit.crew) != everybody and "crew" not in tree.unsure:
            tree.report((*at, "crew"), "`elapsed` binds everybody outside", "give this limit another name")


def _sites(file: PlanFile, tree: Tree, known: Known) -> None:
    for name, site in file.sites.items():
        _named(tree, ("sites", name), name)
        if site.assisted is not None and site.assisted < site.home:
            what = "is shorter than the way home alone"
            tree.report(("sites", name, "assisted"), what, f"write {format_exact(site.home)} or more")
    known.sites = set(file.sites)


def _rounds(file: PlanFile, tree: Tree) -> None:
    ids = [one.id for one in file.rounds]
    for i, one in enumerate(file.rounds):
        at: Loc = ("rounds", i)
        if one.id in ids[:i]:
            tree.report((*at, "id"), f"{one.id!r} is already the id of a round", ANOTHER)
        if one.every < OFTENEST_S:
            what = f"{format_exact(one.every)} is more often than anybody can ask"
            tree.report((*at, "every"), what, f"write {format_exact(OFTENEST_S)} or more, such as 0:30")
        if not one.ask and not tree.find((*at, "ask")).stand_in:
            tree.report((*at, "ask"), "asks nothing", "write ask: [oxygen, gloves]")
        for n, item in enumerate(one.ask):
            if item in one.ask[:n]:
                tree.report((*at, "ask", n), f"{item!r} is named twice", "name each once")


def _hardware(file: PlanFile, tree: Tree, known: Known) -> None:
    for i, one in enumerate(file.hardware):
        if one.id in known.hardware:
            tree.report(("hardware", i, "id"), f"{one.id!r} is already the id of hardware", ANOTHER)
        known.hardware.add(one.id)
        if one.origin != LOCK:
            _member(tree, ("hardware", i, "from"), one.origin, known.sites, "site", "sites")


def _confidence(file: PlanFile, tree: Tree) -> None:
    given = file.confidence
    nothing = given.joint is None and given.elapsed is None and given.consumables is None
    if nothing and "confidence" not in tree.unsure:
        tree.report(("confidence",), "is empty", "write 0.9, or {elapsed: 0.9, consumables: 0.99}")


def _named(tree: Tree, at: Loc, name: str) -> None:
    """Note a fault when the name of an entry is no id."""
    if not is_id(name):
        right = "write a letter, then letters, digits, _ or -, at most 40 in all"
        tree.report_key(at, f"{name!r} is not an id", right)
