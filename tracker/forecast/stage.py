"""Bounds on what a set of optional tasks breaks, on some scenarios, for a search that must stay exact.

More work is never safer while ways home, uses below waiting and hardware clocks are left out. Where a
plan has ways home or such uses, a bound takes the least (or the most) that any set could make of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.demand import Failing, count
from tracker.forecast.limits import GRAIN_S, Mask, bound_crew, clocked, grain_of, shut_out
from tracker.forecast.world import Course, Node, Row, World, advance, begin, home_from_here
from tracker.forecast.world import inside as ingress


@dataclass(frozen=True, eq=False)
class Stage:
    """A world made into a bound, on some scenarios, with what each group of nodes takes beforehand."""

    world: World
    grain: float
    always: tuple[Row, ...]
    """Per account what is left when only what always remains is done: as the instant by which everybody
    must be inside, or in units (at use factor 1) where no clock takes from it."""
    takes: tuple[tuple[frozenset[int], tuple[Row, ...]], ...]
    """Per pattern of groups, per account: what those nodes take of it."""

    def left(self, kept: frozenset[int], before: Sequence[Row], new: int) -> list[Row]:
        """Return what is left per account when task `new` joins `kept`, given what was left before."""
        out = list(before)
        for groups, rows in self.takes:
            if new in groups and kept.isdisjoint(groups):
                out = [at - row for at, row in zip(out, rows, strict=True)]
        return out

    def masks(self, course: Course, left: Sequence[Row]) -> tuple[Mask, Mask]:
        """Return which scenarios break an elapsed limit, which a reserve."""
        world = self.world
        elapsed = shut_out(world, course)
        consumables = elapsed.copy()
        everybody = ingress(world, course)
        for limit in world.limits:
            who = bound_crew(world, limit)
            inside = everybody if who is None else ingress(world, course, who)
            elapsed |= inside > limit.at + self.grain
        for k, row in enumerate(left):
            if clocked(world, k):
                consumables |= everybody > row + np.float32(self.grain)
            else:
                consumables |= (row < -2 * grain_of(world, k)) & (everybody > self.grain)
        return elapsed, consumables

    def failing(self, course: Course, left: Sequence[Row]) -> Failing:
        """Return how many scenarios break what."""
        return count(*self.masks(course, left))

    def whole(self, kept: frozenset[int]) -> tuple[Course, list[Row]]:
        """Return the course of one set from the start, and what is left per account."""
        left: list[Row] = list(self.always)
        before: frozenset[int] = frozenset()
        for m in sorted(kept):
            left = self.left(before, left, m)
            before |= {m}
        return advance(self.world, begin(self.world), self.world.present(kept)), left


def plain_world(world: World) -> bool:
    """Whether more work is never safer here, bit for bit: no ways home, no use below waiting."""
    homes = any(node.home is not None for node in world.nodes)
    return not homes and all(bool((a.extra_per_s >= 0).all()) for a in world.accounts)


def stage(world: World, *, least: bool, chosen: NDArray[np.intp] | None = None) -> Stage:
    """Return a bound: with `least` no set breaks less than it says, otherwise no set breaks more.

    `chosen`: indices of the scenarios to bound on; default all.
    """
    part = world if chosen is None else _take(world, chosen)
    bound, other = part, part
    if any(node.home is not None for node in part.nodes):
        bound, other = _fixed_homes(part, least=least), _fixed_homes(part, least=not least)
    patterns = sorted({node.groups for node in part.nodes if node.groups})
    used = [_taken(bound, other, p, least=least) for p in [(), *patterns]]
    accounts = range(len(part.accounts))
    always = tuple(_left_of(bound, k, used[0][k]) for k in accounts)
    takes = [tuple(_rate(bound, k, rows[k]) for k in accounts) for rows in used[1:]]
    pairs = tuple(zip(map(frozenset, patterns), takes, strict=True))
    return Stage(bound, 2 * GRAIN_S if least else 0.0, always, pairs)


def _take(world: World, chosen: NDArray[np.intp]) -> World:
    accounts = [replace(a, level=a.level[chosen], use=a.use[chosen]) for a in world.accounts]
    return replace(world, durations=world.durations[:, chosen], accounts=tuple(accounts))


def _taken(bound: World, other: World, pattern: tuple[int, ...], *, least: bool) -> NDArray[np.float32]:
    """Return (accounts, scenarios): what the nodes of a pattern take beyond waiting, units at factor 1.

    What a node takes less than waiting does can help any set at best, and then it always does; at
    worst it helps only where the node always remains.
    """
    if not bound.accounts:
        return np.zeros((0, bound.scenarios), dtype=np.float32)
    extra = np.stack([account.extra_per_s for account in bound.accounts])
    mine = np.array([node.groups == pattern for node in bound.nodes])
    taken = (np.maximum(extra, 0) * mine).astype(np.float32) @ bound.durations
    helps = np.minimum(extra, 0)
    helps = np.zeros_like(helps) if pattern else helps if least else helps * mine
    if helps.any():
        taken += helps.astype(np.float32) @ other.durations
    return np.asarray(taken, dtype=np.float32)


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
            nodes[i] = replace(node, home=None)
            durations[i] *= np.float32(_extreme(node, least=least))
    return replace(world, nodes=tuple(nodes), durations=durations)


def _extreme(node: Node, *, least: bool) -> float:
    assert node.home is not None
    ways = [*node.home.values(), *(home_from_here(node, c) for c in node.crew)] or [node.home_now]
    return min(ways) if least else max(ways)
