"""What is true of a simulated crew, and only drawn once: its pace, and what its consumables hold.

Pace follows the model that the forecast assumes, with its unknowns drawn: logarithm of actual over planned
time = pace with drift + crew effect (mean over the crew) + kind of work + noise. A draw is the SHA-256 of
the seed and the names of what it is for, read as a number: it never depends on what was drawn before, and
rehearsals with the same seed are the same on every machine.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist
from typing import TypeVar

from tracker.forecast.pace_file import USUAL_DRIFTS, USUAL_WEIGHTS, PacePrior
from tracker.forecast.pace_grid import PROCESSES, own_shape
from tracker.journal.progress import StepState
from tracker.plan.model import Consumable, Plan, Step

T = TypeVar("T")

_STANDARD = NormalDist()
_BITS = 52


class Chance:
    """Draws of one seed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def uniform(self, *names: object) -> float:
        """Return a number between 0 and 1, neither included."""
        text = "\0".join(map(str, (self.seed, *names)))
        digest = hashlib.sha256(text.encode()).digest()
        return ((int.from_bytes(digest[:8], "big") >> (64 - _BITS)) + 0.5) / 2.0**_BITS

    def normal(self, *names: object) -> float:
        """Return a number of the standard normal distribution."""
        return _STANDARD.inv_cdf(self.uniform(*names))

    def between(self, low: float, high: float, *names: object) -> float:
        """Return a number between two others."""
        return low + (high - low) * self.uniform(*names)

    def happens(self, probability: float, *names: object) -> bool:
        """Return whether something of this probability happens."""
        return self.uniform(*names) < probability

    def pick(self, among: Sequence[T], *names: object) -> T:
        """Return one of several, each as likely; ValueError when there are none."""
        if not among:
            raise ValueError("there is nothing to pick from")
        return among[min(int(self.uniform(*names) * len(among)), len(among) - 1)]


LEAST_S = 10.0
"""No step is done in less."""
GRAIN_H = 0.25
"""Hours of the planned clock from one point of the drift to the next."""
STUCK_TIMES = 3.0
"""A stuck fastener makes its step take so many times as long."""


class Nature:
    """The true pace of a crew."""

    def __init__(self, prior: PacePrior, chance: Chance, *, stuck: Sequence[str] = ()) -> None:
        self.prior, self._chance = prior, chance
        self._stuck = frozenset(stuck)

    @cached_property
    def level(self) -> float:
        """Logarithm of the pace of this crew on average."""
        return math.log(self.prior.median) + self.prior.spread * self._chance.normal("pace")

    @cached_property
    def drift(self) -> float:
        """How strongly pace wanders, standard deviation per square root of an hour."""
        prior, chance, passed = self.prior, self._chance.uniform("process"), 0.0
        drifts, weights = (prior.drifts, prior.weights) if prior.drifts else (USUAL_DRIFTS, USUAL_WEIGHTS)
        if prior.processes:
            drifts = tuple(PROCESSES[name].walk for name in prior.processes)
            weights = tuple(prior.processes.values())
        for drift, weight in zip(drifts, weights, strict=True):
            passed += weight
            if chance < passed:
                return drift
        return drifts[-1]

    def wandered(self, clock_s: float) -> float:
        """Return how far the logarithm of pace has wandered at an instant of the planned clock."""
        hours = max(0.0, clock_s) / 3600.0
        whole, part = divmod(hours / GRAIN_H, 1.0)
        size = self.drift * math.sqrt(GRAIN_H)
        walk = sum(self._chance.normal("drift", n) for n in range(int(whole)))
        return size * (walk + part * self._chance.normal("drift", int(whole)))

    def seconds(self, state: StepState, crew: Sequence[str], clock_s: float, home_s: float | None) -> float:
        """Return how long a step truly takes this crew.

        `clock_s`: planned PET of its middle; `home_s`: the way home from where they are, for a step that
        is one.
        """
        step = state.step
        likely = float(step.time.likely)
        if step.fixed:
            return likely
        if step.time.home and home_s is not None:
            likely = home_s
        sigma, time = self.prior.sigma, step.time
        median, noise = own_shape(likely, time.low, time.high, certain=sigma <= 0)
        own = sigma * (1.0 if time.low is None else noise) * self._chance.normal("step", step.id)
        log = self.level + self.wandered(clock_s) + self._of_crew(crew) + self._of_work(step.work)
        times = STUCK_TIMES if step.id in self._stuck else 1.0
        return max(LEAST_S, median * math.exp(log + own) * times) if median > 0 else 0.0

    def items(self, step: str, count: int, seconds: float) -> tuple[float, ...]:
        """Return after how much work time each of a step's counted items is done; the last at the end.

        A stuck step has one item that took what it took too long.
        """
        parts = [math.exp(0.4 * self._chance.normal("item", step, n)) for n in range(count)]
        if step in self._stuck:
            parts[int(self._chance.uniform("stuck", step) * count)] += (STUCK_TIMES - 1.0) * sum(parts)
        total, passed, out = sum(parts), 0.0, []
        for part in parts:
            passed += part
            out.append(seconds * passed / total)
        out[-1] = seconds
        return tuple(out)

    def _of_crew(self, crew: Sequence[str]) -> float:
        prior = self.prior
        return sum(self._effect("crew", c, prior.crew, prior.crew_spread) for c in crew) / max(len(crew), 1)

    def _of_work(self, kind: str) -> float:
        return self._effect("work", kind, self.prior.work, self.prior.work_spread)

    def _effect(self, what: str, name: str, own: Mapping[str, tuple[float, float]], spread: float) -> float:
        median, own_spread = own.get(name, (1.0, spread))
        return math.log(median) + own_spread * self._chance.normal(what, name)


LEAST_USE = 0.2
"""Nobody uses less than this part of what the plan says."""

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
        name, clock = self.consumable.id, self.consumable.clock_rate
        energy = self.consumable.per_joule
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
                one.members(owner),
                max(0.0, one.start + one.reading_sd * chance.normal("level", owner, one.id)),
                max(LEAST_USE, 1.0 + prior.use_spread * chance.normal("use", owner, one.id)),
            )
            for one in plan.consumables
            for owner in one.owners
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
