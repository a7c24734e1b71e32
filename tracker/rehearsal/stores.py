"""What is truly left of the consumables of a simulated crew, and what it reads on its gauges."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from tracker.forecast.prior import PacePrior
from tracker.plan.model import Consumable, Plan, Step
from tracker.rehearsal.chance import Chance

LEAST_USE = 0.2
"""Nobody uses less than this part of what the plan says."""
JOULES = 1e-6
"""Megajoules in a joule."""

Doing = Mapping[str, Step]
"""Per crew member the step they are at work on; those who rest or wait are left out."""


@dataclass(slots=True)
class _Store:
    """One store: of a crew member, or shared."""

    owner: str
    consumable: Consumable
    members: tuple[str, ...]
    level: float
    use: float
    leak: float = 1.0

    def per_second(self, rest_w: float, doing: Doing, outside: Collection[str]) -> float:
        """Return how fast it goes down, units a second; 0 once all its crew are inside."""
        members = [c for c in self.members if c in outside]
        if not members:
            return 0.0
        name, clock = self.consumable.id, self.consumable.per_hour / 3600.0
        energy = self.consumable.per_megajoule * JOULES
        rate = clock
        for step in {id(doing[c]): doing[c] for c in members if c in doing}.values():
            rate += clock * (step.use.get(name, 1.0) - 1.0)
        for c in members:
            working = doing.get(c)
            rate += energy * (working.use.get(name, 1.0) * working.effort_of(c) if working else rest_w)
        return rate * self.use * self.leak


class Stores:
    """Every store of an excursion."""

    def __init__(self, plan: Plan, prior: PacePrior, chance: Chance) -> None:
        self._rest_w, self._chance = plan.rest_w, chance
        self._stores = {
            (owner, one.id): _Store(
                owner,
                one,
                one.crew if one.shared else (owner,),
                max(0.0, one.start + one.reading_sd * chance.normal("level", owner, one.id)),
                max(LEAST_USE, 1.0 + prior.use_spread * chance.normal("use", owner, one.id)),
            )
            for one in plan.consumables
            for owner in (("*",) if one.shared else one.crew)
        }

    @property
    def accounts(self) -> tuple[tuple[str, str], ...]:
        """(owner, consumable) of every store; the owner of a shared one is `*`."""
        return tuple(self._stores)

    def spend(self, seconds: float, doing: Doing, outside: Collection[str]) -> None:
        """Let time pass while these crew members do these steps."""
        if seconds > 0:
            for store in self._stores.values():
                used = store.per_second(self._rest_w, doing, outside) * seconds
                store.level = max(0.0, store.level - used)

    def leak(self, owner: str, consumable: str, times: float) -> None:
        """Let a store go down so many times as fast from now on."""
        self._stores[owner, consumable].leak *= times

    def level(self, owner: str, consumable: str) -> float:
        """Return what is truly left."""
        return self._stores[owner, consumable].level

    def read(self, owner: str, consumable: str, at: float) -> float:
        """Return what the gauge shows, as exact as the plan says, to four figures."""
        store = self._stores[owner, consumable]
        error = store.consumable.reading_sd * self._chance.normal("reading", owner, consumable, round(at))
        return float(f"{max(0.0, store.level + error):.4g}")
