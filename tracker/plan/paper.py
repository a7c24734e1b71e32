"""Everything that a plan says on paper, put side by side: courses, margins, clocks, windows, warnings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracker.plan.cautions import plan_warnings
from tracker.plan.faults import Fault
from tracker.plan.model import Plan
from tracker.plan.supplies import Supply, supplies
from tracker.plan.timeline import Timeline, as_planned, pet_on_paper, windows_on_paper
from tracker.plan.windows import Intervals


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
    """Return a plan on paper."""
    everything, must = as_planned(plan), as_planned(plan, optional=False)
    return Paper(
        plan=plan,
        everything=everything,
        must=must,
        limits=_limits(plan, everything, must),
        supplies=supplies(plan, everything),
        supplies_must=supplies(plan, must),
        clocks=_clocks(plan, everything),
        windows=windows_on_paper(plan),
        warnings=plan_warnings(plan),
    )


def _limits(plan: Plan, everything: Timeline, must: Timeline) -> tuple[PaperLimit, ...]:
    return tuple(
        PaperLimit(
            limit.name,
            pet_on_paper(plan, limit.at),
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
