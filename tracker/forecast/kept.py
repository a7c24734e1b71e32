"""Which optional tasks to keep: the most valuable set that holds, exact for the sample of scenarios.

Depth first over the optional tasks in the order of their first steps, the courses of shared prefixes
played once, pruned because more work is never safer; on the scenarios that can differ, the hardest
first, each improvement confirmed on all. What breaks that rule (hardware clocks, ways home, uses below
waiting) is judged at the leaves and never prunes.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from tracker.forecast.demand import (
    Demand,
    Failing,
    Worth,
    closed,
    count,
    demand,
    total,
    with_needs,
    worths,
)
from tracker.forecast.judge import Judge
from tracker.forecast.limits import Mask, clocked
from tracker.forecast.stage import Stage, bounds
from tracker.forecast.world import Course, Row, World, advance, begin
from tracker.forecast.world import inside as ingress

NODE_BUDGET = 20_000
"""Sets tried before the search stops and says that its best is not proven."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The outcome of a search."""

    tasks: frozenset[int]
    """Indices into `World.optional`."""
    holds: bool
    """False when no set holds, not even the empty one; `tasks` is empty then."""
    proven: bool = True


def kept_set(
    world: World,
    *,
    judge: Judge | None = None,
    wanted: Demand | None = None,
    among: Collection[int] | None = None,
    budget: int = NODE_BUDGET,
) -> Kept:
    """Return the best set that holds, of these tasks (default: all optional ones).

    Best is the greatest total value of `should` tasks, then of get-aheads, then the fewest unsafe
    scenarios, then file order. `wanted` replaces what the world's confidence demands.
    """
    judge = judge or Judge(world)
    wanted = wanted or demand(world)
    everything = closed(world.optional, range(len(world.optional)) if among is None else among)
    if judge.meets(everything, wanted):
        return Kept(everything, holds=True)
    least, most = bounds(world)
    certain = least.masks(*least.whole(frozenset()))
    if not wanted.met(count(*certain)):
        return Kept(frozenset(), holds=False)
    search = _Search(judge, wanted, everything, budget, _hard(certain, least, most, everything, wanted))
    search.run()
    return search.result()


@dataclass(frozen=True, slots=True, eq=False)
class _Hard:
    """The scenarios on which the search looks first, and what surely fails among the others."""

    stage: Stage | None
    """The bound on those scenarios; None where no scenario can differ."""
    elsewhere: Failing


def _hard(
    certain: tuple[Mask, Mask], least: Stage, most: Stage, everything: frozenset[int], wanted: Demand
) -> _Hard:
    """Choose twice as many scenarios as may fail, of those that can differ, the hardest.

    A set that fails on more of them than may fail at all fails; the others are only counted where
    they fail with no optional work.
    """
    course, left = most.whole(everything)
    worst = most.masks(course, left)
    differ = (worst[0] & ~certain[0]) | (worst[1] & ~certain[1])
    candidates = np.flatnonzero(differ)
    size = min(len(candidates), max(256, 2 * max(wanted.elapsed, wanted.consumables)))
    hardness = _lateness(most, course, left)[candidates]
    chosen = np.sort(candidates[np.argpartition(-hardness, size - 1)[:size]]) if size else candidates
    elsewhere = np.ones(len(differ), dtype=np.bool_)
    elsewhere[chosen] = False
    surely = count(certain[0] & elsewhere, certain[1] & elsewhere)
    if not size:
        return _Hard(None, surely)
    inside = ingress(most.world, course)[chosen]
    can_break = [
        k for k, row in enumerate(left) if not (clocked(most.world, k) and (inside <= row[chosen]).all())
    ]
    return _Hard(least.part(chosen, can_break), surely)


def _lateness(bound: Stage, course: Course, left: list[Row]) -> Row:
    """Return by how much each scenario is later than its earliest limit."""
    world = bound.world
    limit = np.full(world.scenarios, min((one.at for one in world.limits), default=np.inf), dtype=np.float32)
    for row in left:
        np.minimum(limit, row, out=limit)
    inside = np.minimum(ingress(world, course), np.float32(1e9))
    return np.asarray(inside - np.minimum(limit, np.float32(1e9)), dtype=np.float32)


