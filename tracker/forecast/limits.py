"""Every limit as an instant: which scenarios of a course break which, and whether enough break none.

A consumable of one crew member is a deadline: with A left, reserve R, use factor u, waiting rate w
and extra rates x of the remaining steps, the level at ingress is at least R exactly when everybody
is inside by  [(A - R)/u - sum(x * duration)] / w  from now. So a scenario is safe exactly when
everybody is inside by every such instant and every elapsed limit, and no remaining step is shut out.

Hidden here: whom a limit binds, what rounding is forgiven, which stores have no instant of their own,
that a confidence is a count of scenarios, and which sets of optional tasks may be kept at all.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumption import Mask, usage_sums, weights
from tracker.forecast.quantiles import one
from tracker.forecast.world import (
    NEVER,
    Account,
    Clock,
    Course,
    ElapsedLimit,
    OptionalTask,
    Row,
    World,
    shut_out,
    shut_out_by_window,
)
from tracker.forecast.world import inside as ingress
from tracker.plan.graph import closure

GRAIN_S = 0.05
"""Seconds by which an instant may be missed and still counts as met: what float32 sums round away
over a day, so that a plan which meets its limit exactly on paper meets it here."""


@dataclass(frozen=True, slots=True, eq=False)
class LimitResult:
    """One limit against one course."""

    id: str
    """`elapsed` or another elapsed limit's name, `CREW.consumable`, `window.NAME`."""
    at: Row | float | None
    """Its instant, relative to now; None for a window, which has none of its own."""
    inside: Row
    """When those it binds are inside, relative to now; infinite where a step is shut out."""
    broken: Mask
    """Scenarios that break it. Where a step is shut out there is no ingress to judge: such a scenario
    counts for its window alone."""

    @property
    def chance(self) -> float:
        """Share of scenarios that break it."""
        return float(np.count_nonzero(self.broken)) / len(self.broken)


def margin(instant: Row | float, inside: Row) -> Row:
    """Instant less ingress per scenario, seconds.

    Minus infinity where a step is shut out, plus infinity where nothing runs down any more.
    """
    comes_in = inside < NEVER
    if comes_in.all():
        return np.asarray(instant - inside, dtype=np.float32)
    out = np.asarray(instant - np.where(comes_in, inside, np.float32(0)), dtype=np.float32)
    out[~comes_in] = -np.inf
    return out


def limit_results(
    world: World, present: Collection[int], course: Course, beyond: NDArray[np.float32] | None = None
) -> tuple[LimitResult, ...]:
    """Every limit against a finished course: elapsed limits, consumables, windows that shut out.

    `beyond`: what `beyond_waiting` says of these nodes, if it is known already.
    """
    lost = shut_out(world, course)
    everybody = ingress(world, course)
    some, kept = bool(lost.any()), ~lost

    def held_against(id: str, at: Row | float, inside: Row, latest: Row | float) -> LimitResult:
        # Negated here and below, so that what is no number breaks the limit.
        broken = ~(inside <= latest)
        return LimitResult(id, at, inside, broken & kept if some else broken)

    out = [
        held_against(limit.name, limit.at, inside, limit.at + GRAIN_S)
        for limit, inside in _bound(world, course, everybody)
    ]
    for account, row in zip(world.accounts, deadlines(world, present, beyond), strict=True):
        out.append(held_against(store_id(account), row, everybody, row + np.float32(GRAIN_S)))
    for name, mask in (shut_out_by_window(world, course) if some else {}).items():
        out.append(LimitResult(f"window.{name}", None, everybody, mask))
    return tuple(out)


def store_id(account: Account) -> str:
    """`CREW.consumable`: how the reserve of an account is called as a limit."""
    return f"{account.crew}.{account.consumable}"


def _bound(world: World, course: Course, everybody: Row) -> Iterator[tuple[ElapsedLimit, Row]]:
    """Every elapsed limit, and when those whom it binds are inside."""
    for limit in world.limits:
        who = bound_crew(world, limit)
        yield limit, everybody if who is None else ingress(world, course, who)


def binding(found: Sequence[LimitResult]) -> LimitResult | None:
    """The limit most likely to be broken; of equals the one with the smallest median margin.

    A window has no margin; among equals that are broken at all it comes first.
    """
    counts = [int(np.count_nonzero(result.broken)) for result in found]
    most = max(counts, default=0)
    first = [result for result, count in zip(found, counts, strict=True) if count == most]

    def middle(result: LimitResult) -> float:
        if result.at is None:
            return -math.inf if most else math.inf
        return one(margin(result.at, result.inside), 0.5)

    return min(first, key=middle, default=None) if len(first) != 1 else first[0]


