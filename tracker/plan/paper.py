"""Everything that a plan says on paper, side by side: courses, limits, supplies, clocks, windows, warnings.

What stores give is counted along the as-planned course with the planned rates; waiting counts at rest. In a
shared store the clock runs once and the energy of all its crew adds up. Warnings are about a plan that can be
flown, but perhaps not as its author means.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from tracker.foundation.errors import Fault
from tracker.foundation.shown import spare_words
from tracker.foundation.text import amount
from tracker.foundation.times import format_exact, format_pet
from tracker.plan.bad_day import ways_home
from tracker.plan.hardware import moves
from tracker.plan.model import Consumable, Plan, Step, store_words
from tracker.plan.timeline import (
    Timeline,
    as_pet,
    as_planned,
    beyond,
    horizon_s,
    windows_on_paper,
)
from tracker.plan.windows import Intervals, together
from tracker.plan.yaml_tree import Loc, Tree, read_tree

SHARED = "*"
"""Stands for the crew of a shared store."""


@dataclass(frozen=True, slots=True)
class Supply:
    """One store on paper."""

    crew: str
    """Crew id, or `*`."""
    consumable: str
    unit: str
    start: float
    at_inside: float
    """What is left when everybody is inside, never below nothing; minus infinity where nobody comes in."""
    reserve: float
    reserve_reached: float
    """PET in seconds at which the reserve would be reached: along the course, then on at its mean rate."""
    mean_per_hour: float
    """What is used on average until everybody is inside."""

    def margin_s(self, course: Timeline) -> float:
        """The seconds by which everybody is inside before the reserve is reached."""
        return self.reserve_reached - course.everybody_inside


@dataclass(frozen=True, slots=True)
class PaperLimit:
    """One elapsed limit against the course on paper; seconds."""

    name: str
    at: float | None
    """PET; None for an instant without `zero_planned`."""
    crew: tuple[str, ...]
    inside: float
    """When the last of its crew is inside with everything done."""
    inside_must: float
    """The same with must work and closeout alone."""


@dataclass(frozen=True, slots=True)
class PaperClock:
    """One hardware clock on paper; seconds."""

    step: str
    of: str
    allowed: float
    takes: float
    """From the done of `of` to the done of `step`."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A plan on paper."""

    plan: Plan
    everything: Timeline
    must: Timeline
    limits: tuple[PaperLimit, ...]
    supplies: tuple[Supply, ...]
    """With everything done."""
    supplies_must: tuple[Supply, ...]
    clocks: tuple[PaperClock, ...]
    windows: dict[str, Intervals]
    warnings: tuple[Fault, ...]


def on_paper(plan: Plan) -> Paper:
    """A plan on paper."""
    everything, must = as_planned(plan), as_planned(plan, optional=False)
    limits = _limits(plan, everything, must)
    supplies_must = supplies(plan, must)
    clocks = _clocks(plan, everything)
    windows = windows_on_paper(plan)
    return Paper(
        plan=plan,
        everything=everything,
        must=must,
        limits=limits,
        supplies=supplies(plan, everything),
        supplies_must=supplies_must,
        clocks=clocks,
        windows=windows,
        warnings=_warnings(plan, limits, supplies_must, must, clocks, windows),
    )


def _limits(plan: Plan, everything: Timeline, must: Timeline) -> tuple[PaperLimit, ...]:
    return tuple(
        PaperLimit(
            limit.name,
            as_pet(limit.at, plan.zero_planned),
            limit.crew,
            max(everything.inside[member] for member in limit.crew),
            max(must.inside[member] for member in limit.crew),
        )
        for limit in plan.limits
    )


def _clocks(plan: Plan, course: Timeline) -> tuple[PaperClock, ...]:
    found = []
    for step in plan.step.values():
        if step.within is None:
            continue
        end, since = course.finish[step.id], course.finish[step.within.of]
        takes = end - since if step.id not in course.lost else math.inf
        found.append(PaperClock(step.id, step.within.of, float(step.within.time), takes))
    return tuple(found)


def supplies(plan: Plan, course: Timeline) -> tuple[Supply, ...]:
    """Every store of a plan along a course."""
    return tuple(
        _supply(plan, course, consumable, owner)
        for consumable in plan.consumables
        for owner in consumable.owners
    )


