"""What was used of each consumable, beside what the plan would have used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite

from tracker.forecast.consumables import Terms, believed, planned_supplies, terms_of
from tracker.forecast.remaining import prior_of
from tracker.forecast.usage import Used, used_so_far
from tracker.journal.progress import Progress, Reading, Stretch
from tracker.plan.model import Consumable


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


def consumed(progress: Progress, end: Mapping[str, float]) -> tuple[Consumed, ...]:
    """Return every store; `end` is the PET, per crew member, at which they were inside."""
    paper, prior = planned_supplies(progress.plan), prior_of(progress)
    return tuple(
        _consumed(progress, consumable, owner, end, terms_of(consumable, prior, paper[owner, consumable.id]))
        for consumable in progress.plan.consumables
        for owner in (("*",) if consumable.shared else consumable.crew)
    )


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


def _consumed(
    progress: Progress, consumable: Consumable, owner: str, end: Mapping[str, float], terms: Terms
) -> Consumed:
    members = consumable.crew if consumable.shared else (owner,)
    last = max((end[c] for c in members), default=0.0)
    used = used_so_far(progress, consumable, members, last, end)
    plan_end = planned_end(progress)
    plan_last = max((plan_end[c] for c in members), default=0.0)
    by_plan = used_so_far(as_planned(progress), consumable, members, plan_last, plan_end)
    mine = [r for r in progress.readings if r.crew == owner and r.consumable == consumable.id]
    store = believed(mine, used, terms, now=last)
    read = [r for r in mine if not r.replaced]
    return Consumed(
        crew=owner,
        consumable=consumable.id,
        unit=consumable.unit,
        start=consumable.start,
        reserve=progress.reserves.get((owner, consumable.id), consumable.reserve),
        planned=by_plan(0.0, plan_last),
        by_rates=used(0.0, last),
        used=_total(mine, used, terms, last) if mine else used(0.0, last),
        factor=store.rate(terms),
        left=store.level,
        readings=len(read),
        replaced=len(mine) - len(read),
        last_read=read[-1].value if read else None,
        last_read_at=read[-1].at if read else None,
    )


def _total(readings: Sequence[Reading], used: Used, terms: Terms, last: float) -> float:
    """Return what was used over all stores: each one's first level less its last."""

    def level_after(seen: Sequence[Reading], at: float) -> float:
        return believed(seen, used, terms, now=at).level

    total, level = 0.0, level_after([reading for reading in readings if reading.at <= 0], 0.0)
    for i, reading in enumerate(readings):
        if reading.replaced:
            total += level - level_after(readings[:i], reading.at)
            level = reading.value
    return total + level - level_after(readings, last)