@dataclass(frozen=True, slots=True, eq=False)
class Breaches:
    """Which scenarios of one course break what."""

    elapsed: Mask
    """Some elapsed limit, or a step is shut out."""
    consumables: Mask
    """Some reserve, or a step is shut out (who never comes in keeps no reserve)."""

    @property
    def safe(self) -> Mask:
        """Scenarios that break nothing."""
        return ~(self.elapsed | self.consumables)

    @property
    def share_safe(self) -> float:
        """Share of scenarios that break nothing."""
        return float(np.count_nonzero(self.safe)) / len(self.elapsed)

    @property
    def counts(self) -> FailureCounts:
        """How many scenarios break what."""
        return FailureCounts.of(self.elapsed, self.consumables)


def breaches(
    world: World, present: Collection[int], course: Course, beyond: NDArray[np.float32] | None = None
) -> Breaches:
    """Which scenarios of a finished course break what.

    `beyond`: what `beyond_waiting` says of these nodes, if it is known already.
    """
    lost = shut_out(world, course)
    everybody = ingress(world, course)
    elapsed, consumables = lost.copy(), lost.copy()
    for limit, inside in _bound(world, course, everybody):
        elapsed |= ~(inside <= limit.at + GRAIN_S)
    for row in deadlines(world, present, beyond):
        consumables |= ~(everybody <= row + np.float32(GRAIN_S))
    return Breaches(elapsed, consumables)


def late(course: Course, clock: Clock) -> Mask | None:
    """The scenarios in which a hardware clock runs out; None where its step does not remain."""
    done = course.finish.get(clock.node)
    if done is None:
        return None
    if clock.of is None:
        due: Row | float = math.inf if clock.due is None else clock.due
    elif (of := course.finish.get(clock.of)) is not None:
        due = of + np.float32(clock.time)
    else:
        return None
    return np.asarray(~(done <= due + np.float32(GRAIN_S)), dtype=np.bool_)


def beyond_waiting(world: World, *sets: Collection[int]) -> list[NDArray[np.float32]]:
    """Per set of nodes, (accounts, N): what its steps take beyond waiting, at use factor 1.

    All sets at once, since reading the durations is what takes the time.
    """
    if not world.accounts:
        return [np.zeros((0, world.scenarios), dtype=np.float32) for _ in sets]
    extra = np.stack([account.extra_per_s for account in world.accounts])
    rates = np.concatenate([extra * weights(world, present) for present in sets])
    return np.split(usage_sums(rates, world.durations), len(sets))


def deadlines(world: World, present: Collection[int], beyond: NDArray[np.float32] | None = None) -> list[Row]:
    """Per account the instant, relative to now, by which everybody must be inside.

    The reserve is kept at ingress exactly when they are. Infinite where nothing runs down while
    waiting and the work left fits; 0 where it does not. Units: seconds. `beyond`: what
    `beyond_waiting` says of these nodes, if it is known already.
    """
    taken = beyond_waiting(world, present)[0] if beyond is None else beyond
    return [settled(world, k, as_waiting(world, k, world.stores[k] - row)) for k, row in enumerate(taken)]


def as_waiting(world: World, account: int, units: Row) -> Row:
    """Units of an account (at use factor 1) as seconds of waiting, where the clock takes from it."""
    if not clocked(world, account):
        return units
    return np.asarray(units / world.waiting[account], dtype=np.float32)


def settled(world: World, account: int, left: Row) -> Row:
    """An account's instant, given what is left: an instant itself where the clock takes from it."""
    if clocked(world, account):
        return left
    # What is missing of a store whose crew is inside was missing at their ingress.
    gone = -NEVER if is_settled(world, account) else np.float32(0.0)
    return np.where(left >= -grain_of(world, account), NEVER, gone).astype(np.float32)


def clocked(world: World, account: int) -> bool:
    """Whether the clock takes from an account: it runs down while waiting, until its crew is inside.

    From others only the work left takes anything, and their instant is never or now.
    """
    return world.accounts[account].waiting_per_s > 0 and not is_settled(world, account)


def is_settled(world: World, account: int) -> bool:
    """Whether those whose store it is are inside already (of a shared one: all of them)."""
    return world.accounts[account].rest is not None


def grain_of(world: World, account: int) -> Row:
    """What may be missing from an account that no clock takes from: rounding, no more."""
    return np.asarray(np.float32(1e-6) * np.abs(world.accounts[account].level), dtype=np.float32)


def bound_crew(world: World, limit: ElapsedLimit) -> tuple[int, ...] | None:
    """Whom a limit binds; None for everybody, so that ownerless work counts as well."""
    return None if set(world.counted) <= set(limit.crew) else limit.crew


