"""What to keep: the most valuable set of optional tasks that holds, exact for the sample of scenarios.

The tasks are decided in the order of their first steps, depth first, and a set is given up with all that
would join it once it fails too often, since more work is never safer. It is looked at on the hardest of
the scenarios that can differ: a set that fails there more often than may fail at all fails. Sets that
differ in the task that joined last are played together, one a row. Each improvement is looked at in all
scenarios that can differ, and then judged; what breaks the rule (hardware clocks, ways home, uses below
waiting) is judged there alone and never prunes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain, pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.last_call import before_gaps
from tracker.forecast.limits import (
    GRAIN_S,
    ChanceConstraint,
    FailureCounts,
    Worth,
    bound_crew,
    clocked,
    closed,
    total,
    with_needs,
    worths,
)
from tracker.forecast.task_sets import BoundEnd, Bounds, TaskSets, plain_world
from tracker.forecast.window_gaps import regular_gaps, wait_for_opening
from tracker.forecast.world import (
    ElapsedLimit,
    Row,
    World,
    last_inside,
)

NODE_BUDGET = 20_000
"""Sets tried before the search stops and says that its best is not proven."""
FEW = 768
"""Scenarios that are looked at first at least: fewer take hardly less time."""
SHORT = 128
"""Sets tried before a search counts as long, and a bound on so many more tasks pays."""
_LONG_S = np.float32(1e9)
"""Longer than any excursion, and finite."""

Rows = NDArray[np.float32]
Gaps = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """The outcome of a search."""

    tasks: frozenset[int]
    """Indices into `World.optional`."""
    holds: bool
    """False when no set holds, not even the empty one; `tasks` is empty then."""
    proven: bool = True


def kept_set(
    sets: TaskSets,
    *,
    wanted: ChanceConstraint | None = None,
    among: Collection[int] | None = None,
    budget: int = NODE_BUDGET,
) -> Kept:
    """The best set that holds, of these tasks (default: all optional ones).

    Best is the greatest total value of `should` tasks, then of get-aheads, then the fewest unsafe
    scenarios, then file order. `wanted` replaces what the world's confidence demands.
    """
    world = sets.world
    wanted = wanted or ChanceConstraint.of(world)
    if plain_world(world) and not wanted.met(sets.outcome(()).failing):
        # More work is never safer: where even none does not hold, no set does.
        return Kept(frozenset(), holds=False)
    bound = sets.least
    everything = closed(world.optional, range(len(world.optional)) if among is None else among)
    if sets.meets(everything, wanted):
        return Kept(everything, holds=True)
    bare = BoundEnd.of(sets, bound, frozenset())
    if not wanted.met(FailureCounts.of(*bare.broken)):
        return Kept(frozenset(), holds=False)
    full = BoundEnd.of(sets, bound, everything)
    order = sorted(everything, key=lambda m: (_first_node(world, m), m))
    firsts = [_first_node(world, m) for m in order]
    parts = [_Part.of(bare, full, chosen, firsts) for chosen in _hardest(bare, full, wanted)]
    return _Search(sets, wanted, order, budget, *parts).run()


def _first_node(world: World, m: int) -> int:
    """The first node that remains with a task; past the last one where none does."""
    return next((i for i, node in enumerate(world.nodes) if m in node.groups), len(world.nodes))


def _hardest(bare: BoundEnd, full: BoundEnd, wanted: ChanceConstraint) -> Iterator[NDArray[np.intp]]:
    """Yield where to look first, twice as many scenarios as may still fail; then all that can differ.

    Those are safe with nothing optional and not with everything. The hardest bear the least share of the
    optional work.
    """
    surely = FailureCounts.of(*bare.broken)
    room = wanted.elapsed - (surely.any if wanted.joint else surely.elapsed)
    room = room if wanted.joint else max(room, wanted.consumables - surely.consumables)
    spare = -bare.lateness
    ease = spare / np.maximum(spare + full.lateness, np.float32(1))
    differs = [late & ~certain for late, certain in zip(full.broken, bare.broken, strict=True)]
    ease[~(differs[0] | differs[1])] = np.inf
    for size in (2 * room, int(np.count_nonzero(ease < np.inf))):
        most = min(len(ease), max(FEW, size))
        yield np.sort(np.argpartition(ease, most - 1)[:most])


@dataclass(slots=True, eq=False)
class _Block:
    """One node, or several that only follow one another for one crew member."""

    at: int
    """The first node's index."""
    groups: frozenset[int]
    """Any of these tasks keeps it; empty: always there."""
    crew: tuple[int, ...]
    needs: tuple[int, ...]
    own: tuple[int, ...]
    """Registers: of its crew, of the nodes it waits for, its own if anything waits for it."""
    seconds: Row
    earliest: np.float32
    gaps: Gaps
    wait: Callable[[Row], None] | None
    """Moves starts that fall into a gap of its windows to the gap's end, in place."""