def _supply(plan: Plan, course: Timeline, consumable: Consumable, owner: str) -> Supply:
    crew = consumable.members(owner)
    waiting = consumable.per_second(len(crew) * plan.rest_w)
    end = course.everybody_inside
    pieces = _pieces(plan, course, consumable, crew, waiting)
    used = sum((to - since) * rate for since, to, rate in pieces)
    left = consumable.start - used
    mean = used / end if 0 < end < math.inf else waiting
    return Supply(
        crew=owner,
        consumable=consumable.id,
        unit=consumable.unit,
        start=consumable.start,
        at_inside=max(0.0, left) if left > -math.inf else left,
        reserve=consumable.reserve,
        reserve_reached=_reached(pieces, consumable.start - consumable.reserve, mean),
        mean_per_hour=mean * 3600,
    )


def _pieces(
    plan: Plan, course: Timeline, consumable: Consumable, crew: Iterable[str], waiting: float
) -> list[tuple[float, float, float]]:
    """Return (since, to, units a second) that tile zero to ingress."""
    end = course.everybody_inside
    changes: dict[float, float] = {0.0: 0.0, end: 0.0}
    members = frozenset(crew)
    for step in course.steps:
        extra = _extra(plan, step, consumable, [c for c in step.crew if c in members])
        since, to = course.start[step.id], min(course.finish[step.id], end)
        if extra and since < to < math.inf:
            changes[since] = changes.get(since, 0.0) + extra
            changes[to] = changes.get(to, 0.0) - extra
    at = sorted(changes)
    pieces, rate = [], waiting
    for since, to in pairwise(at):
        rate += changes[since]
        pieces.append((since, to, rate))
    return pieces


def _extra(plan: Plan, step: Step, consumable: Consumable, crew: list[str]) -> float:
    """Units a second that a step takes beyond waiting."""
    if not crew:
        return 0.0
    effort = sum(step.effort_of(member) for member in crew)
    working = consumable.per_second(effort, step.use.get(consumable.id, 1.0))
    return working - consumable.per_second(len(crew) * plan.rest_w)


def _reached(pieces: list[tuple[float, float, float]], left: float, mean: float) -> float:
    end = 0.0
    for since, to, rate in pieces:
        if rate > 0 and left <= rate * (to - since):
            return since + left / rate
        left -= rate * (to - since)
        end = to
    return end + left / mean if mean > 0 else math.inf


def _warnings(
    plan: Plan,
    limits: Iterable[PaperLimit],
    supplies_must: Iterable[Supply],
    must: Timeline,
    clocks: Iterable[PaperClock],
    windows: Mapping[str, Intervals],
) -> tuple[Fault, ...]:
    """Every warning that needs no forecast, in file order."""
    tree = read_tree(plan.source.removeprefix("\ufeff"), plan.file or plan.name)
    places: dict[str, Loc] = {
        step.id: ("tasks", i, "steps", j)
        for i, task in enumerate(plan.tasks)
        for j, step in enumerate(task.steps)
    }
    _without_planned_zero(plan, tree)
    _cut_off(plan, tree)
    _too_late(limits, tree)
    _too_little(plan, supplies_must, must, tree)
    _too_slow(clocks, places, tree)
    _too_long(plan, windows, places, tree)
    _light_use(plan, places, tree)
    _bad_day(plan, tree)
    _not_back(plan, tree)
    _no_way_home(plan, tree)
    _home_at_once(plan, tree)
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


def _cut_off(plan: Plan, tree: Tree) -> None:
    """Warn of windows that are listed beyond what an excursion can reach."""
    zero = plan.zero_planned
    end = horizon_s([plan.elapsed_limit], zero)
    for i, window in enumerate(plan.windows):
        for j, interval in enumerate(window.open):
            if wrong := [words for at in interval if (words := beyond(at, zero, end))]:
                what = f"{wrong[0]}, and cut off there"
                tree.report(("windows", i, "open", j), what, "check its day and year")


def _too_late(limits: Iterable[PaperLimit], tree: Tree) -> None:
    for limit in limits:
        late = limit.inside_must - limit.at if limit.at is not None else 0.0
        if late > 0:
            ends = f"must work alone ends at {format_pet(limit.inside_must)} on paper"
            what = f"{ends}, {spare_words(-late)}"
            tree.report(("limits", limit.name), what, "take work out, or plan it shorter")


