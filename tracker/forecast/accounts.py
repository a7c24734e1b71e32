"""The accounts of a world: each consumable of each crew member, and each shared store, as rows.

An account knows what is believed to be left now, what waiting takes a second, and what each remaining
step takes beyond that. In a shared store the clock runs once, the energy of all its crew adds up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumables import Store, Used, believed
from tracker.forecast.draws import normals
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.rates import JOULES, Rates, members_of, owners
from tracker.forecast.waits import Row
from tracker.forecast.world import Account
from tracker.journal.progress import Interval, Progress
from tracker.plan.model import Consumable

LEAST_USE = 0.2
"""Where the draw of the use factor is cut: nobody uses next to nothing."""


def accounts(
    progress: Progress,
    rates: Rates,
    *,
    now: float,
    prior: PacePrior,
    scenarios: int,
    inside: Mapping[str, float],
) -> tuple[Account, ...]:
    """Return every account at `now`.

    `rates` are what the remaining steps take; `inside` says since when crew members whose stores have
    come to rest are inside. A belief without any spread has none of levels either.
    """
    books = _Books(progress, rates, now, prior, scenarios, inside)
    return tuple(
        books.account(consumable, owner)
        for consumable in progress.plan.consumables
        for owner in owners(consumable)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Books:
    """What all accounts of a world have in common."""

    progress: Progress
    rates: Rates
    now: float
    prior: PacePrior
    scenarios: int
    inside: Mapping[str, float]

    def account(self, consumable: Consumable, owner: str) -> Account:
        """Return one account; `owner` is a crew member, or `*` for a shared store."""
        progress, rest_w = self.progress, self.progress.plan.rest_w
        members = members_of(consumable, owner)
        outside = [c for c in members if c not in self.inside]
        until = self.now if outside else max((self.inside[c] for c in members), default=self.now)
        store = _store(progress, consumable, owner, members, min(self.now, until), self.prior, self.inside)
        key, certain = f"{owner}.{consumable.id}", without_spread(self.prior)
        level, use = _draw(progress.uuid, key, store, self.scenarios, certain)
        return Account(
            crew=owner,
            consumable=consumable.id,
            level=level,
            use=use,
            reserve=progress.reserves.get((owner, consumable.id), consumable.reserve),
            waiting_per_s=waiting_rate(consumable, rest_w, len(outside)),
            extra_per_s=self.rates[owner, consumable.id],
            expected=store.level,
            expected_use=store.use,
            flagged=store.flagged,
            read_at=store.read_at,
        )


def without_spread(prior: PacePrior) -> bool:
    """Whether this belief leaves nothing open: every spread is 0, and the forecast one course."""
    spreads = (prior.spread, prior.sigma, prior.crew_spread, prior.work_spread, prior.use_spread)
    single = [spread for _, spread in (*prior.crew.values(), *prior.work.values())]
    return not any((*spreads, *prior.drifts, *single))


def waiting_rate(consumable: Consumable, rest_w: float, people: int) -> float:
    """Return units a second while so many of its crew, all outside, do nothing; 0 without any."""
    if not people:
        return 0.0
    return consumable.per_hour / 3600.0 + people * consumable.per_megajoule * JOULES * rest_w


def _store(
    progress: Progress,
    consumable: Consumable,
    owner: str,
    members: Sequence[str],
    at: float,
    prior: PacePrior,
    inside: Mapping[str, float],
) -> Store:
    """Return what is believed about one store at a PET, from the readings until then."""
    mine = [r for r in progress.readings if r.crew == owner and r.consumable == consumable.id]
    return believed(
        mine,
        used_so_far(progress, consumable, members, at, inside),
        start=consumable.start,
        reading_sd=consumable.reading_sd,
        use_spread=prior.use_spread,
        unit=consumable.unit,
        now=at,
    )


def used_so_far(
    progress: Progress,
    consumable: Consumable,
    members: Sequence[str],
    now: float,
    inside: Mapping[str, float],
) -> Used:
    """Return what the model says these crew members used between two PETs up to `now`.

    Work at the effort of its step, everything else at rest, from PET 0 until they are inside.
    """
    clock = consumable.per_hour / 3600.0
    ends = {c: min(now, inside.get(c, now)) for c in members}
    last = max(ends.values(), default=0.0)
    curves = [_curve(progress, consumable, c, members, ends[c]) for c in members]

    def used(a: float, b: float) -> float:
        ticked = clock * (min(max(b, 0.0), last) - min(max(a, 0.0), last))
        return ticked + sum(_between(curve, a, b) for curve in curves)

    return used


Curve = tuple[NDArray[np.float64], NDArray[np.float64]]
"""PETs, and what was used by then."""


def _between(curve: Curve, a: float, b: float) -> float:
    at_a, at_b = np.interp((a, b), *curve)
    return float(at_b - at_a)


def _curve(
    progress: Progress, consumable: Consumable, member: str, members: Sequence[str], until: float
) -> Curve:
    """Return what one crew member used beyond the clock, from PET 0 until a PET."""
    rest = consumable.per_megajoule * JOULES * progress.plan.rest_w
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
    progress: Progress, consumable: Consumable, interval: Interval, member: str, members: Sequence[str]
) -> float:
    """Return units a second beyond the clock in one stretch of a crew member's time."""
    energy = consumable.per_megajoule * JOULES
    if interval.kind != "work" or interval.step is None:
        return energy * progress.plan.rest_w
    state = progress.steps[interval.step]
    factor = state.step.use.get(consumable.id, 1.0)
    rate = energy * factor * state.step.effort_of(member)
    if factor != 1.0 and member == next((c for c in state.crew if c in members), member):
        rate += (factor - 1.0) * consumable.per_hour / 3600.0
    return rate


def _draw(uuid: str, key: str, store: Store, n: int, certain: bool) -> tuple[Row, Row]:
    """Return level and use factor per scenario, jointly normal; the use factor is cut below."""
    sd_level = 0.0 if certain else math.sqrt(store.var_level)
    slope = store.covariance / store.var_level if store.var_level > 0 else 0.0
    own = math.sqrt(max(0.0, store.var_use - slope * store.covariance))
    z_level = normals(uuid, f"level:{key}", n)
    level = np.float32(store.level) + np.float32(sd_level) * z_level
    use = np.float32(store.use) + np.float32(slope * sd_level) * z_level
    if own > 0:
        use = use + np.float32(own) * normals(uuid, f"use:{key}", n)
    return level, np.maximum(use, np.float32(LEAST_USE), dtype=np.float32)