class _Player:
    """Plays sets, forward and backward, without the bookkeeping of a course.

    Where a set stands is a row per register: when each crew member is free, then when each node that
    others need, or that nobody owns, is finished: long ago as long as it is not. Rows are never written to.
    """

    def __init__(self, world: World, firsts: Sequence[int], until: float) -> None:
        """Make a world ready that has no ways home, and in which no set lasts longer than `until`.

        Sets are played from one of `firsts` (nodes) on.
        """
        self.world, self.until = world, until
        self._scratch = np.empty(world.scenarios, dtype=np.float32)
        needed = {need for node in world.nodes for need in node.needs}
        wanted = [i for i, node in enumerate(world.nodes) if i in needed or not node.crew]
        self.place = {i: len(world.crew) + k for k, i in enumerate(wanted)}
        blocks = list(self._blocks(firsts))
        cuts = [
            bisect_left([block.at for block in blocks], first) for first in (0, *firsts, len(world.nodes))
        ]
        self.segments = [blocks[low:high] for low, high in pairwise(cuts)]
        """What lies before the first node of the first task, then from each to the next."""

    def _blocks(self, firsts: Sequence[int]) -> Iterator[_Block]:
        """Yield the nodes, those as one that follow one another: same crew, same tasks, none of `firsts`."""
        last: dict[int, _Block] = {}
        for i, node in enumerate(self.world.nodes):
            if i in firsts:
                last.clear()
            groups, seconds = frozenset(node.groups), self.world.durations[i]
            needs = () if node.running else tuple(self.place[need] for need in node.needs)
            gaps = () if node.running else node.gaps
            own = (self.place[i],) if i in self.place else ()
            plain = len(node.crew) == 1 and node.earliest == -np.inf and not (needs or gaps or own)
            before = last.get(node.crew[0]) if plain else None
            if before is not None and before.groups == groups:
                before.seconds = before.seconds + seconds
                continue
            block = _Block(
                i, groups, node.crew, needs, own, seconds, np.float32(node.earliest), gaps, self._wait(gaps)
            )
            for c in node.crew:
                last.pop(c, None)
            if plain:
                last[node.crew[0]] = block
            yield block

    def _wait(self, gaps: Gaps) -> Callable[[Row], None] | None:
        """The quickest way to wait for these windows."""
        regular = regular_gaps(gaps) if gaps else None
        if regular is None:
            return partial(wait_for_opening, gaps=gaps) if gaps else None
        return (
            partial(regular.wait_inside, scratch=self._scratch) if self.until < regular.last else regular.wait
        )

    def begin(self) -> list[Row]:
        """The rows of every set before the first node."""
        long_ago = np.full(self.world.scenarios, -np.inf, dtype=np.float32)
        return [*self.world.ready, *([long_ago] * len(self.place))]

    def play(self, rows: Sequence[Row], segments: slice, kept: frozenset[int]) -> list[Row]:
        """The rows of a set after these segments, given those before."""
        out = list(rows)
        for block in chain.from_iterable(self.segments[segments]):
            if block.groups and kept.isdisjoint(block.groups):
                continue
            t = self._ready(block, out)
            if block.wait is not None:
                block.wait(t)
            t = t + block.seconds
            for register in (*block.crew, *block.own):
                out[register] = t
        return out

    def _ready(self, block: _Block, rows: Sequence[Row]) -> Row:
        """The start of a block but for its windows: a row of its own where it has any."""
        waits = [rows[register] for register in (*block.crew, *block.needs)]
        t = waits[0] if waits else np.zeros(self.world.scenarios, dtype=np.float32)
        for row in waits[1:]:
            t = t if row is t else np.maximum(t, row)
        if block.earliest > -np.inf:
            t = np.maximum(t, block.earliest)
        return t.copy() if block.gaps and waits else t

    def back(self, by: Sequence[Row], segment: int, kept: frozenset[int]) -> list[Row]:
        """The latest rows before a segment with which none is later than `by` after it.

        Nowhere too early: what rounding may have moved into a gap counts as after it.
        """
        out = list(by)
        for block in reversed(self.segments[segment]):
            if block.groups and kept.isdisjoint(block.groups):
                continue
            t = np.minimum.reduce([out[register] for register in (*block.crew, *block.own)]) - block.seconds
            if block.gaps:
                t += np.float32(2 * GRAIN_S)
                before_gaps(t, block.gaps)
            for register in block.crew:
                out[register] = t
            for register in block.needs:
                out[register] = np.minimum(out[register], t)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A bound on some of the scenarios, ready to play, and what surely fails among the others."""

    bound: Bounds
    player: _Player
    elsewhere: FailureCounts

    @staticmethod
    def of(bare: BoundEnd, full: BoundEnd, chosen: NDArray[np.intp], firsts: Sequence[int]) -> _Part:
        """These scenarios with the accounts that break with everything in some of them."""
        bound, elsewhere = full.bound, np.ones(len(bare.inside), dtype=np.bool_)
        elsewhere[chosen] = False
        inside, pairs = full.inside[chosen], enumerate(zip(bound.accounts, full.left, strict=True))
        able = [at for at, (k, row) in pairs if not clocked(bound.world, k) or (inside > row[chosen]).any()]
        part, certain = bound.part(chosen, able), [mask & elsewhere for mask in bare.broken]
        player = _Player(part.world, firsts, full.free[chosen].max())
        return _Part(part, player, FailureCounts.of(*certain))

    def failing(self, rows: Sequence[Row], left: Iterable[Row]) -> FailureCounts:
        """The least that fails in all scenarios, given where a set ends and what is left."""
        return FailureCounts.of(*self.bound.masks(*self._free(rows), left)).plus(self.elsewhere)

    def inside(self, rows: Sequence[Row]) -> Row:
        """The ingress of everybody, given the rows with which a set ends."""
        return last_inside(self.bound.world, *self._free(rows), None)

    def _free(self, rows: Sequence[Row]) -> tuple[Sequence[Row], Sequence[Row]]:
        """The instants at which each crew member is free, and each step that nobody owns is done."""
        nobodys = [rows[self.player.place[i]] for i in self.bound.world.ownerless]
        return rows[: len(self.bound.world.crew)], nobodys

    def failing_with(self, kept: frozenset[int]) -> FailureCounts:
        """The least that fails with these tasks."""
        end = self.player.play(self.player.begin(), slice(None), kept)
        return self.failing(end, self.bound.left_with(kept))


class _Node(NamedTuple):
    """Where the search stands."""

    kept: frozenset[int]
    j: int
    """So many tasks of the order are decided."""
    rows: Sequence[Row]
    """Where the hard scenarios stand before the next one."""
    left: Rows
    failing: FailureCounts | None = None
    """The least that fails when no later task is kept; None while not looked at."""
    inside: Row | None = None
    """When everybody is inside then, on the hard scenarios; not later than that, while not looked at."""


class _Search:
    """One search among some tasks for what is demanded."""

    def __init__(
        self,
        sets: TaskSets,
        wanted: ChanceConstraint,
        order: Sequence[int],
        budget: int,
        hard: _Part,
        differing: _Part,
    ) -> None:
        """Make a search ready. `hard`: where to look first. `differing`: all scenarios that can differ."""
        self.sets, self.wanted, self.order, self.budget = sets, wanted, order, budget
        self.hard, self.differing, self.optional = hard, differing, sets.world.optional
        self.values = worths(self.optional)
        self.by_place = sorted(range(len(self.optional)), key=lambda m: self.optional[m].place)
        self.best: tuple[Worth, int, tuple[bool, ...]] | None = None
        self.found: frozenset[int] = frozenset()
        self.tried = 0
        self.reach = _Reach(hard, order)

    def run(self) -> Kept:
        """Search, and return the best set."""
        self.offer(frozenset())
        self._greedy()
        root = self.hard.player.play(self.hard.player.begin(), slice(1), frozenset())
        self.go(_Node(frozenset(), 0, root, self.hard.bound.always))
        return Kept(self.found, holds=self.best is not None, proven=self.tried <= self.budget)

    def go(self, at: _Node) -> None:
        """Decide about the next task and all after it."""
        self.tried += 1
        if self.tried > self.budget or self._hopeless(at.kept, at.j, at.failing) or self._out_of_reach(at):
            return
        if at.failing is None:
            at = self._ended(at)
            if self._hopeless(at.kept, at.j, at.failing) or self._out_of_reach(at):
                return
        if at.j == len(self.order):
            self.offer(at.kept)
            return
        m, here = self.order[at.j], slice(at.j + 1, at.j + 2)
        if at.kept.union(self.order[at.j :]).issuperset(self.optional[m].needs):
            more = at.kept | {m}
            rows = self.hard.player.play(at.rows, here, more)
            left = self.hard.bound.left(at.kept, at.left, m)
            self.go(_Node(more, at.j + 1, rows, left, None, at.inside))
        if not any(m in self.optional[other].needs for other in at.kept):
            self.go(at._replace(j=at.j + 1, rows=self.hard.player.play(at.rows, here, at.kept)))

    def _ended(self, at: _Node) -> _Node:
        """The same place in the search, with the failures when no later task is kept."""
        rows = self.hard.player.play(at.rows, slice(at.j + 1, None), at.kept)
        return at._replace(failing=self.hard.failing(rows, at.left), inside=self.hard.inside(rows))

    def _hopeless(self, kept: frozenset[int], j: int, failing: FailureCounts | None) -> bool:
        """Whether nothing better is to be had with these tasks and any from task j of the order on."""
        if failing is not None and not self.wanted.met(failing):
            return True
        if self.best is None:
            return False
        most = _down(total(self.values, [*kept, *self.order[j:]]))
        return (most, 0 if failing is None else failing.any) > (_down(self.best[0]), self.best[1])

    def _out_of_reach(self, at: _Node) -> bool:
        """Whether so many more tasks as could be worth as much as the best so far surely fail."""
        if self.best is None or self.tried <= SHORT or at.j == len(self.order):
            return False
        rest = sorted(self.order[at.j :], key=lambda m: self.values[m], reverse=True)
        sums = [total(self.values, [*at.kept, *rest[:count]]) for count in range(len(rest) + 1)]
        fails = self.reach.failing(at, sum(worth < self.best[0] for worth in sums))
        if fails is None or not self.wanted.met(fails):
            return True
        if fails.any <= self.best[1]:
            return False
        fails = self.reach.failing(at, sum(worth <= self.best[0] for worth in sums))
        return fails is None or not self.wanted.met(fails)

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
        seen = self.differing.failing_with(kept)
        if self._hopeless(kept, len(self.order), seen) or not self.sets.meets(kept, self.wanted):
            return
        mine = value, self.sets.outcome(kept).failing.any, tuple(m not in kept for m in self.by_place)
        if self.best is None or (_down(value), *mine[1:]) < (_down(self.best[0]), *self.best[1:]):
            self.best, self.found = mine, kept


def _down(value: Worth) -> Worth:
    return -value[0], -value[1]


class _Reach:
    """A bound for long searches: what fails when so many more tasks are kept, whichever they are.

    Every scenario may choose for itself which: no set can do better in any. Since starts are made of the
    latest of instants, of sums and of windows alone, "safe" then means that no register stands later than
    an instant, which one pass backward finds.
    """

    def __init__(self, hard: _Part, order: Sequence[int]) -> None:
        self.hard, self.order = hard, order
        self._known: dict[tuple[int, int], list[Row]] = {}
        self._takes: dict[int, NDArray[np.float32]] = {}
        world = hard.bound.world
        self.clocked = [at for at, k in enumerate(hard.bound.accounts) if clocked(world, k)]
        # What float32 sums may round away on the longest path, so that the bound stays one.
        longest = len(world.nodes) * max((abs(limit.at) for limit in world.limits), default=0.0)
        self.grain = np.float32(longest * 2.0**-23 + hard.bound.grain)

    def failing(self, at: _Node, more: int) -> FailureCounts | None:
        """The least that fails with so many more tasks; None: there are not so many."""
        by = self._by(at.j, more)
        if by is None:
            return None
        late = np.zeros(len(by[0]), dtype=np.bool_)
        for row, latest in zip(at.rows, by, strict=True):
            late |= row > latest
        if at.inside is not None and more and self.hard.bound.world.confidence_joint:
            for k, taken in zip(self.clocked, self._least_taken(at.j), strict=True):
                late |= at.inside > at.left[k] - taken[more - 1] + self.grain
        times = int(np.count_nonzero(late))
        return FailureCounts(times, times, 0).plus(self.hard.elsewhere)

    def _least_taken(self, j: int) -> NDArray[np.float32]:
        """The least that one, two and more tasks from j on take, (accounts, tasks, N)."""
        if j not in self._takes:
            bound = self.hard.bound
            nothing, own = np.zeros_like(bound.always), {tuple(tasks): rows for tasks, rows in bound.takes}
            each = [own.get((m,), nothing) for m in self.order[j:]]
            self._takes[j] = np.sort(np.stack(each, axis=1)[self.clocked], axis=1).cumsum(axis=1)
        return self._takes[j]

    def _by(self, j: int, more: int) -> list[Row] | None:
        """The latest rows before task j with which so many more tasks are in time."""
        if more > len(self.order) - j:
            return None
        if j == len(self.order):
            return self._ends()
        if (j, more) not in self._known:
            leaving, taking = self._by(j + 1, more), self._by(j + 1, more - 1) if more else None
            ways = [(frozenset[int](), leaving), (frozenset([self.order[j]]), taking)]
            found = [self.hard.player.back(by, j + 1, kept) for kept, by in ways if by is not None]
            self._known[j, more] = [np.maximum.reduce(rows) for rows in zip(*found, strict=True)]
        return self._known[j, more]

    def _ends(self) -> list[Row]:
        """The latest rows at the end: inside by the limits, and by what always takes from the stores."""
        world, place = self.hard.bound.world, self.hard.player.place
        never = np.full(world.scenarios, _LONG_S)
        stores = self.hard.bound.always[self.clocked] if world.confidence_joint else ()
        everybody = np.minimum.reduce([never, *stores]) + self.grain

        def by(limits: Iterable[ElapsedLimit]) -> Row:
            first = np.float32(min([limit.at for limit in limits], default=_LONG_S)) + self.grain
            return np.asarray(np.minimum(everybody, first), dtype=np.float32)

        ends = [never] * (len(world.crew) + len(place))
        for c in world.counted:
            ends[c] = by(limit for limit in world.limits if c in limit.crew)
        for i in world.ownerless:
            ends[place[i]] = by(limit for limit in world.limits if bound_crew(world, limit) is None)
        return ends
