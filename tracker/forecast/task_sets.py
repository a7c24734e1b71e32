"""Bounds on what a set of optional tasks breaks, for a search that must stay exact and be quick.

More work is never safer while ways home, uses below waiting and hardware clocks are left out. Where a
plan has ways home or such uses, a bound takes the least (or the most) that any set could make of them.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.demand import Failing, count
from tracker.forecast.limits import GRAIN_S, Mask, bound_crew, clocked, grain_of
from tracker.forecast.product import product
from tracker.forecast.quick import Program, Run, inside, lost
from tracker.forecast.waits import Row
from tracker.forecast.world import Node, World, home_from_here


@dataclass(frozen=True, eq=False)
class Stage:
    """A world made into a bound, on some scenarios, with what each group of nodes takes beforehand."""

    world: World
    grain: float
    """Seconds of lateness that the bound forgives."""
    may_shut_out: bool
    """Whether some set may find a window closed for good."""
    accounts: tuple[int, ...]
    """Those looked at; the others no set can break here."""
    always: tuple[Row, ...]
    """Per account what is left when only what always remains is done: as the instant by which everybody
    must be inside, or in units (at use factor 1) where no clock takes from it."""
    takes: tuple[tuple[frozenset[int], tuple[Row, ...]], ...]
    """Per pattern of groups, per account: what those nodes take of it."""
    cuts: frozenset[int] = frozenset()
    """Nodes from which sets are played on."""

    @cached_property
    def program(self) -> Program:
        """The world made ready for playing sets."""
        return Program(self.world, self.cuts, may_shut_out=self.may_shut_out)

    def forgiving(self, grain: float) -> Stage:
        """Return the same bound with another grain."""
        other = replace(self, grain=grain)
        if "program" in vars(self):
            vars(other)["program"] = self.program
        return other

    def left(self, kept: frozenset[int], before: Sequence[Row], new: int) -> list[Row]:
        """Return what is left per account when task `new` joins `kept`, given what was left before."""
        out = list(before)
        for groups, rows in self.takes:
            if new in groups and kept.isdisjoint(groups):
                out = [at - row for at, row in zip(out, rows, strict=True)]
        return out

    def masks(self, run: Run, left: Sequence[Row]) -> tuple[Mask, Mask]:
        """Return which scenarios break an elapsed limit, which a reserve."""
        world = self.world
        everybody = inside(world, run)
        elapsed = lost(world, run) if self.may_shut_out else np.zeros(world.scenarios, dtype=np.bool_)
        consumables = elapsed.copy()
        for limit in world.limits:
            who = bound_crew(world, limit)
            elapsed |= (everybody if who is None else inside(world, run, who)) > limit.at + self.grain
        for k, row in zip(self.accounts, left, strict=True):
            if clocked(world, k):
                consumables |= everybody > row + np.float32(self.grain)
            else:
                consumables |= (row < -2 * grain_of(world, k)) & (everybody > self.grain)
        return elapsed, consumables

    def failing(self, run: Run, left: Sequence[Row]) -> Failing:
        """Return how many scenarios break what."""
        return count(*self.masks(run, left))

    def whole(self, kept: frozenset[int]) -> tuple[Run, list[Row]]:
        """Return one set played from the start, and what is left per account."""
        program = self.program
        return program.play(program.begin(), 0, len(self.world.nodes), kept), self.left_with(kept)

    def left_with(self, kept: frozenset[int]) -> list[Row]:
        """Return what is left per account with these tasks."""
        left: list[Row] = list(self.always)
        before: frozenset[int] = frozenset()
        for m in sorted(kept):
            left = self.left(before, left, m)
            before |= {m}
        return left

    def part(self, chosen: NDArray[np.intp], accounts: Sequence[int], cuts: Collection[int]) -> Stage:
        """Return the same bound on these scenarios and accounts (places in `accounts`) only.

        `cuts`: nodes from which sets will be played on.
        """
        world = self.world
        stores = [replace(a, level=a.level[chosen], use=a.use[chosen]) for a in world.accounts]
        less = replace(world, durations=world.durations[:, chosen], accounts=tuple(stores))
        takes = tuple((groups, tuple(rows[k][chosen] for k in accounts)) for groups, rows in self.takes)
        return replace(
            self,
            world=less,
            accounts=tuple(self.accounts[k] for k in accounts),
            always=tuple(self.always[k][chosen] for k in accounts),
            takes=takes,
            cuts=frozenset(cuts),
        )


def plain_world(world: World) -> bool:
    """Whether more work is never safer here, bit for bit: no ways home, no use below waiting."""
    homes = any(node.home is not None for node in world.nodes)
    return not homes and all(bool((a.extra_per_s >= 0).all()) for a in world.accounts)


def bounds(world: World) -> tuple[Stage, Stage]:
    """Return two bounds: no set breaks less than the first says, none more than the second."""
    least = _stage(world, least=True)
    if plain_world(world):
        return least, least.forgiving(0.0)
    return least, _stage(world, least=False)


def _stage(world: World, *, least: bool) -> Stage:
    bound, other = world, world
    if any(node.home is not None for node in world.nodes):
        bound, other = _fixed_homes(world, least=least), _fixed_homes(world, least=not least)
    patterns = sorted({node.groups for node in world.nodes if node.groups})
    used = [_taken(bound, other, p, least=least) for p in [(), *patterns]]
    accounts = range(len(world.accounts))
    always = tuple(_left_of(bound, k, used[0][k]) for k in accounts)
    takes = [tuple(_rate(bound, k, rows[k]) for k in accounts) for rows in used[1:]]
    pairs = tuple(zip(map(frozenset, patterns), takes, strict=True))
    return Stage(bound, 2 * GRAIN_S if least else 0.0, world.may_shut_out, tuple(accounts), always, pairs)


def _taken(bound: World, other: World, pattern: tuple[int, ...], *, least: bool) -> NDArray[np.float32]:
    """Return (accounts, scenarios): what the nodes of a pattern take beyond waiting, units at factor 1.

    What a node takes less than waiting does can help any set at best, and then it always does; at
    worst it helps only where the node always remains.
    """
    if not bound.accounts:
        return np.zeros((0, bound.scenarios), dtype=np.float32)
    extra = np.stack([account.extra_per_s for account in bound.accounts])
    mine = [i for i, node in enumerate(bound.nodes) if node.groups == pattern]
    here = np.zeros(len(bound.nodes), dtype=np.float32)
    here[mine] = 1
    taken = product(np.maximum(extra, 0) * here, bound.durations)
    if not pattern and (extra < 0).any():
        taken += product(np.minimum(extra, 0) * (np.float32(1) if least else here), other.durations)
    return taken


def _left_of(world: World, k: int, used: Row) -> Row:
    a = world.accounts[k]
    return _rate(world, k, (a.level - np.float32(a.reserve)) / a.use - used)


def _rate(world: World, k: int, units: Row) -> Row:
    """Return units of an account as seconds of waiting where the clock takes from it."""
    return units / np.float32(world.accounts[k].waiting_per_s) if clocked(world, k) else units


def _fixed_homes(world: World, *, least: bool) -> World:
    """Return the world with every way home the shortest (or longest) that any set could make of it."""
    nodes, durations = list(world.nodes), world.durations.copy()
    for i, node in enumerate(world.nodes):
        if node.home is not None:
            nodes[i] = node._replace(home=None)
            durations[i] *= np.float32(_extreme(node, least=least))
    return replace(world, nodes=tuple(nodes), durations=durations)


def _extreme(node: Node, *, least: bool) -> float:
    assert node.home is not None
    ways = [*node.home.values(), *(home_from_here(node, c) for c in node.crew)] or [node.home_now]
    return min(ways) if least else max(ways)
