"""What became of each consumable: its course as the readings say, and what was used beside the plan's use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from tracker.forecast.consumption import at_rest
from tracker.forecast.remaining import prior_of
from tracker.forecast.store_course import StoreCourse, planned_supplies, terms_of, used_so_far
from tracker.journal.progress import Progress, Stretch, inside_at


def store_courses(progress: Progress) -> tuple[StoreCourse, ...]:
    """Return every store's course, to where those whose it is were inside, else to the end."""
    paper, prior = planned_supplies(progress.plan), prior_of(progress)
    end = progress.at if progress.closed is None else progress.closed
    inside = {member: inside_at(progress, member) for member in progress.plan.outside}
    known = {member: at for member, at in inside.items() if at is not None}
    over = len(known) == len(inside)
    rest = at_rest(progress, known) if over else dict(progress.entered)
    return tuple(
        StoreCourse.of(
            progress, one, owner, terms_of(one, prior, paper[owner, one.id]), now=end, rest=rest, over=True
        )
        for one in progress.plan.consumables
        for owner in one.owners
    )


@dataclass(frozen=True, slots=True)
class Consumed:
    """One store: a crew member's, or a shared one (`*`); figures in the consumable's unit."""

    crew: str
    consumable: str
    unit: str
    start: float
    reserve: float
    planned: float
    """Used by the planned end, by the plan's rates along the planned course."""
    by_rates: float
    """Used by the end, by the plan's rates along what happened."""
    used: float
    """Used by the end, as the readings say; without readings equal to `by_rates`."""
    factor: float
    """How many times as fast as the plan's rates say it went by the end, on average of what is believed."""
    left: float
    """What is believed to be left at the end."""
    readings: int
    replaced: int
    last_read: float | None
    last_read_at: float | None
    """PET."""


@dataclass(frozen=True, slots=True)
class StoreCurve:
    """What was left of one store through the excursion, in its unit; all of a length, by time."""

    crew: str
    """A crew member, or `*` for a shared store."""
    consumable: str
    at: tuple[float, ...]
    """PETs; where it was replaced one stands twice."""
    level: tuple[float, ...]
    """What was believed to be left by the readings up to then, never less than nothing."""
    low: tuple[float, ...]
    """Of ten cases nine had more."""
    high: tuple[float, ...]
    """Of ten cases nine had less."""
    planned: tuple[float, ...]
    """What was to be left then by the plan."""


_EVENLY = 12
_NINE_OF_TEN = 1.2816
"""Standard deviations from the middle that leave out one case of ten."""


def curves(progress: Progress, courses: Sequence[StoreCourse]) -> tuple[StoreCurve, ...]:
    """Return the course of every store."""
    plan_end, along_plan = planned_end(progress), as_planned(progress)
    return tuple(_curve(along_plan, plan_end, course) for course in courses)


def _curve(along_plan: Progress, plan_end: Mapping[str, float], course: StoreCourse) -> StoreCurve:
    consumable, last = course.consumable, course.last
    members = consumable.members(course.owner)
    by_plan = used_so_far(along_plan, consumable, members, max(plan_end[c] for c in members), plan_end)
    times = [max(0.0, min(reading.at, last)) for reading in course.readings]
    looks = {(last * i / _EVENLY, sum(at <= last * i / _EVENLY for at in times)) for i in range(_EVENLY + 1)}
    looks |= {(at, k) for k, at in enumerate(times, 1)}
    looks |= {(at, k) for k, at in enumerate(times) if course.readings[k].replaced}
    seen = [(at, course.after(k, at)) for at, k in sorted(looks)]
    return StoreCurve(
        crew=course.owner,
        consumable=consumable.id,
        at=tuple(at for at, _ in seen),
        level=tuple(max(0.0, store.level) for _, store in seen),
        low=tuple(max(0.0, store.level - _NINE_OF_TEN * store.sd) for _, store in seen),
        high=tuple(max(0.0, store.level + _NINE_OF_TEN * store.sd) for _, store in seen),
        planned=tuple(max(0.0, consumable.start - by_plan(0.0, at)) for at, _ in seen),
    )


def consumed(progress: Progress, courses: Sequence[StoreCourse]) -> tuple[Consumed, ...]:
    """Return what became of every store."""
    plan_end, along_plan = planned_end(progress), as_planned(progress)
    return tuple(_consumed(along_plan, plan_end, course) for course in courses)


def _planned_steps(progress: Progress, crew: str) -> list[tuple[float, float, str]]:
    """Return (start, finish, step) of what the plan gave a crew member, by time."""
    steps = progress.plan.step
    found = [(*times, s) for s, times in progress.planned.items() if s in steps and crew in steps[s].crew]
    return sorted(one for one in found if isfinite(one[1]))


def planned_end(progress: Progress) -> dict[str, float]:
    """Return the planned PET of ingress per crew member, optional work in."""
    return {
        member.id: max((finish for _, finish, _ in _planned_steps(progress, member.id)), default=0.0)
        for member in progress.plan.crew
    }


def as_planned(progress: Progress) -> Progress:
    """Return a progress whose crew spent their time as the plan has it; for rates along the plan."""
    spent = {
        member.id: tuple(
            Stretch(start, finish, "work", step, None)
            for start, finish, step in _planned_steps(progress, member.id)
        )
        for member in progress.plan.crew
    }
    return replace(progress, spent=spent)


def _consumed(along_plan: Progress, plan_end: Mapping[str, float], course: StoreCourse) -> Consumed:
    consumable, read = course.consumable, [one for one in course.readings if not one.replaced]
    members = consumable.members(course.owner)
    plan_last = max((plan_end[c] for c in members), default=0.0)
    by_plan = used_so_far(along_plan, consumable, members, plan_last, plan_end)
    return Consumed(
        crew=course.owner,
        consumable=consumable.id,
        unit=consumable.unit,
        start=consumable.start,
        reserve=course.reserve,
        planned=by_plan(0.0, plan_last),
        by_rates=course.used(0.0, course.last),
        used=_total(course),
        factor=course.factor,
        left=course.left,
        readings=len(read),
        replaced=len(course.readings) - len(read),
        last_read=read[-1].value if read else None,
        last_read_at=read[-1].at if read else None,
    )


def _total(course: StoreCourse) -> float:
    """Return what was used over all stores: each one's first level less its last."""
    before = sum(reading.at <= 0 for reading in course.readings)
    total, level = 0.0, course.level(before, 0.0)
    for i, reading in enumerate(course.readings):
        if reading.replaced:
            total += level - course.level(i, reading.at)
            level = reading.value
    return total + level - course.left