def _too_little(plan: Plan, supplies_must: Iterable[Supply], must: Timeline, tree: Tree) -> None:
    order = list(plan.consumable)
    for supply in supplies_must:
        # In whole seconds, as it is said; a course that never comes in breaks its elapsed limit first.
        if (short := supply.margin_s(must)) > -math.inf and round(short) < 0:
            who = "the crew" if supply.crew == SHARED else supply.crew
            what = (
                f"must work alone leaves {who} {amount(supply.at_inside, supply.unit)} on paper, "
                f"below the reserve of {supply.reserve:g}: {spare_words(short)}"
            )
            place = ("consumables", order.index(supply.consumable))
            tree.report(place, what, "take work out, or start with more")


def _too_slow(clocks: Iterable[PaperClock], places: Mapping[str, Loc], tree: Tree) -> None:
    for clock in clocks:
        if clock.allowed < clock.takes < math.inf:
            what = (
                f"{format_exact(clock.takes)} pass on paper from the done of {clock.of} "
                "to the done of this step"
            )
            right = "allow more, or bring the steps together"
            tree.report((*places[clock.step], "within", "time"), what, right)


def _too_long(plan: Plan, windows: Mapping[str, Intervals], places: Mapping[str, Loc], tree: Tree) -> None:
    for step in plan.step.values():
        if not step.windows or step.whole:
            continue
        longest = max(
            (end - max(start, 0.0) for start, end in together([windows[w] for w in step.windows])), default=0
        )
        if step.time.likely > longest:
            names = " with ".join(repr(name) for name in step.windows)
            what = f"the step takes {format_pet(step.time.likely)}, longer than any opening of {names}"
            tree.report((*places[step.id], "window"), what, "split the step, or leave the window out")


def _light_use(plan: Plan, places: Mapping[str, Loc], tree: Tree) -> None:
    """Warn of steps that use less than waiting does: rest is meant to be the least."""
    for step in plan.step.values():
        for name, factor in step.use.items():
            store = plan.consumable[name]
            least = min((step.effort_of(c) for c in step.crew if c in plan.outside), default=plan.rest_w)
            if store.per_second(least, factor) < store.per_second(plan.rest_w):
                what = f"the step takes less {store_words(name)} than waiting does"
                tree.report((*places[step.id], "use", name), what, "make sure that this is meant")


def _bad_day(plan: Plan, tree: Tree) -> None:
    """Warn of sites from which the emergency supply does not last for the way home."""
    for way in ways_home(plan):
        if way.to_spare is not None and way.to_spare < 0:
            what = f"on a bad day the emergency supply is not enough: {way.words}"
            tree.report(("sites", way.site), what, "work nearer, or keep more for an emergency")


def _not_back(plan: Plan, tree: Tree) -> None:
    """Warn of hardware that is with somebody at the end."""
    last = {move.hardware: move for move in moves(plan)}
    for i, one in enumerate(plan.hardware):
        if one.id in last and not last[one.id].to:
            what = f"{one.id!r} is taken by {last[one.id].step}, and nothing says where it goes"
            tree.report(("hardware", i, "id"), what, f"write brings: [{one.id}] in closeout, or leaves")


def _no_way_home(plan: Plan, tree: Tree) -> None:
    """Warn of who has no work in closeout: called home, they would count as inside at once."""
    home = {c for task in plan.tasks if task.closeout for step in task.steps for c in step.crew}
    if missing := [c for c in plan.outside if c not in home]:
        what = f"no step of closeout is for {', '.join(missing)}: once called home they count as inside"
        tree.report(("tasks",), what, "write closeout: true on the task that brings them in")


def _home_at_once(plan: Plan, tree: Tree) -> None:
    """Warn of sites of work from which the way home takes no time."""
    for site in dict.fromkeys(step.site for step in plan.step.values() if step.site is not None):
        if plan.sites.get(site) == 0:
            what = "the way home from here takes no time: last calls, turn-back and the way home count none"
            tree.report(("sites", site, "home"), what, "write how long it takes, such as 0:12")
