"""Every store along what happened: what was believed of it after each reading, and what was to spare.

To spare of a store is told in one way from the plan to the debrief: what is above the reserve at ingress,
at the mean rate from PET 0 to ingress; of a broken reserve the time since it was passed, along what was
believed after each reading. Once the crew whose store it is are inside, what was left, whether the reserve
was kept and by how much are facts: what is believed on average. A reading below the reserve is taken at its
word, however inexact the gauge.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumption import Rates, waiting_rate
from tracker.forecast.draws import Normals
from tracker.forecast.figures import Rate
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.readings import (
    LEAKS_FROM,
    Drawn,
    Seen,
    Store,
    Terms,
    believed,
    carried,
    drawn,
    next_reading,
)
from tracker.forecast.world import Account, AtRest, Row
from tracker.journal.progress import Progress, Reading, Stretch
from tracker.plan.model import Consumable, Plan
from tracker.plan.paper import Supply, supplies
from tracker.plan.timeline import as_planned

_EXACT = 9
"""Decimals of an amount that are no rounding."""
_Curve = tuple[NDArray[np.float64], NDArray[np.float64]]
"""PETs, and what was used by then."""


@dataclass(frozen=True, slots=True, eq=False)
class UseSoFar:
    """What the model says was used of a store from PET 0 on, in its unit, at use factor 1."""

    at: NDArray[np.float64]
    """PETs, ascending; in between it went evenly."""
    total: NDArray[np.float64]

    def __call__(self, a: float, b: float) -> float:
        """What was used between two PETs."""
        at_a, at_b = np.interp((a, b), self.at, self.total)
        return float(at_b - at_a)

    def part(self, a: float, b: float, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """The PETs by which such shares of what was used between two PETs were used."""
        start, end = np.interp((a, b), self.at, self.total)
        if end <= start:
            return a + share * (b - a)
        inner = (self.at > a) & (self.at < b)
        at = np.concatenate([[a], self.at[inner], [b]])
        found = np.interp(start + share * (end - start), np.interp(at, self.at, self.total), at)
        return np.asarray(found)


def used_so_far(
    progress: Progress,
    consumable: Consumable,
    members: Sequence[str],
    now: float,
    inside: Mapping[str, float],
) -> UseSoFar:
    """What the model says these crew members used up to `now`.

    Work at the effort of its step, everything else at rest, from PET 0 until they are inside.
    """
    ends = {c: min(now, inside.get(c, now)) for c in members}
    last = max(ends.values(), default=0.0)
    curves = [_curve(progress, consumable, c, members, ends[c]) for c in members]
    at = np.unique(np.concatenate([[0.0, max(last, 0.0)], *(times for times, _ in curves)]))
    return UseSoFar(at, consumable.clock_rate * at + sum(np.interp(at, *curve) for curve in curves))


def fallen(progress: Progress, owner: str, consumable: str) -> Rate | None:
    """Return how fast a store fell between its last two readings; None where it was not read twice.

    The planned rate is that of the work done between them, by the plan. A new store starts anew.
    """
    mine = [r for r in progress.readings if (r.crew, r.consumable) == (owner, consumable)]
    if len(mine) < 2 or mine[-1].replaced:
        return None
    first, last = mine[-2], mine[-1]
    hours = (last.at - first.at) / 3600
    if hours <= 0:
        return None
    kind = progress.plan.consumable[consumable]
    used = used_so_far(progress, kind, kind.members(owner), last.at, progress.entered)
    return Rate((first.value - last.value) / hours, used(first.at, last.at) / hours)


def _curve(
    progress: Progress, consumable: Consumable, member: str, members: Sequence[str], until: float
) -> _Curve:
    """Return what one crew member used beyond the clock, from PET 0 until a PET."""
    rest = consumable.per_joule * progress.plan.rest_w
    times, total = [0.0], [0.0]

    def go_on(to: float, rate: float) -> None:
        if to > times[-1]:
            total.append(total[-1] + (to - times[-1]) * rate)
            times.append(to)

    for interval in progress.spent.get(member, ()):
        go_on(min(interval.start, until), rest)
        end = until if interval.end is None else min(interval.end, until)
        go_on(end, _rate(progress, consumable, interval, member, members))
    go_on(until, rest)
    return np.array(times), np.array(total)


def _rate(
    progress: Progress, consumable: Consumable, interval: Stretch, member: str, members: Sequence[str]
) -> float:
    """Return units a second beyond the clock in one stretch of a crew member's time."""
    energy = consumable.per_joule
    if interval.kind != "work" or interval.step is None:
        return energy * progress.plan.rest_w
    state = progress.steps[interval.step]
    factor = state.step.use.get(consumable.id, 1.0)
    rate = energy * factor * state.step.effort_of(member)
    if factor != 1.0 and member == next((c for c in state.crew if c in members), member):
        rate += (factor - 1.0) * consumable.clock_rate
    return rate


