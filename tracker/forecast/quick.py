"""Plays many sets of optional tasks on one bound, without the bookkeeping of a course.

Steps that only follow one another for one crew member are added up beforehand, and only what later
steps need is kept. Ways home must be fixed already (`tracker.forecast.stage`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from tracker.forecast.ingress import last_inside
from tracker.forecast.limits import Mask
from tracker.forecast.waits import MANY_GAPS, NEVER, RegularGaps, Row, regular_gaps, wait_for_opening
from tracker.forecast.world import Node, World


@dataclass(slots=True, eq=False)
class Run:
    """Where a quick course stands; rows are shared between runs and never written to."""

    ready: list[Row]
    """Per crew member, and last for steps that nobody owns: free, or finished, from then on."""
    finish: dict[int, Row] = field(default_factory=dict)
    """Of the nodes that others need."""


@dataclass(slots=True, eq=False)
class Block:
    """One node, or several that only follow one another."""

    at: int
    """The first node's index."""
    groups: frozenset[int]
    """Any of these tasks keeps it; empty: always there."""
    crew: tuple[int, ...]
    seconds: Row
    plain: bool
    """Whether it only follows what its one crew member did before, and nothing needs it."""
    node: Node
    regular: RegularGaps | None
    """What the gaps of its windows have in common, if they repeat."""
    needs: tuple[int, ...]
    waits: bool
    """Whether its windows make it wait."""


class Program:
    """A world made ready for playing sets from any of its `cuts` (node indices) on."""

    def __init__(self, world: World, cuts: Collection[int], *, may_shut_out: bool = True) -> None:
        self.world, self.may_shut_out = world, may_shut_out
        self.needed = frozenset(need for node in world.nodes for need in node.needs)
        self.blocks = self._blocks(frozenset(cuts))
        self._at = [block.at for block in self.blocks]
        self._nobody = len(world.crew)
        self._at_once = np.zeros(world.scenarios, dtype=np.float32)
        self._scratch = np.empty(world.scenarios, dtype=np.float32)

    def _blocks(self, cuts: frozenset[int]) -> list[Block]:
        """Add up what follows one another: same crew member, same groups, no cut between."""
        blocks: list[Block] = []
        last: dict[int, Block] = {}
        for i, node in enumerate(self.world.nodes):
            if i in cuts:
                last.clear()
            groups, seconds = frozenset(node.groups), self.world.durations[i]
            plain = self._is_plain(i, node)
            before = last.get(node.crew[0]) if plain else None
            if before is not None and before.groups == groups:
                before.seconds = before.seconds + seconds
                continue
            many = len(node.gaps) > MANY_GAPS and not node.running
            regular = regular_gaps(node.gaps) if many else None
            needs = () if node.running else node.needs
            waits = bool(node.gaps) and not node.running
            block = Block(i, groups, node.crew, seconds, plain, node, regular, needs, waits)
            blocks.append(block)
            for c in node.crew:
                last.pop(c, None)
            if plain:
                last[node.crew[0]] = block
        return blocks

    def _is_plain(self, i: int, node: Node) -> bool:
        waits = node.needs or (node.gaps and not node.running) or node.earliest > 0
        return len(node.crew) == 1 and not waits and i not in self.needed

    def begin(self) -> Run:
        """Return the run before the first node."""
        n = self.world.scenarios
        return Run([np.full(n, value, dtype=np.float32) for value in (*self.world.ready, 0.0)])

    def play(self, run: Run, low: int, high: int, kept: frozenset[int]) -> Run:
        """Return the run after the nodes from `low` up to `high` that remain with these tasks.

        `low` and `high` are cuts, or the first or past the last node.
        """
        ready, finish = list(run.ready), dict(run.finish)
        for block in self.between(low, high):
            if block.groups and kept.isdisjoint(block.groups):
                continue
            if block.plain:
                c = block.crew[0]
                ready[c] = ready[c] + block.seconds
            else:
                self._wait_and_do(block, ready, finish)
        return Run(ready, finish)

    def between(self, low: int, high: int) -> list[Block]:
        """Return what lies from one cut up to another, whatever keeps it."""
        return self.blocks[bisect_left(self._at, low) : bisect_left(self._at, high)]

    def _wait_and_do(self, block: Block, ready: list[Row], finish: dict[int, Row]) -> None:
        node, crew = block.node, block.crew
        rows = [ready[c] for c in crew]
        if block.needs:
            rows += [finish[need] for need in block.needs if need in finish]
        t, owned = rows[0] if rows else self._at_once, False
        for row in rows[1:]:
            if row is not t:
                t, owned = np.maximum(t, row, out=t if owned else None), True
        if node.earliest > 0:
            t, owned = np.maximum(t, np.float32(node.earliest)), True
        if block.waits:
            t, owned = t if owned else t.copy(), True
            if block.regular is None:
                wait_for_opening(t, node.gaps)
            elif self.may_shut_out:
                block.regular.wait(t)
            else:
                block.regular.wait_inside(t, self._scratch)
        t = np.add(t, block.seconds, out=t if owned else None)
        for c in crew:
            ready[c] = t
        if not crew:
            ready[self._nobody] = np.maximum(ready[self._nobody], t)
        if block.at in self.needed:
            finish[block.at] = t


def inside(world: World, run: Run, crew: Collection[int] | None = None) -> Row:
    """Return when the last of these crew members (default: everybody) is inside at the end of a run.

    With the default, what nobody owns counts as well.
    """
    nobodys = run.ready[len(world.crew) :] if world.ownerless else []
    return last_inside(world, run.ready, nobodys, crew)


def lost(world: World, run: Run) -> Mask:
    """Return the scenarios in which some step of a run found no later opening."""
    out = np.zeros(world.scenarios, dtype=np.bool_)
    for row in run.ready:
        out |= row == NEVER
    return out
