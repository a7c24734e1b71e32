"""Which optional tasks to keep: the most valuable set that holds, exact for the sample of scenarios.

Depth first over the optional tasks in the order of their first steps, the courses of shared prefixes
played once, pruned because more work is never safer; on the scenarios that can differ, the hardest
first, each improvement confirmed on all. What breaks that rule (hardware clocks, ways home, uses below
waiting) is judged at the leaves and never prunes.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

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
from tracker.forecast.limits import GRAIN_S, Mask, clocked
from tracker.forecast.quick import Run
from tracker.forecast.stage import Stage, plain_world
from tracker.forecast.world import Row, World

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
    least, most = judge.bounds
    certain = least.masks(*least.whole(frozenset()))
    if not wanted.met(count(*certain)):
        return Kept(frozenset(), holds=False)
    hard = _hard(certain, least, most, everything, wanted)
    # Where more work is never safer the bound on all scenarios is the judgement but for rounding; what
    # it finds is judged once more, and looked for with the judgement alone should rounding matter.
    quick = replace(least, grain=GRAIN_S) if plain_world(world) and not world.clocks else None
    found = _Search(judge, wanted, everything, budget, hard, quick).run()
    if quick is not None and not judge.meets(found.tasks, wanted):
        found = _Search(judge, wanted, everything, budget, hard, None).run()
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Hard:
    """The scenarios on which the search looks first, and what surely fails among the others."""

    stage: Stage | None
    """The bound on those scenarios; None where no scenario can differ."""
    elsewhere: Failing


def _hard(
    certain: tuple[Mask, Mask], least: Stage, most: Stage, everything: frozenset[int], wanted: Demand
) -> _Hard:
    """Choose twice as many scenarios as may still fail, of those that can differ, the hardest.

    A set that fails on more of them than may fail at all fails; the others are only counted where
    they fail with no optional work.
    """
    run, left = most.whole(everything)
    worst = most.masks(run, left)
    differ = (worst[0] & ~certain[0]) | (worst[1] & ~certain[1])
    candidates = np.flatnonzero(differ)
    surely = count(*certain)
    room = wanted.elapsed - (surely.any if wanted.joint else surely.elapsed)
    room = room if wanted.joint else max(room, wanted.consumables - surely.consumables)
    size = min(len(candidates), max(256, 2 * room))
    hardness = _lateness(most, run, left)[candidates]
    chosen = np.sort(candidates[np.argpartition(-hardness, size - 1)[:size]]) if size else candidates
    elsewhere = np.ones(len(differ), dtype=np.bool_)
    elsewhere[chosen] = False
    fails_elsewhere = count(certain[0] & elsewhere, certain[1] & elsewhere)
    if not size:
        return _Hard(None, fails_elsewhere)
    inside = most.program.inside(run)[chosen]
    can_break = [
        k for k, row in enumerate(left) if not (clocked(most.world, k) and (inside <= row[chosen]).all())
    ]
    cuts = {first_node(most.world, m) for m in everything}
    return _Hard(least.part(chosen, can_break, cuts), fails_elsewhere)


def _lateness(bound: Stage, run: Run, left: list[Row]) -> Row:
    """Return by how much each scenario is later than its earliest limit."""
    world = bound.world
    limit = np.full(world.scenarios, min((one.at for one in world.limits), default=np.inf), dtype=np.float32)
    for row in left:
        np.minimum(limit, row, out=limit)
    inside = np.minimum(bound.program.inside(run), np.float32(1e9))
    return np.asarray(inside - np.minimum(limit, np.float32(1e9)), dtype=np.float32)


def first_node(world: World, m: int) -> int:
    """Return the first node that remains with a task; past the last one where none does."""
    nodes = world.nodes
    return next((i for i, node in enumerate(nodes) if m in node.groups), len(nodes))


@dataclass(frozen=True, slots=True, eq=False)
class _Node:
    """Where the search stands: tasks decided in order, and the hard scenarios played up to the next."""

    j: int
    run: Run | None
    """Stands before the first step of task j of the order; None where no scenario can differ."""
    left: tuple[Row, ...]
    kept: frozenset[int]
    dropped: frozenset[int]
    failing: Failing
    """The least that fails when no later task is kept."""


class _Search:
    def __init__(
        self,
        judge: Judge,
        wanted: Demand,
        everything: frozenset[int],
        budget: int,
        hard: _Hard,
        quick: Stage | None,
    ) -> None:
        self.judge, self.wanted, self.budget = judge, wanted, budget
        self.quick, self.stage, self.elsewhere = quick, hard.stage, hard.elsewhere
        world = judge.world
        self.optional, self.end = world.optional, len(world.nodes)
        self.values = worths(self.optional)
        self.order = sorted(everything, key=lambda m: (first_node(world, m), m))
        self.firsts = [first_node(world, m) for m in self.order] + [self.end]
        self.rest = [total(self.values, self.order[j:]) for j in range(len(self.order) + 1)]
        self.best: tuple[Worth, int, tuple[bool, ...]] | None = None
        self.found: frozenset[int] = frozenset()
        self.by_place = sorted(range(len(self.optional)), key=lambda m: self.optional[m].place)
        self.tried = 0

    def run(self) -> Kept:
        """Search, and return the best set."""
        self.offer(frozenset())
        self._greedy()
        self.go(self._root())
        return Kept(self.found, holds=self.best is not None, proven=self.tried <= self.budget)

    def _root(self) -> _Node:
        nothing: frozenset[int] = frozenset()
        if self.stage is None:
            return _Node(0, None, (), nothing, nothing, self.elsewhere)
        program = self.stage.program
        run = program.play(program.begin(), 0, self.firsts[0], nothing)
        failing = self._failing(nothing, run, self.firsts[0], self.stage.always)
        return _Node(0, run, self.stage.always, nothing, nothing, failing)

    def go(self, at: _Node) -> None:
        """Decide about the next task and all after it."""
        self.tried += 1
        if self.tried > self.budget or self._hopeless(at):
            return
        if at.j == len(self.order):
            self.offer(at.kept)
            return
        m = self.order[at.j]
        if at.dropped.isdisjoint(self.optional[m].needs):
            more = self._with(at, m)
            if self.wanted.met(more.failing):
                self.go(more)
        if not any(m in self.optional[other].needs for other in at.kept):
            self.go(self._without(at, m))

    def _with(self, at: _Node, m: int) -> _Node:
        kept = at.kept | {m}
        if at.run is None or self.stage is None:
            return replace(at, j=at.j + 1, kept=kept)
        run = self.stage.program.play(at.run, self.firsts[at.j], self.firsts[at.j + 1], kept)
        left = tuple(self.stage.left(at.kept, at.left, m))
        failing = self._failing(kept, run, self.firsts[at.j + 1], left)
        return _Node(at.j + 1, run, left, kept, at.dropped, failing)

    def _without(self, at: _Node, m: int) -> _Node:
        run = at.run
        if run is not None and self.stage is not None:
            run = self.stage.program.play(run, self.firsts[at.j], self.firsts[at.j + 1], at.kept)
        return replace(at, j=at.j + 1, run=run, dropped=at.dropped | {m})

    def _hopeless(self, at: _Node) -> bool:
        """Whether nothing from here on can be better than the best so far."""
        if self.best is None:
            return False
        have = total(self.values, at.kept)
        bound = (have[0] + self.rest[at.j][0], have[1] + self.rest[at.j][1])
        return bound < self.best[0] or (bound == self.best[0] and at.failing.any > self.best[1])

    def _failing(self, kept: frozenset[int], run: Run, start: int, left: tuple[Row, ...]) -> Failing:
        """Return the least that fails when these and no later tasks are kept.

        That is what fails on the hard scenarios, and what surely fails elsewhere.
        """
        assert self.stage is not None
        end = self.stage.program.play(run, start, self.end, kept)
        return self.stage.failing(end, left).plus(self.elsewhere)

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
        fails = self._judged(kept)
        if fails is None:
            return
        order = tuple(m not in kept for m in self.by_place)
        if self.best is None or (_down(value), fails, order) < (_down(self.best[0]), *self.best[1:]):
            self.best, self.found = (value, fails, order), kept

    def _judged(self, kept: frozenset[int]) -> int | None:
        """Return how many scenarios fail, None where the set does not hold."""
        if self.quick is None:
            return self.judge.outcome(kept).failing.any if self.judge.meets(kept, self.wanted) else None
        failing = self.quick.failing(*self.quick.whole(kept))
        return failing.any if self.wanted.met(failing) else None


def _down(value: Worth) -> Worth:
    return -value[0], -value[1]