@dataclass(frozen=True, slots=True)
class FailureCounts:
    """How many scenarios break anything, an elapsed limit, a reserve."""

    any: int
    elapsed: int
    consumables: int

    @staticmethod
    def of(elapsed: Mask, consumables: Mask) -> FailureCounts:
        """How many scenarios break what."""
        masks = (elapsed | consumables, elapsed, consumables)
        return FailureCounts(*(int(np.count_nonzero(mask)) for mask in masks))

    def safe_by(self, world: World) -> dict[str, float] | None:
        """The chance of keeping each kind of limit; None where one is demanded for all."""
        failing = {"elapsed": self.elapsed, "consumables": self.consumables}
        by = {kind: 1.0 - broken / world.scenarios for kind, broken in failing.items()}
        return None if world.confidence_joint else by

    def plus(self, other: FailureCounts) -> FailureCounts:
        """Both together, of scenarios that are counted apart."""
        return FailureCounts(
            self.any + other.any, self.elapsed + other.elapsed, self.consumables + other.consumables
        )

    def times(self, many: int) -> FailureCounts:
        """As many in so many times the scenarios."""
        return FailureCounts(self.any * many, self.elapsed * many, self.consumables * many)


@dataclass(frozen=True, slots=True)
class ChanceConstraint:
    """How many scenarios may fail: one number for everything, or one for each kind of limit."""

    joint: bool
    elapsed: int
    """With `joint`: how many may break anything."""
    consumables: int
    clock: int
    """How many may be late for a hardware clock."""

    @staticmethod
    def of(world: World, *, entering: bool = False, times: float = 1.0) -> ChanceConstraint:
        """So many `times` what the world's confidence allows; `entering`: the stricter one for more work."""
        elapsed, consumables = world.confidence_elapsed, world.confidence_consumables
        n = world.scenarios
        if entering:
            elapsed, consumables = to_enter(elapsed, n), to_enter(consumables, n)
        may_fail, of_stores = (int(times * (n - needed(share, n))) for share in (elapsed, consumables))
        return ChanceConstraint(world.confidence_joint, may_fail, of_stores, may_fail)

    def met(self, failing: FailureCounts) -> bool:
        """Whether no more fail than may."""
        if self.joint:
            return failing.any <= self.elapsed
        return failing.elapsed <= self.elapsed and failing.consumables <= self.consumables


def need_of(world: World) -> float | None:
    """The chance of keeping every limit that is demanded; None where each kind of limit has its own."""
    return world.confidence_elapsed if world.confidence_joint else None


def needed(confidence: float, scenarios: int) -> int:
    """How many scenarios have to be safe for a confidence: a count, never a float share."""
    return math.ceil(confidence * scenarios - 1e-9)


def to_enter(confidence: float, scenarios: int) -> float:
    """The confidence at which work that was not kept before is taken in.

    Above the demanded one by 0.02 or two standard errors, whichever is more, and never beyond halfway
    to certainty: news moves the share at a tick, and advice should not follow every tick.
    """
    error = 2 * math.sqrt(confidence * (1 - confidence) / scenarios)
    return min(confidence + max(0.02, error), (1 + confidence) / 2)


def with_needs(optional: Sequence[OptionalTask], tasks: Iterable[int]) -> frozenset[int]:
    """These tasks with all the optional ones that they need."""
    return frozenset(closure(tasks, lambda m: optional[m].needs))


def with_dependents(optional: Sequence[OptionalTask], tasks: Iterable[int]) -> frozenset[int]:
    """These tasks with all the optional ones that need them."""
    return frozenset(closure(tasks, lambda m: [k for k, task in enumerate(optional) if m in task.needs]))


def closed(optional: Sequence[OptionalTask], tasks: Collection[int]) -> frozenset[int]:
    """These tasks without those whose needs are not among them."""
    missing = [m for m in range(len(optional)) if m not in tasks]
    return frozenset(tasks) - with_dependents(optional, missing)


def going_on(optional: Sequence[OptionalTask], kept: Collection[str]) -> frozenset[int]:
    """Which of these tasks are on the projected course: those kept, and those begun.

    Begun work goes on, with what it needs, until a person gives it up, whatever is advised about it.
    """
    advised = closed(optional, [m for m, task in enumerate(optional) if task.task in kept])
    begun = (m for m, task in enumerate(optional) if task.begun)
    return advised | with_needs(optional, begun)


Worth = tuple[int, int]
"""Total value of `should` tasks, then of get-aheads, in whole units of the least common denominator."""


def worths(optional: Sequence[OptionalTask]) -> list[Worth]:
    """What each task is worth, as whole numbers so that sums compare exactly."""
    exact = [Fraction(repr(float(task.value))) for task in optional]
    unit = math.lcm(*(value.denominator for value in exact))
    whole = [int(value * unit) for value in exact]
    return [
        (value, 0) if task.priority == "should" else (0, value)
        for value, task in zip(whole, optional, strict=True)
    ]


def total(values: Sequence[Worth], tasks: Iterable[int]) -> Worth:
    """What these tasks are worth together."""
    should, ahead = 0, 0
    for m in tasks:
        should += values[m][0]
        ahead += values[m][1]
    return should, ahead
