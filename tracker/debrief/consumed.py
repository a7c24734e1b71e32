"""What became of each consumable: its course as the readings say, and what was used beside the plan's use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf, isfinite

import numpy as np

from tracker.forecast.consumption import Used, members_of, owners, used_so_far, waiting_rate
from tracker.forecast.readings import (
    LEAKS_FROM,
    Seen,
    Store,
    Terms,
    believed,
    carried,
    planned_supplies,
    terms_of,
)
from tracker.forecast.remaining import prior_of
from tracker.journal.progress import Progress, Reading, Stretch
from tracker.plan.model import Consumable

_HALVINGS = 60


@dataclass(frozen=True, slots=True)
class StoreCourse:
    """One store along what happened, until those whose it is were inside."""

    owner: str
    """A crew member, or `*` for a shared store."""
    consumable: Consumable
    reserve: float
    """In force at the end."""
    readings: tuple[Reading, ...]
    """All of this store, in their order; also those that say it was replaced."""
    last: float
    """PET up to which it was in use."""
    rest_per_s: float
    """Units a second by the plan's rates while all whose store it is do nothing."""
    used: Used
    terms: Terms
    _seen: list[Seen] = field(default_factory=list)

    def after(self, count: int, at: float) -> Store:
        """Return what was believed at a PET after so many of the readings."""
        if not self._seen:
            believed(self.readings, self.used, self.terms, now=self.last, seen=self._seen)
        return carried(self._seen[count].after, at, self.used, self.terms)

    def level(self, count: int, at: float) -> float:
        """Return what was believed to be left then; never less than nothing."""
        return max(0.0, self.after(count, at).level)

    @property
    def end(self) -> Store:
        """What is believed at the end."""
        return self.after(len(self.readings), self.last)

    @property
    def left(self) -> float:
        """What is believed to be left at the end; never less than nothing."""
        return max(0.0, self.end.level)

    @property
    def read(self) -> tuple[Reading, ...]:
        """The readings that do not say that it was replaced."""
        return tuple(reading for reading in self.readings if not reading.replaced)

    @property
    def factor(self) -> float:
        """How many times as fast as by the plan's rates it went by the end, as is believed on average."""
        return self.end.rate(self.terms)

    @property
    def goes(self) -> tuple[float, float]:
        """How it went by the end, on average: the factor on what its crew uses, and a leak, units an hour."""
        weights, terms = self.end.weights, self.terms
        return float(weights @ np.minimum(terms.rates, LEAKS_FROM)), float(weights @ terms.leak_per_hour)

    @property
    def since_full(self) -> tuple[Reading, ...]:
        """The readings after the last replacement."""
        return self.readings[1 + max((i for i, r in enumerate(self.readings) if r.replaced), default=-1) :]

    def lasts_s(self, amount: float) -> float:
        """Return how many seconds of rest so much would have lasted; infinite where rest takes nothing."""
        per_s = self._takes(self.rest_per_s, 1.0)
        return amount / per_s if per_s > 0 else inf

    def taken_since(self, amount: float) -> float:
        """Return the PET since which so much had been taken by the end, at the rates believed then.

        No earlier than the last replacement, or PET 0.
        """
        filled = max((reading.at for reading in self.readings if reading.replaced), default=0.0)
        low, high = min(max(filled, 0.0), self.last), self.last
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            enough = self._takes(self.used(middle, self.last), self.last - middle) >= amount
            low, high = (middle, high) if enough else (low, middle)
        return low

    def _takes(self, used: float, seconds: float) -> float:
        """Return what is taken at the rates believed at the end while the model says so much was used."""
        return float(self.end.weights @ self.terms.takes(used, seconds / 3600.0))


def store_courses(progress: Progress, end: Mapping[str, float]) -> tuple[StoreCourse, ...]:
    """Return every store's course; `end` is the PET, per crew member, at which they were inside."""
    paper, prior = planned_supplies(progress.plan), prior_of(progress)
    return tuple(
        _course(progress, one, owner, end, terms_of(one, prior, paper[owner, one.id]))
        for one in progress.plan.consumables
        for owner in owners(one)
    )


def _course(
    progress: Progress, consumable: Consumable, owner: str, end: Mapping[str, float], terms: Terms
) -> StoreCourse:
    members = members_of(consumable, owner)
    last = max((end[c] for c in members), default=0.0)
    readings = tuple(r for r in progress.readings if r.crew == owner and r.consumable == consumable.id)
    return StoreCourse(
        owner=owner,
        consumable=consumable,
        reserve=progress.reserves.get((owner, consumable.id), consumable.reserve),
        readings=readings,
        last=last,
        rest_per_s=waiting_rate(consumable, progress.plan.rest_w, len(members)),
        used=used_so_far(progress, consumable, members, last, end),
        # Of a store that nobody read nothing is known but the plan's rates.
        terms=terms if readings else replace(terms, spread=0.0),
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
    members = members_of(consumable, course.owner)
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
    consumable, read = course.consumable, course.read
    members = members_of(consumable, course.owner)
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
