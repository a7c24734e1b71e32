"""Which optional tasks to keep: the most valuable set that holds, exact for the sample of scenarios.

Sets are looked for on the scenarios that can differ, the hardest of them first: a set that fails on more
of those than may fail at all fails.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.choose import Kept, Part, Search, first_node
from tracker.forecast.demand import Demand, closed, count, demand
from tracker.forecast.judge import Judge
from tracker.forecast.limits import GRAIN_S, Mask, clocked
from tracker.forecast.quick import Run, inside
from tracker.forecast.task_sets import Stage, plain_world
from tracker.forecast.waits import Row
from tracker.forecast.world import World

NODE_BUDGET = 20_000
"""Sets tried before the search stops and says that its best is not proven."""
_LONG_S = 1e9
"""Longer than any excursion, and finite."""
FEW = 768
"""Scenarios that are looked at first at least: fewer take hardly less time."""

__all__ = ["NODE_BUDGET", "Kept", "kept_set"]


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
