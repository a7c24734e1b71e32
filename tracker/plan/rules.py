"""What the head of a plan says of itself: crew, limits, consumables, efforts, windows, sites."""

from __future__ import annotations

from tracker.plan.known import ABOVE_REST, ANOTHER, DEFAULT_EFFORTS, MOST_WATTS, Known, people
from tracker.plan.metabolism import UNITS
from tracker.plan.node import Loc, Tree
from tracker.plan.scalars import is_id
from tracker.plan.schema import ConsumableFile, PlanFile
from tracker.plan.task_rules import check_items, check_tasks


def check_plan(file: PlanFile, tree: Tree) -> Known:
    """Note every fault between the parts of a plan, and return what is known in it."""
    known = Known(efforts={**DEFAULT_EFFORTS, **file.efforts})
    _crew(file, tree, known)
    _consumables(file, tree, known)
    _efforts(file, tree)
    _windows(file, tree, known)
    for name in file.sites:
        _named(tree, ("sites", name), name)
    known.sites = set(file.sites)
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
            tree.report(
                (*at, "id"), f"{store.id!r} is already the id of a consumable", "give this one another id"
            )
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
    elif not store.per_hour and not store.per_megajoule and not _negative(store):
        right = "write per_hour, per_megajoule or model"
        tree.report(at, "nothing says how fast it runs down", right)


def _negative(store: ConsumableFile) -> bool:
    return (store.per_hour or 0) < 0 or (store.per_megajoule or 0) < 0


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
            tree.report(
                (*at, "id"), f"{window.id!r} is already the id of a window", "give this one another id"
            )
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
