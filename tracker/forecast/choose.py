"""The search for the most valuable set of optional tasks that holds, depth first and exact.

The tasks are decided in the order of their first steps, the courses of shared prefixes played once,
pruned because more work is never safer: first on the hardest of the scenarios that can differ, each
improvement confirmed on all of them. What breaks that rule (hardware clocks, ways home, uses below
waiting) is judged at the leaves and never prunes.

By when each crew member must be free, scenario by scenario, so that enough more can still be kept.

A bound for the search of what to keep. Every scenario may choose for itself which of the tasks ahead it
takes, if only they are worth what is still missing, and between crew members as it likes best: no set can
do better in any scenario. Since starts are made of the latest of instants, of sums and of windows alone,
"safe" then means that nobody is free later than an instant, which one pass backward finds.

Which optional tasks to keep: the most valuable set that holds, exact for the sample of scenarios.

Sets are looked for on the scenarios that can differ, the hardest of them first: a set that fails on more
of those than may fail at all fails.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import (
    GRAIN_S,
    Demand,
    Failing,
    Worth,
    bound_crew,
    clocked,
    closed,
    count,
    demand,
    total,
    with_needs,
    worths,
)
from tracker.forecast.task_sets import Block, Judge, Run, Stage, inside, plain_world
from tracker.forecast.usage import Mask
from tracker.forecast.world import Row, World

WORTHS = 64
"""So many amounts of missing value are told apart before each task; others count as the next lower."""


class Reach:
    """The bound for one amount of value that is to be reached in all."""

    def __init__(
        self, stage: Stage, order: Sequence[int], firsts: Sequence[int], values: Sequence[int], target: int
    ) -> None:
        """Make the bound ready; nothing is worked out before it is asked for.

        `order`: tasks by their first nodes; `firsts`: those nodes, and past the last one. `values`: per
        task of the order.
        """
        self.stage, self.order, self.firsts, self.values = stage, order, firsts, values
        world = stage.world
        self._amounts = _amounts(values)
        self._takes = [_own_takes(stage, m) for m in order]
        # What float32 sums may round away on the longest path, so that the bound stays one.
        last = max((abs(limit.at) for limit in world.limits), default=0.0)
        self._grain = np.float32(len(world.nodes) * last * 2.0**-23 + stage.grain)
        self._clocked = [at for at, k in enumerate(stage.accounts) if clocked(world, k)]
        self._nothing = np.zeros(world.scenarios, dtype=np.float32)
        self._least: dict[tuple[int, int], list[Row]] = {}
        self._by: dict[tuple[int, int], list[Row] | None] = {}
        self._ends = self._until(target)

    def misses(self, j: int, missing: int, run: Run, inside: Row | None, left: Sequence[Row]) -> Mask | None:
        """Return the scenarios that surely fail when a run stands before task j with so much missing.

        `inside`: when everybody is inside without any task from there on, or earlier than that. `left`: per
        account what is left then. None: so much is not to be had any more.
        """
        by = self._free_by(j, missing)
        if by is None:
            return None
        out = np.zeros(self.stage.world.scenarios, dtype=np.bool_)
        for ready, latest in zip(run.ready, by, strict=True):
            if latest is not self._never:
                np.logical_or(out, ready > latest, out=out)
        if inside is not None and self.stage.world.confidence_joint:
            early = inside - self._grain
            taken = self._least_taken(j, missing)
            for k in self._clocked:
                np.logical_or(out, early > left[k] - taken[k], out=out)
        return out

    def _until(self, target: int) -> list[Row]:
        """Return per crew member, and for steps that nobody owns, until when they may be at it."""
        stage, world = self.stage, self.stage.world
        everybody = np.full(world.scenarios, _LONG_S, dtype=np.float32)
        for limit in world.limits:
            if bound_crew(world, limit) is None:
                np.minimum(everybody, np.float32(limit.at), out=everybody)
        if world.confidence_joint:
            for k, left, least in zip(
                stage.accounts, stage.always, self._least_taken(0, target), strict=True
            ):
                if clocked(world, k):
                    np.minimum(everybody, left - least, out=everybody)
        everybody += self._grain
        self._never = np.full(world.scenarios, _LONG_S, dtype=np.float32)
        nobodys = any(not node.crew for node in world.nodes)
        ends = [everybody if c in world.counted else self._never for c in range(len(world.crew))]
        for limit in world.limits:
            if bound_crew(world, limit) is not None:
                for c in set(limit.crew) & set(world.counted):
                    ends[c] = np.minimum(ends[c], np.float32(limit.at) + self._grain)
        return [*ends, everybody if nobodys else self._never]

    def _amount(self, j: int, missing: int) -> int | None:
        """Return the amount that stands for what is missing before task j; None if there is less to get."""
        amounts = self._amounts[j]
        if missing > amounts[-1]:
            return None
        return amounts[bisect_right(amounts, max(missing, 0)) - 1]

    def _least_taken(self, j: int, missing: int) -> list[Row]:
        """Return the least that tasks from j on take of each account, as far as they make up for it."""
        amount = self._amount(j, missing)
        if not amount:
            # Beyond reach as well: there the bound is asked for nothing else.
            return [self._nothing] * len(self.stage.accounts)
        if (j, amount) not in self._least:
            taking = self._least_taken(j + 1, amount - self.values[j])
            found = [row + own for row, own in zip(taking, self._takes[j], strict=True)]
            if self._amount(j + 1, amount) is not None:
                leaving = self._least_taken(j + 1, amount)
                found = [np.minimum(a, b) for a, b in zip(found, leaving, strict=True)]
            self._least[j, amount] = found
        return self._least[j, amount]

    def _free_by(self, j: int, missing: int) -> list[Row] | None:
        """Return per crew member by when they must be free before task j."""
        amount = self._amount(j, missing)
        if amount is None:
            return None
        if j == len(self.order):
            return self._ends
        if (j, amount) not in self._by:
            taking = self._free_by(j + 1, amount - self.values[j])
            leaving = self._free_by(j + 1, amount)
            ways = []
            if leaving is not None:
                ways.append(self._back(j, leaving, taken=False))
            if taking is not None and amount:
                ways.append(self._back(j, taking, taken=True))
            self._by[j, amount] = _later(ways)
        return self._by[j, amount]

    def _back(self, j: int, by: list[Row], *, taken: bool) -> list[Row]:
        """Go back over the nodes from the first of task j to the first of the next one."""
        by, needed = list(by), dict[int, Row]()
        program = self.stage.program
        for block in reversed(program.between(self.firsts[j], self.firsts[j + 1])):
            if not block.groups or (taken and self.order[j] in block.groups):
                self._back_over(block, by, needed)
        return by

    def _back_over(self, block: Block, by: list[Row], needed: dict[int, Row]) -> None:
        t = by[block.crew[0]] if block.crew else by[-1]
        for c in block.crew[1:]:
            if by[c] is not t:
                t = np.minimum(t, by[c])
        if block.at in needed:
            t = np.minimum(t, needed[block.at])
        t = t - block.seconds
        waits = not block.node.running
        if waits and block.node.gaps:
            _before_gaps(t, block, self._grain)
        for c in block.crew:
            by[c] = t
        for need in block.node.needs if waits else ():
            needed[need] = np.minimum(needed[need], t) if need in needed else t


def _amounts(values: Sequence[int]) -> list[list[int]]:
    """Return, per place in the order and after the last, ascending amounts of value to be had from there.

    From nothing to everything; where there are too many, some are left out.
    """
    out = [[0]]
    for value in reversed(values):
        sums = sorted({*out[-1], *(amount + value for amount in out[-1])})
        places = np.linspace(0, len(sums) - 1, min(WORTHS, len(sums))).astype(int)
        out.append([sums[k] for k in places])
    return out[::-1]


def _own_takes(stage: Stage, m: int) -> tuple[Row | np.float32, ...]:
    """Return what the nodes that only this task keeps take of each account."""
    nothing = (np.float32(0),) * len(stage.accounts)
    return next((rows for groups, rows in stage.takes if groups == {m}), nothing)


def _later(ways: list[list[Row]]) -> list[Row]:
    if len(ways) == 1:
        return ways[0]
    return [a if a is b else np.maximum(a, b) for a, b in zip(*ways, strict=True)]


def _before_gaps(t: Row, block: Block, grain: np.float32) -> None:
    """Move every latest start that falls into a gap back to its beginning, in place.

    One that is hardly before the opening stays: it may be there only by rounding.
    """
    regular = block.regular
    if regular is not None:
        until = (t - (np.float32(regular.opening) - 2 * grain)) / np.float32(regular.period)
        np.floor(until, out=until)
        until *= np.float32(regular.period)
        until += np.float32(regular.close + regular.period) + grain
        np.minimum(until, np.float32(regular.last) + grain, out=until)
        np.minimum(t, until, out=t)
        if regular.first_open > 0:
            t[t < np.float32(regular.first_open) - grain] = -_LONG_S
        return
    for close, opening in block.node.gaps:
        if opening == np.inf:
            np.minimum(t, np.float32(close), out=t)
        else:
            t[(t > np.float32(close)) & (t < np.float32(opening) - grain)] = np.float32(close)


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


NODE_BUDGET = 20_000
"""Sets tried before the search stops and says that its best is not proven."""
_LONG_S = 1e9
"""Longer than any excursion, and finite."""
FEW = 768
"""Scenarios that are looked at first at least: fewer take hardly less time."""


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
    bare = _ends(judge, least, frozenset())
    certain = least.masks(bare.run, bare.left)
    if not wanted.met(count(*certain)):
        return Kept(frozenset(), holds=False)
    differing, hard = _parts(bare, certain, _ends(judge, most, everything), everything, wanted)
    # Where more work is never safer the bound on the scenarios that can differ is the judgement but for
    # rounding; what it finds is judged once more, and looked for with the judgement alone should
    # rounding matter.
    plain = plain_world(world) and not world.clocks
    quick = _as_judged(differing) if plain else None
    found = Search(judge, wanted, everything, budget, hard, quick).run()
    if quick is not None and not judge.meets(found.tasks, wanted):
        found = Search(judge, wanted, everything, budget, hard, None).run()
    return found


def _as_judged(part: Part) -> Part:
    return part if part.stage is None else replace(part, stage=part.stage.forgiving(GRAIN_S))


@dataclass(frozen=True, slots=True, eq=False)
class _Ends:
    """One set played on a bound, and what is left per account."""

    stage: Stage
    run: Run
    left: list[Row]

    def inside(self) -> Row:
        """Return when everybody is inside."""
        return inside(self.stage.world, self.run)

    def lateness(self) -> Row:
        """Return by how much each scenario is later than its earliest limit."""
        world = self.stage.world
        first = min((limit.at for limit in world.limits), default=_LONG_S)
        latest = np.full(world.scenarios, first, dtype=np.float32)
        for k, row in zip(self.stage.accounts, self.left, strict=True):
            if clocked(world, k):
                np.minimum(latest, row, out=latest)
        return np.asarray(np.minimum(self.inside(), np.float32(_LONG_S)) - latest, dtype=np.float32)


def _ends(judge: Judge, stage: Stage, kept: frozenset[int]) -> _Ends:
    """Return how a set ends on a bound: as the judge has it, where the bound is the world as it is."""
    if stage.world is judge.world:
        return _Ends(stage, judge.end(kept), stage.left_with(kept))
    return _Ends(stage, *stage.whole(kept))


def _parts(
    bare: _Ends, certain: tuple[Mask, Mask], full: _Ends, tasks: frozenset[int], wanted: Demand
) -> tuple[Part, Part]:
    """Return the scenarios that can differ, and of those the hardest: twice as many as may still fail.

    `bare` without optional work, `full` with all these tasks.
    """
    worst = full.stage.masks(full.run, full.left)
    differing = np.flatnonzero((worst[0] & ~certain[0]) | (worst[1] & ~certain[1]))
    surely = count(*certain)
    room = wanted.elapsed - (surely.any if wanted.joint else surely.elapsed)
    room = room if wanted.joint else max(room, wanted.consumables - surely.consumables)
    size = min(len(differing), max(FEW, 2 * room))
    if not size:
        return _part(None, differing, certain), _part(None, differing, certain)
    cuts = {first_node(full.stage.world, m) for m in tasks}
    stage = bare.stage.part(differing, _breakable(full, differing), cuts)
    stage = replace(stage, may_shut_out=_may_shut_out(full, differing))
    if size == len(differing):
        return _part(stage, differing, certain), _part(stage, differing, certain)
    chosen = np.sort(np.argpartition(_ease(bare, full)[differing], size - 1)[:size])
    hard = stage.part(chosen, range(len(stage.accounts)), cuts)
    return _part(stage, differing, certain), _part(hard, differing[chosen], certain)


def _part(stage: Stage | None, where: NDArray[np.intp], certain: tuple[Mask, Mask]) -> Part:
    elsewhere = np.ones(len(certain[0]), dtype=np.bool_)
    elsewhere[where] = False
    return Part(stage, count(certain[0] & elsewhere, certain[1] & elsewhere))


def _breakable(full: _Ends, where: NDArray[np.intp]) -> list[int]:
    """Return the accounts that break in any of these scenarios with everything."""
    world, inside = full.stage.world, full.inside()[where]
    return [k for k, row in enumerate(full.left) if not (clocked(world, k) and (inside <= row[where]).all())]


def _may_shut_out(full: _Ends, where: NDArray[np.intp]) -> bool:
    """Return whether a window closes for good before the last of everything is done somewhere."""
    nodes = full.stage.world.nodes
    closes = min(
        (node.gaps[-1][0] for node in nodes if node.gaps and node.gaps[-1][1] == np.inf), default=np.inf
    )
    return any(bool((row[where] >= closes).any()) for row in full.run.ready)


def _ease(bare: _Ends, full: _Ends) -> Row:
    """Return about what share of the optional work a scenario can bear: the less, the harder it is."""
    spare, late = -bare.lateness(), full.lateness()
    return np.asarray(spare / np.maximum(spare + late, np.float32(1)), dtype=np.float32)