@dataclass(frozen=True, slots=True, eq=False)
class StoreCourse:
    """One store along what happened, up to an instant, or until those whose it is were inside."""

    owner: str
    """A crew member, or `*` for a shared store."""
    consumable: Consumable
    reserve: float
    """In force at the end."""
    readings: tuple[Reading, ...]
    """All of this store, in their order; also those that say it was replaced."""
    last: float
    """PET up to which it was in use."""
    used: UseSoFar
    terms: Terms
    _seen: list[Seen] = field(default_factory=list)

    @staticmethod
    def of(
        progress: Progress,
        consumable: Consumable,
        owner: str,
        terms: Terms,
        *,
        now: float,
        rest: Mapping[str, float],
        seen: list[Seen] | None = None,
        over: bool = False,
    ) -> StoreCourse:
        """One store up to `now`, or until its crew came to rest, where that was before.

        `seen`: what is known already of what was believed, by these terms. Of a store that is `over` and
        was never read nothing is known but the plan's rates.
        """
        members, name = consumable.members(owner), (owner, consumable.id)
        last = min(now, max((rest.get(c, now) for c in members), default=now))
        readings = tuple(r for r in progress.readings if (r.crew, r.consumable) == name)
        if over and not readings:
            terms, seen = replace(terms, spread=0.0), None
        course = StoreCourse(
            owner=owner,
            consumable=consumable,
            reserve=progress.reserves.get(name, consumable.reserve),
            readings=readings,
            last=last,
            used=used_so_far(progress, consumable, members, last, rest),
            terms=terms,
            _seen=[] if seen is None else seen,
        )
        believed(course.readings, course.used, terms, now=last, seen=course._seen)
        return course

    def after(self, count: int, at: float, reserve: float | None = None) -> Store:
        """What was believed at a PET after so many of the readings.

        `reserve`: a reading below it is no less than the truth, and what is left no more than it says.
        """
        seen = self._seen[count]
        store = carried(seen.after, at, self.used, self.terms)
        low = self._low(count, reserve)
        if low is None:
            return store
        gone = self.terms.takes(self.used(seen.at, at), (at - seen.at) / 3600.0)
        return replace(store, levels=np.minimum(store.levels, low - gone))

    def _low(self, count: int, reserve: float | None) -> float | None:
        """What the last of so many readings says, where that is below the reserve."""
        reading = self._seen[count].reading
        if reserve is None or reading is None or reading.replaced or reading.value >= reserve:
            return None
        return reading.value

    def level(self, count: int, at: float, reserve: float | None = None) -> float:
        """What was believed to be left then; never less than nothing."""
        return max(0.0, self.after(count, at, reserve).level)

    @property
    def end(self) -> Store:
        """What is believed at the end."""
        return self.after(len(self.readings), self.last, self.reserve)

    @property
    def left(self) -> float:
        """What is believed to be left at the end; never less than nothing."""
        return max(0.0, self.end.level)

    def above(self, count: int, at: float, reserve: float) -> float:
        """What was believed to be left above a reserve at a PET after so many of the readings."""
        return round(self.level(count, at, reserve) - reserve, _EXACT)

    @property
    def factor(self) -> float:
        """How many times as fast as by the plan's rates it goes at the end, as is believed on average."""
        return self.end.rate(self.terms)

    @property
    def goes(self) -> tuple[float, float]:
        """How it goes at the end, on average: the factor on what its crew uses, and a leak, units an hour."""
        weights, terms = self.end.weights, self.terms
        return float(weights @ np.minimum(terms.rates, LEAKS_FROM)), float(weights @ terms.leak_per_hour)

    @property
    def per_s(self) -> float:
        """Units a second on average from PET 0 to the end, at the rates believed then."""
        if self.last <= 0:
            return 0.0
        taken = self.terms.takes(self.used(0.0, self.last), self.last / 3600.0)
        return float(self.end.weights @ taken) / self.last

    def spare_s(self, count: int, at: float, reserve: float) -> float:
        """The seconds that were to spare at a PET after so many of the readings.

        Below 0 the time since when it was below the reserve; infinite where nothing runs down.
        """
        above = self.above(count, at, reserve)
        if above < 0:
            level = np.array([self.after(count, at, reserve).level])
            return float(self.below_since(count, at, reserve, level)[0]) - at
        return above / self.per_s if self.per_s > 0 else math.inf

    @property
    def to_spare_s(self) -> float:
        """The same at the end."""
        return self.spare_s(len(self.readings), self.last, self.reserve)

    def below_since(
        self, count: int, at: float, reserve: float, levels: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """The PETs since which it was below a reserve, given levels below it at a PET.

        Along what was believed after each of so many readings, as the model says it went in between; no
        earlier than it was full. A lower latest reading makes none of them later.
        """
        first = max((k for k in range(1, count + 1) if self.readings[k - 1].replaced), default=0)
        trail = [
            (self._seen[k].at, self.level(k, self._seen[k].at, reserve)) for k in range(first, count + 1)
        ]
        last = max((j for j, (_, level) in enumerate(trail) if level >= reserve), default=None)
        if last is None:
            return np.full(len(levels), min(trail[0][0], at))
        since, before = trail[last]
        until, then = (at, levels) if last + 1 == len(trail) else (trail[last + 1][0], trail[last + 1][1])
        share = (before - reserve) / np.maximum(before - np.asarray(then), 1e-12)
        found = self.used.part(since, until, np.clip(share, 0.0, 1.0))
        return np.broadcast_to(np.minimum(found, at), len(levels))

    @property
    def nothing_by(self) -> float | None:
        """The PET by which nothing was left of it, as is believed at the end; None while something is."""
        count, end = len(self.readings), self.end
        if end.level > 0 or self.last <= 0:
            return None
        return float(self.below_since(count, self.last, 0.0, np.array([end.level]))[0])

    @property
    def since_full(self) -> tuple[Reading, ...]:
        """The readings after the last replacement."""
        return self.readings[1 + max((i for i, r in enumerate(self.readings) if r.replaced), default=-1) :]

    def held(self, found: Drawn) -> Row:
        """What is left in every scenario: no more than a reading below the reserve says."""
        count = len(self.readings)
        if (low := self._low(count, self.reserve)) is None:
            return found.level
        at = self._seen[count].at
        gone = found.use * np.float32(self.used(at, self.last))
        if found.leak_per_hour is not None:
            gone += found.leak_per_hour * np.float32((self.last - at) / 3600.0)
        return np.asarray(np.minimum(found.level, np.float32(low) - gone), dtype=np.float32)

    def below_s(self, level: Row) -> Row | None:
        """For how many seconds each level at the end has been below the reserve, 0 where it is not.

        None where none of them is.
        """
        low = level < self.reserve
        if not low.any():
            return None
        since = self.below_since(len(self.readings), self.last, self.reserve, level.astype(np.float64))
        return np.where(low, self.last - since, 0.0).astype(np.float32)


class _Known:
    """What is remembered of the stores of an excursion."""

    def __init__(self) -> None:
        self.plan: Plan | None = None
        self.supplies: Mapping[tuple[str, str], Supply] = {}
        """What this plan takes of each store on paper, by owner and consumable."""
        self.seen: dict[tuple[str, str, Terms], list[Seen]] = {}

    def supply(self, plan: Plan, owner: str, consumable: str) -> Supply:
        """A store on paper, with everything in."""
        if self.plan is not plan:
            self.plan, self.supplies = plan, planned_supplies(plan)
        return self.supplies[owner, consumable]


def planned_supplies(plan: Plan) -> dict[tuple[str, str], Supply]:
    """By owner and consumable every store along the plan's course on paper, with everything in."""
    return {(supply.crew, supply.consumable): supply for supply in supplies(plan, as_planned(plan))}


def terms_of(consumable: Consumable, prior: PacePrior, paper: Supply) -> Terms:
    """What is known of a store of a plan before anything was read; `paper`: the store on paper."""
    how = {"spread": prior.use_spread, "walk": prior.use_walk}
    return Terms(consumable.start, consumable.reading_sd, consumable.unit, paper.mean_per_hour, **how)


@dataclass(frozen=True, slots=True, eq=False)
class AccountBuilder:
    """Makes the accounts of a world at `now` (PET seconds)."""

    progress: Progress
    rates: Rates
    """What the remaining steps take."""
    now: float
    prior: PacePrior
    normals: Normals
    """The excursion's draws."""
    rest: Mapping[str, float]
    """The PET since when the stores of crew members who are inside have been at rest."""
    memory: Memory

    def accounts(self) -> tuple[Account, ...]:
        """Every account: each consumable of each crew member, and each shared store."""
        return tuple(
            self.account(consumable, owner)
            for consumable in self.progress.plan.consumables
            for owner in consumable.owners
        )

    def account(self, consumable: Consumable, owner: str) -> Account:
        """One account; `owner` is a crew member, or `*` for a shared store."""
        plan, name = self.progress.plan, (owner, consumable.id)
        outside = [c for c in consumable.members(owner) if c not in self.rest]
        course = self.course(consumable, owner, over=not outside)
        store, terms = course.end, course.terms
        known = Account(
            crew=owner,
            consumable=consumable.id,
            level=np.full(self.normals.n, course.left, dtype=np.float32),
            use=np.full(self.normals.n, course.factor, dtype=np.float32),
            reserve=course.reserve,
            waiting_per_s=waiting_rate(consumable, plan.rest_w, len(outside)),
            extra_per_s=self.rates[name],
            taken=course.used(0.0, course.last),
            expected=course.left,
            flagged=store.flagged or consumable.cut or None,
            read_at=store.read_at,
            leak=store.leak,
            read=None if store.read_at is None else course.readings[-1].value,
            nothing_by=course.nothing_by,
            next_reading=next_reading(store, terms),
        )
        if not outside:
            return replace(known, rest=AtRest(course.last, course.to_spare_s))
        found = self._drawn(store, terms, f"{owner}.{consumable.id}")
        level, leak = course.held(found), found.leak_per_hour
        return replace(
            known,
            level=level,
            use=found.use,
            leak_per_s=None if leak is None else leak / np.float32(3600),
            below_s=course.below_s(level),
        )

    def course(self, consumable: Consumable, owner: str, *, over: bool) -> StoreCourse:
        """One store up to now, or until its last crew member came in."""
        known = self.memory.of(_Known)
        terms = terms_of(consumable, self.prior, known.supply(self.progress.plan, owner, consumable.id))
        seen = known.seen.setdefault((owner, consumable.id, terms), [])
        return StoreCourse.of(
            self.progress, consumable, owner, terms, now=self.now, rest=self.rest, seen=seen, over=over
        )

    def _drawn(self, store: Store, terms: Terms, key: str) -> Drawn:
        """The store in every scenario. A belief without any spread has none of levels either."""
        return drawn(
            store,
            terms,
            self.normals.places(f"use:{key}", "fast"),
            None if self.prior.certain else self.normals(f"level:{key}"),
            self.normals(f"ahead:{key}"),
            hours=(self.progress.limits["elapsed"] - self.now) / 3600.0,
        )