class _Search:
    def __init__(
        self, judge: Judge, wanted: Demand, everything: frozenset[int], budget: int, hard: _Hard
    ) -> None:
        self.judge, self.wanted, self.budget = judge, wanted, budget
        self.world = judge.world
        self.optional = self.world.optional
        self.stage, self.elsewhere = hard.stage, hard.elsewhere
        self.values = worths(self.optional)
        self.order = sorted(everything, key=lambda m: (self._first(m), m))
        self.firsts = [self._first(m) for m in self.order] + [len(self.world.nodes)]
        self.rest = [total(self.values, self.order[j:]) for j in range(len(self.order) + 1)]
        self.best: tuple[Worth, int, tuple[bool, ...]] | None = None
        self.found: frozenset[int] = frozenset()
        self.by_place = sorted(range(len(self.optional)), key=lambda m: self.optional[m].place)
        self.tried = 0

    def _first(self, m: int) -> int:
        nodes = self.world.nodes
        return next((i for i, node in enumerate(nodes) if m in node.groups), len(nodes))

    def run(self) -> None:
        self.offer(frozenset())
        self._greedy()
        if self.stage is None:
            # No scenario can differ: the bounds alone decide, set by set.
            self.go(0, None, (), frozenset(), frozenset(), self.elsewhere)
            return
        bound = self.stage
        course = advance(bound.world, begin(bound.world), self._between(frozenset(), 0, self.firsts[0]))
        left = bound.always
        failing = self._failing(frozenset(), course, self.firsts[0], left)
        self.go(0, course, left, frozenset(), frozenset(), failing)

    def result(self) -> Kept:
        return Kept(self.found, holds=self.best is not None, proven=self.tried <= self.budget)

    def go(
        self,
        j: int,
        course: Course | None,
        left: tuple[Row, ...],
        kept: frozenset[int],
        dropped: frozenset[int],
        failing: Failing,
    ) -> None:
        """Decide about task j of the order and all after it; `course` stands before its first step."""
        self.tried += 1
        if self.tried > self.budget or self._hopeless(j, kept, failing):
            return
        if j == len(self.order):
            self.offer(kept)
            return
        m = self.order[j]
        if dropped.isdisjoint(self.optional[m].needs):
            self._keep(j, course, left, kept, dropped, failing)
        if not any(m in self.optional[other].needs for other in kept):
            later = None if course is None else self._forward(course, kept, j)
            self.go(j + 1, later, left, kept, dropped | {m}, failing)

    def _keep(
        self,
        j: int,
        course: Course | None,
        left: tuple[Row, ...],
        kept: frozenset[int],
        dropped: frozenset[int],
        failing: Failing,
    ) -> None:
        m = self.order[j]
        more = kept | {m}
        if course is None or self.stage is None:
            self.go(j + 1, None, left, more, dropped, failing)
            return
        later = self._forward(course, more, j)
        lesser = tuple(self.stage.left(kept, left, m))
        worse = self._failing(more, later, self.firsts[j + 1], lesser)
        if self.wanted.met(worse):
            self.go(j + 1, later, lesser, more, dropped, worse)

    def _hopeless(self, j: int, kept: frozenset[int], failing: Failing) -> bool:
        """Whether nothing from here on can be better than the best so far."""
        if self.best is None:
            return False
        have = total(self.values, kept)
        bound = (have[0] + self.rest[j][0], have[1] + self.rest[j][1])
        return bound < self.best[0] or (bound == self.best[0] and failing.any > self.best[1])

    def _between(self, kept: frozenset[int], low: int, high: int) -> list[int]:
        nodes = self.world.nodes
        return [i for i in range(low, high) if not nodes[i].groups or not kept.isdisjoint(nodes[i].groups)]

    def _forward(self, course: Course, kept: frozenset[int], j: int) -> Course:
        """Play on from the first step of task j to that of the next."""
        assert self.stage is not None
        nodes = self._between(kept, self.firsts[j], self.firsts[j + 1])
        return advance(self.stage.world, course.fork(), nodes) if nodes else course

    def _failing(self, kept: frozenset[int], course: Course, start: int, left: tuple[Row, ...]) -> Failing:
        """Return the least that fails when these and no later tasks are kept.

        That is what fails on the hard scenarios, and what surely fails elsewhere.
        """
        assert self.stage is not None
        tail = self._between(kept, start, len(self.world.nodes))
        here = self.stage.failing(advance(self.stage.world, course.fork(), tail), left)
        return here.plus(self.elsewhere)

    def _greedy(self) -> None:
        """Offer a good set early: should tasks first, then the most value per planned minute."""

        def key(m: int) -> tuple[bool, float, int]:
            task = self.optional[m]
            return task.priority != "should", -task.value / max(task.minutes, 1e-3), m

        kept: frozenset[int] = frozenset()
        for m in sorted(self.order, key=key):
            more = with_needs(self.optional, [*kept, m])
            if more <= frozenset(self.order) and self._may_hold(more):
                self.offer(more)
                kept = more if self.found == more else kept

    def _may_hold(self, kept: frozenset[int]) -> bool:
        if self.stage is None:
            return True
        return self.wanted.met(self.stage.failing(*self.stage.whole(kept)).plus(self.elsewhere))

    def offer(self, kept: frozenset[int]) -> None:
        """Take a set as the best so far when it is better and holds on all scenarios."""
        value = total(self.values, kept)
        if self.best is not None and value < self.best[0]:
            return
        if not self.judge.meets(kept, self.wanted):
            return
        fails = self.judge.outcome(kept).failing.any
        file_order = tuple(m not in kept for m in self.by_place)
        if self.best is None or (-value[0], -value[1], fails, file_order) < (
            -self.best[0][0],
            -self.best[0][1],
            self.best[1],
            self.best[2],
        ):
            self.best, self.found = (value, fails, file_order), kept
