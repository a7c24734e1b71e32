"""Consumables on paper: what is left at ingress, and when the reserve would be reached.

The use is that of the as-planned course with the planned rates; waiting counts at rest. In a shared store
the clock runs once and the energy of all its crew adds up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from tracker.plan.model import Consumable, Plan, Step
from tracker.plan.timeline import Timeline

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
    """What is left when everybody is inside."""
    reserve: float
    reserve_reached: float
    """PET in seconds at which the reserve would be reached: along the course, then on at its mean rate."""

    def margin_s(self, course: Timeline) -> float:
        """Return by how many seconds everybody is inside before the reserve is reached."""
        return self.reserve_reached - course.everybody_inside


def supplies(plan: Plan, course: Timeline) -> tuple[Supply, ...]:
    """Return every store of a plan along a course."""
    return tuple(
        _supply(plan, course, consumable, owner)
        for consumable in plan.consumables
        for owner in ((SHARED,) if consumable.shared else consumable.crew)
    )


def _supply(plan: Plan, course: Timeline, consumable: Consumable, owner: str) -> Supply:
    crew = consumable.crew if owner == SHARED else (owner,)
    waiting = consumable.per_hour / 3600 + len(crew) * consumable.per_megajoule * plan.rest_w / 1e6
    end = course.everybody_inside
    pieces = _pieces(plan, course, consumable, crew, waiting)
    used = sum((to - since) * rate for since, to, rate in pieces)
    return Supply(
        crew=owner,
        consumable=consumable.id,
        unit=consumable.unit,
        start=consumable.start,
        at_inside=consumable.start - used,
        reserve=consumable.reserve,
        reserve_reached=_reached(
            pieces, consumable.start - consumable.reserve, used / end if end else waiting
        ),
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
    """Return units a second that a step takes beyond waiting."""
    if not crew:
        return 0.0
    factor = step.use.get(consumable.id, 1.0)
    watts = sum(factor * step.effort_of(member) - plan.rest_w for member in crew)
    return watts * consumable.per_megajoule / 1e6 + (factor - 1) * consumable.per_hour / 3600


def _reached(pieces: list[tuple[float, float, float]], left: float, mean: float) -> float:
    end = 0.0
    for since, to, rate in pieces:
        if rate > 0 and left <= rate * (to - since):
            return since + left / rate
        left -= rate * (to - since)
        end = to
    return end + left / mean if mean > 0 else math.inf
