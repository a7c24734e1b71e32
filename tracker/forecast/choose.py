"""The search for the most valuable set of optional tasks that holds, depth first and exact.

The tasks are decided in the order of their first steps, the courses of shared prefixes played once,
pruned because more work is never safer: first on the hardest of the scenarios that can differ, each
improvement confirmed on all of them. What breaks that rule (hardware clocks, ways home, uses below
waiting) is judged at the leaves and never prunes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tracker.forecast.demand import Demand, Failing, Worth, total, with_needs, worths
from tracker.forecast.judge import Judge
from tracker.forecast.quick import Run, inside
from tracker.forecast.reach import Reach
from tracker.forecast.task_sets import Stage
from tracker.forecast.waits import Row
from tracker.forecast.world import World

SHORT = 128
"""Sets tried before a search counts as long, and the bound of `tracker.forecast.reach` pays."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The outcome of a search."""

    tasks: frozenset[int]
    """Indices into `World.optional`."""
    holds: bool
    """False when no set holds, not even the empty one; `tasks` is empty then."""
    proven: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A bound on some of the scenarios, and what surely fails among the others."""

    stage: Stage | None
    """None where there are no such scenarios."""
    elsewhere: Failing

    def failing(self, kept: frozenset[int]) -> Failing:
        """Return the least that fails in all scenarios with these tasks."""
        if self.stage is None:
            return self.elsewhere
        return self.stage.failing(*self.stage.whole(kept)).plus(self.elsewhere)


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
    failing: Failing | None = None
    """The least that fails when no later task is kept; None while not looked at."""
    inside: Row | None = None
    """When everybody is inside then, on the hard scenarios; not later than that, while not looked at."""


class Search:
    """One search among some tasks for what is demanded."""

    def __init__(
        self,
        judge: Judge,
        wanted: Demand,
        everything: frozenset[int],
        budget: int,
        hard: Part,
        differing: Part | None,
    ) -> None:
        """Make a search ready.

        `hard`: where to look first. `differing`: all scenarios that can differ, as they are judged;
        None where only the judge can say.
        """
        self.judge, self.wanted, self.budget = judge, wanted, budget
        self.hard, self.differing, self.stage = hard, differing, hard.stage
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
        # A `should` goes before all get-aheads together: pairs of values as one whole number.
        self.unit = sum(ahead for _, ahead in self.values) + 1
        self.reaches: dict[int, Reach] = {}

    def run(self) -> Kept:
        """Search, and return the best set."""
        self.offer(frozenset())
        self._greedy()
        self.go(self._root())
        return Kept(self.found, holds=self.best is not None, proven=self.tried <= self.budget)

    def _root(self) -> _Node:
        nothing: frozenset[int] = frozenset()
        if self.stage is None:
            return _Node(0, None, (), nothing, nothing)
        program = self.stage.program
        run = program.play(program.begin(), 0, self.firsts[0], nothing)
        return _Node(0, run, self.stage.always, nothing, nothing)

    def go(self, at: _Node) -> None:
        """Decide about the next task and all after it."""
        self.tried += 1
        if self.tried > self.budget or self._worth_less(at) or self._out_of_reach(at):
            return
        at = self._ended(at)
        if self._no_better(at) or self._out_of_reach(at):
            return
        if at.j == len(self.order):
            self.offer(at.kept)
            return
        m = self.order[at.j]
        if at.dropped.isdisjoint(self.optional[m].needs):
            self.go(self._with(at, m))
        if not any(m in self.optional[other].needs for other in at.kept):
            self.go(self._without(at, m))

    def _with(self, at: _Node, m: int) -> _Node:
        kept = at.kept | {m}
        if at.run is None or self.stage is None:
            return replace(at, j=at.j + 1, kept=kept)
        run = self.stage.program.play(at.run, self.firsts[at.j], self.firsts[at.j + 1], kept)
        left = tuple(self.stage.left(at.kept, at.left, m))
        return _Node(at.j + 1, run, left, kept, at.dropped, None, at.inside)

    def _without(self, at: _Node, m: int) -> _Node:
        run = at.run
        if run is not None and self.stage is not None:
            run = self.stage.program.play(run, self.firsts[at.j], self.firsts[at.j + 1], at.kept)
        return replace(at, j=at.j + 1, run=run, dropped=at.dropped | {m})

    def _ended(self, at: _Node) -> _Node:
        """Return where the search stands, with what fails when no later task is kept.

        That is what fails on the hard scenarios, and what surely fails elsewhere.
        """
        if at.failing is not None:
            return at
        if at.run is None or self.stage is None:
            return replace(at, failing=self.hard.elsewhere)
        end = self.stage.program.play(at.run, self.firsts[at.j], self.end, at.kept)
        failing = self.stage.failing(end, at.left).plus(self.hard.elsewhere)
        return replace(at, failing=failing, inside=inside(self.stage.world, end))

    def _worth_less(self, at: _Node) -> bool:
        """Whether all that is still to be had is worth less than the best so far."""
        return self.best is not None and self._most(at) < self.best[0]

    def _most(self, at: _Node) -> Worth:
        have, rest = total(self.values, at.kept), self.rest[at.j]
        return have[0] + rest[0], have[1] + rest[1]

    def _no_better(self, at: _Node) -> bool:
        """Whether too much fails already, for what is demanded or to be better than the best so far."""
        assert at.failing is not None
        if not self.wanted.met(at.failing):
            return True
        return self.best is not None and self._most(at) == self.best[0] and at.failing.any > self.best[1]

    def _out_of_reach(self, at: _Node) -> bool:
        """Whether whatever would be better than the best so far surely fails."""
        if self.best is None or at.run is None or self.tried <= SHORT or at.j == len(self.order):
            return False
        have, best = self._whole(total(self.values, at.kept)), self._whole(self.best[0])
        as_good = self._misses(at, best, best - have)
        if as_good is None or not self.wanted.met(as_good):
            return True
        if as_good.any <= self.best[1]:
            return False
        greater = self._misses(at, best + 1, best + 1 - have)
        return greater is None or not self.wanted.met(greater)

    def _whole(self, worth: Worth) -> int:
        return worth[0] * self.unit + worth[1]

    def _misses(self, at: _Node, target: int, missing: int) -> Failing | None:
        """Return the least that fails when so much in all is reached; None if it is not to be had."""
        assert self.stage is not None and at.run is not None
        if target not in self.reaches:
            values = [self._whole(self.values[m]) for m in self.order]
            self.reaches[target] = Reach(self.stage, self.order, self.firsts, values, target)
        late = self.reaches[target].misses(at.j, missing, at.run, at.inside, at.left)
        if late is None:
            return None
        times = int(np.count_nonzero(late))
        return Failing(times, times, 0).plus(self.hard.elsewhere)

    def _greedy(self) -> None:
        """Offer a good set early: should tasks first, then the most value per planned minute."""

        def key(m: int) -> tuple[bool, float, int]:
            task = self.optional[m]
            return task.priority != "should", -task.value / max(task.minutes, 1e-3), m

        kept: frozenset[int] = frozenset()
        for m in sorted(self.order, key=key):
            more = with_needs(self.optional, [*kept, m])
            if more <= frozenset(self.order):
                self.offer(more)
                kept = more if self.found == more else kept

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
        if self.differing is None:
            return self.judge.outcome(kept).failing.any if self.judge.meets(kept, self.wanted) else None
        failing = self.differing.failing(kept)
        return failing.any if self.wanted.met(failing) else None


def _down(value: Worth) -> Worth:
    return -value[0], -value[1]
