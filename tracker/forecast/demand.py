"""What has to hold: how many scenarios may fail, and which sets of optional tasks may be kept at all."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tracker.forecast.limits import Broken, Mask, needed
from tracker.forecast.world import OptionalTask, World


@dataclass(frozen=True, slots=True)
class Failing:
    """How many scenarios break anything, an elapsed limit, a reserve."""

    any: int
    elapsed: int
    consumables: int

    def plus(self, other: Failing) -> Failing:
        """Return both together, of scenarios that are counted apart."""
        return Failing(
            self.any + other.any, self.elapsed + other.elapsed, self.consumables + other.consumables
        )


@dataclass(frozen=True, slots=True)
class Demand:
    """How many scenarios may fail: one number for everything, or one for each kind of limit."""

    joint: bool
    elapsed: int
    """With `joint`: how many may break anything."""
    consumables: int
    clock: int
    """How many may be late for a hardware clock."""

    def met(self, failing: Failing) -> bool:
        """Whether no more fail than may."""
        if self.joint:
            return failing.any <= self.elapsed
        return failing.elapsed <= self.elapsed and failing.consumables <= self.consumables


def demand(world: World, *, entering: bool = False) -> Demand:
    """Return what the world's confidence allows; with `entering` the stricter one for more work."""
    elapsed, consumables = world.confidence_elapsed, world.confidence_consumables
    n = world.scenarios
    if entering:
        elapsed, consumables = to_enter(elapsed, n), to_enter(consumables, n)
    may_fail = n - needed(elapsed, n)
    return Demand(world.confidence_joint, may_fail, n - needed(consumables, n), may_fail)


def to_enter(confidence: float, scenarios: int) -> float:
    """Return the confidence at which work that was not kept before is taken in.

    Above the demanded one by 0.02 or two standard errors, whichever is more, and never beyond halfway
    to certainty: news moves the share at a tick, and advice should not follow every tick.
    """
    error = 2 * math.sqrt(confidence * (1 - confidence) / scenarios)
    return min(confidence + max(0.02, error), (1 + confidence) / 2)


def count(elapsed: Mask, consumables: Mask) -> Failing:
    """Return how many scenarios break what."""
    return Failing(
        int(np.count_nonzero(elapsed | consumables)),
        int(np.count_nonzero(elapsed)),
        int(np.count_nonzero(consumables)),
    )


def failing(found: Broken) -> Failing:
    """Return how many scenarios of a course break what."""
    return count(found.elapsed, found.consumables)


def with_needs(optional: tuple[OptionalTask, ...], tasks: Iterable[int]) -> frozenset[int]:
    """Return these tasks with all the optional ones that they need."""
    out: set[int] = set()
    todo = list(tasks)
    while todo:
        if (m := todo.pop()) not in out:
            out.add(m)
            todo.extend(optional[m].needs)
    return frozenset(out)


def with_dependents(optional: tuple[OptionalTask, ...], tasks: Iterable[int]) -> frozenset[int]:
    """Return these tasks with all the optional ones that need them."""
    out = set(tasks)
    grew = True
    while grew:
        more = {m for m, task in enumerate(optional) if m not in out and not out.isdisjoint(task.needs)}
        out |= more
        grew = bool(more)
    return frozenset(out)


def closed(optional: tuple[OptionalTask, ...], tasks: Collection[int]) -> frozenset[int]:
    """Return these tasks without those whose needs are not among them."""
    missing = [m for m in range(len(optional)) if m not in tasks]
    return frozenset(tasks) - with_dependents(optional, missing)


def going_on(world: World, kept: Collection[str]) -> frozenset[int]:
    """Return the optional tasks on the projected course: those kept, and those begun."""
    return going_on_of(world.optional, kept)


def going_on_of(optional: tuple[OptionalTask, ...], kept: Collection[str]) -> frozenset[int]:
    """Return which of these tasks are on the projected course.

    Begun work goes on, with what it needs, until a person gives it up, whatever is advised about it.
    """
    advised = closed(optional, [m for m, task in enumerate(optional) if task.task in kept])
    begun = (m for m, task in enumerate(optional) if task.begun)
    return advised | with_needs(optional, begun)


Worth = tuple[int, int]
"""Total value of `should` tasks, then of get-aheads, in whole units of the least common denominator."""


def worths(optional: tuple[OptionalTask, ...]) -> list[Worth]:
    """Return what each task is worth, as whole numbers so that sums compare exactly."""
    exact = [Fraction(repr(float(task.value))) for task in optional]
    unit = math.lcm(*(value.denominator for value in exact))
    whole = [int(value * unit) for value in exact]
    return [
        (value, 0) if task.priority == "should" else (0, value)
        for value, task in zip(whole, optional, strict=True)
    ]


def total(values: list[Worth], tasks: Iterable[int]) -> Worth:
    """Return what these tasks are worth together."""
    should, ahead = 0, 0
    for m in tasks:
        should += values[m][0]
        ahead += values[m][1]
    return should, ahead
