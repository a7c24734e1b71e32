"""What a set of optional tasks comes to: exactly, each set played only once; and at least, by a bound.

More work is never safer while ways home, uses below waiting and hardware clocks are left out. Where a
plan has ways home or such uses, a bound takes the least (or the most) that any set could make of them.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.consumption import Mask, usage_sums
from tracker.forecast.limits import (
    GRAIN_S,
    ChanceConstraint,
    FailureCounts,
    as_waiting,
    bound_crew,
    breaches,
    clocked,
    grain_of,
    late,
)
from tracker.forecast.quantiles import one
from tracker.forecast.world import (
    NEVER,
    Course,
    Node,
    Row,
    World,
    advance,
    begin,
    home_from_here,
    last_inside,
)
from tracker.forecast.world import inside as ingress

Found = TypeVar("Found")
_LONG_S = np.float32(1e9)
"""Longer than any excursion, and finite."""


def plain_world(world: World) -> bool:
    """Whether more work is never safer here, bit for bit: no ways home, no use below waiting."""
    homes = any(node.home is not None for node in world.nodes)
    return not homes and all(bool((a.extra_per_s >= 0).all()) for a in world.accounts)


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """A bound on what sets of optional tasks break, with what each group of nodes takes beforehand."""

    world: World
    """With every way home the shortest, or the longest, that any set could make of it."""
    grain: float
    """Seconds of lateness that the bound forgives."""
    accounts: tuple[int, ...]
    """Those looked at; the others no set can break here."""
    always: NDArray[np.float32]
    """(accounts, N): what is left when only what always remains is done: as the instant by which everybody
    must be inside, or in units (at use factor 1) where no clock takes from it."""
    takes: tuple[tuple[frozenset[int], NDArray[np.float32]], ...]
    """Per pattern of groups, (accounts, N): what those nodes take."""

    @staticmethod
    def of(world: World, *, least: bool) -> Bounds:
        """The bound that no set breaks less than, or none more than."""
        bound = _fixed_homes(world, least=least)
        other = _fixed_homes(world, least=not least)
        patterns = sorted({node.groups for node in world.nodes if node.groups})
        used = [_taken(bound, other, pattern, least=least) for pattern in [(), *patterns]]
        accounts = range(len(world.accounts))
        stores = [(a.level - np.float32(a.reserve)) / a.use for a in world.accounts]
        always = _rated(world, [store - row for store, row in zip(stores, used[0], strict=True)])
        takes = [(frozenset(p), _rated(world, rows)) for p, rows in zip(patterns, used[1:], strict=True)]
        return Bounds(bound, 2 * GRAIN_S if least else 0.0, tuple(accounts), always, tuple(takes))

    def left_with(self, kept: Collection[int]) -> NDArray[np.float32]:
        """The rest of each account with these tasks, (accounts, N)."""
        taken = (rows for groups, rows in self.takes if not groups.isdisjoint(kept))
        return reduce(np.subtract, taken, self.always)

    def course(self, kept: frozenset[int]) -> Course:
        """The course with these tasks."""
        return played(self.world, self.world.present(kept)).course

    def broken_by(self, course: Course, left: Iterable[Row]) -> tuple[Mask, Mask]:
        """The scenarios of a course that break an elapsed limit, and a reserve, given what is left."""
        nobodys = [course.finish[i] for i in self.world.ownerless if i in course.finish]
        return self.masks(course.ready, nobodys, left)

    def masks(self, ready: Sequence[Row], nobodys: Sequence[Row], left: Iterable[Row]) -> tuple[Mask, Mask]:
        """The scenarios that break an elapsed limit, and those that break a reserve.

        `ready`: when each crew member is free; `nobodys`: when each step that nobody owns is done; `left`:
        per account.
        """
        world = self.world
        everybody = last_inside(world, ready, nobodys, None)
        elapsed = np.zeros(everybody.shape, dtype=np.bool_)
        for row in (*ready, *nobodys) if world.may_shut_out else ():
            elapsed |= row == NEVER
        consumables = elapsed.copy()
        for limit in world.limits:
            who = bound_crew(world, limit)
            inside = everybody if who is None else last_inside(world, ready, nobodys, who)
            # Negated, so that what is no number breaks the limit.
            elapsed |= ~(inside <= limit.at + self.grain)
        for k, row in zip(self.accounts, left, strict=True):
            if clocked(world, k):
                consumables |= ~(everybody <= row + np.float32(self.grain))
            else:
                consumables |= ~(row >= -2 * grain_of(world, k)) & (everybody > self.grain)
        return elapsed, consumables

    def part(self, chosen: NDArray[np.intp], accounts: Sequence[int]) -> Bounds:
        """The same bound on these scenarios and accounts (places in `accounts`) only."""
        less = self.world.some(chosen)
        some = np.ix_(np.array(accounts, dtype=np.intp), chosen)
        takes = tuple((groups, rows[some]) for groups, rows in self.takes)
        return replace(
            self,
            world=less,
            accounts=tuple(self.accounts[k] for k in accounts),
            always=self.always[some],
            takes=takes,
        )


def _taken(bound: World, other: World, pattern: tuple[int, ...], *, least: bool) -> NDArray[np.float32]:
    """The use by the nodes of a pattern beyond waiting, (accounts, N), units at factor 1.

    What a node takes less than waiting does can help any set at best, and then it always does; at
    worst it helps only where the node always remains.
    """
    if not bound.accounts:
        return np.zeros((0, bound.scenarios), dtype=np.float32)
    extra = np.stack([account.extra_per_s for account in bound.accounts])
    mine = [i for i, node in enumerate(bound.nodes) if node.groups == pattern]
    here = np.zeros(len(bound.nodes), dtype=np.float32)
    here[mine] = 1
    taken = usage_sums(np.maximum(extra, 0) * here, bound.durations)
    if not pattern and (extra < 0).any():
        taken += usage_sums(np.minimum(extra, 0) * (np.float32(1) if least else here), other.durations)
    return taken


def _rated(world: World, units: Iterable[Row]) -> NDArray[np.float32]:
    """Units of the accounts as seconds of waiting where the clock takes from them."""
    out = np.empty((len(world.accounts), world.scenarios), dtype=np.float32)
    for k, row in enumerate(units):
        out[k] = as_waiting(world, k, row)
    return out


def _fixed_homes(world: World, *, least: bool) -> World:
    """The world with every way home the shortest (or longest) that any set could make of it."""
    if all(node.home is None for node in world.nodes):
        return world
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


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """A course with the nodes it was played over."""

    nodes: Sequence[int]
    """Ascending indices."""
    course: Course
    tables: tuple[NDArray[np.float32], ...] = ()
    """Lent for its rows, but for those that it has in common with another one."""

    @property
    def with_starts(self) -> bool:
        """Whether the course knows when each of its nodes starts."""
        return len(self.course.start) == len(self.nodes)

    def common(self, nodes: Sequence[int]) -> int:
        """The number of first nodes that are the same."""
        pairs = enumerate(zip(self.nodes, nodes, strict=False))
        return next((k for k, (a, b) in pairs if a != b), min(len(self.nodes), len(nodes)))


def played(
    world: World,
    nodes: Sequence[int],
    base: Branch | None = None,
    *,
    starts: bool = False,
    start_of: int | None = None,
    ends: bool = False,
) -> Branch:
    """The course over these nodes, bit for bit as if played from the beginning.

    What it has in common with `base` is taken from there, with its starts. `start_of`: the one node
    whose start is kept anyway. `ends`: no other course will branch off, and only its ends are looked at.
    """
    same = 0 if base is None else base.common(nodes)
    if base is not None and start_of in nodes[:same] and start_of not in base.course.start:
        same = nodes.index(start_of)
    course = begin(world) if base is None else cut_after(world, base, same, ends=ends)
    rest = nodes[same:]
    size = len(world.nodes), world.scenarios
    tables = tuple(world.memory.lend(*size) for _ in range(1 + starts))
    course.table, course.starts_table = tables[0], tables[1] if starts else None
    course.spare = [] if ends else None
    if start_of in rest:
        at = rest.index(start_of)
        advance(world, course, rest[:at], starts=starts)
        advance(world, course, rest[at : at + 1], starts=True)
        rest = rest[at + 1 :]
    advance(world, course, rest, starts=starts)
    course.table = course.starts_table = None
    return Branch(nodes, course, tables)


def cut_after(world: World, base: Branch, same: int, *, ends: bool = False) -> Course:
    """A course that stands after the first nodes of another one; `ends`: with the finishes awaited alone."""
    nodes, begun = base.nodes[:same], begin(world)
    finish, start = base.course.finish, base.course.start
    for i in nodes:
        for c in world.nodes[i].crew:
            begun.ready[c] = finish[i]
        for c in world.sited[i]:
            begun.last_site[c] = i
    begun.finish = {i: finish[i] for i in nodes if not ends or i in world.awaited}
    begun.start = {} if ends else {i: start[i] for i in nodes if i in start}
    return begun


@dataclass(frozen=True, slots=True, eq=False)
class BoundEnd:
    """How one set ends on a bound."""

    bound: Bounds
    inside: Row
    left: NDArray[np.float32]
    """(accounts, N)"""
    broken: tuple[Mask, Mask]

    @staticmethod
    def of(sets: TaskSets, bound: Bounds, kept: frozenset[int]) -> BoundEnd:
        """How a set ends; where the bound is the world as it is, the course is that of the set itself."""
        course = sets.end(kept) if bound.world is sets.world else bound.course(kept)
        left = bound.left_with(kept)
        return BoundEnd(bound, ingress(bound.world, course), left, bound.broken_by(course, left))

    @property
    def lateness(self) -> Row:
        """The lateness of each scenario against its earliest limit, seconds."""
        latest = np.full(
            len(self.inside), min([limit.at for limit in self.bound.world.limits], default=_LONG_S)
        )
        for k, row in zip(self.bound.accounts, self.left, strict=True):
            if clocked(self.bound.world, k):
                np.minimum(latest, row, out=latest)
        return np.asarray(np.minimum(self.inside, _LONG_S) - latest, dtype=np.float32)


_BRANCHES = 2
"""Courses held, for others to branch off."""
_ENDS = 64
"""Ends of courses held."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one set comes to."""

    failing: FailureCounts
    scenarios: int
    inside: Row
    """When everybody is inside, relative to now."""
    clocks_late: tuple[int, ...]
    """Per hardware clock in how many scenarios it runs out."""

    @property
    def share_safe(self) -> float:
        """Share of scenarios that break nothing."""
        return 1.0 - self.failing.any / self.scenarios

    @property
    def median(self) -> float:
        """The median instant at which everybody is inside, relative to now."""
        return one(self.inside, 0.5)


class TaskSets:
    """Plays sets of optional tasks on one world and remembers what came out, but not every course."""

    def __init__(self, world: World, *, starts: bool = False) -> None:
        """Take a world. `starts`: somebody will ask when the steps of the first set asked about start."""
        self.world, self._starts = world, starts
        self._outcomes: dict[frozenset[int], Outcome] = {}
        self._found: dict[tuple[object, frozenset[int]], object] = {}
        self._branches: OrderedDict[frozenset[int], Branch] = OrderedDict()
        self._ends: OrderedDict[frozenset[int], Course] = OrderedDict()

    @cached_property
    def least(self) -> Bounds:
        """What no set breaks less than."""
        return Bounds.of(self.world, least=True)

    def once(self, find: Callable[[TaskSets, frozenset[int]], Found], kept: frozenset[int]) -> Found:
        """What a function finds beside a kept set, worked out only once."""
        if (find, kept) not in self._found:
            self._found[find, kept] = find(self, kept)
        return cast(Found, self._found[find, kept])

    def course(self, kept: Iterable[int]) -> Course:
        """The course with starts when these tasks are kept."""
        key = frozenset(kept)
        if key not in self._branches or not self._branches[key].with_starts:
            self._hold(key, starts=True)
        self._branches.move_to_end(key)
        return self._branches[key].course

    def give_back(self) -> None:
        """Give back the tables of the courses held, at which nobody looks any more."""
        for branch in self._branches.values():
            self.world.memory.give_back(*branch.tables)
        self._branches.clear()

    def _hold(self, key: frozenset[int], *, starts: bool) -> None:
        """Play a set, and hold its course for others to branch off."""
        self._branches[key] = played(
            self.world, self.world.present(key), self._nearest(key, starts), starts=starts
        )
        while len(self._branches) > _BRANCHES:
            self._branches.popitem(last=False)

    def _nearest(self, key: frozenset[int], starts: bool = False) -> Branch | None:
        """The course with which a set has the most in common; if need be, one with its starts."""
        nodes = self.world.present(key)
        branches = [branch for branch in self._branches.values() if branch.with_starts or not starts]
        return max(branches, key=lambda branch: branch.common(nodes), default=None)

    def start_row(self, key: frozenset[int], node: int) -> Row:
        """The starts of a node in the course of a set; how that course ends is remembered."""
        if not self._branches or key in self._branches:
            return self.course(key).start[node]
        found = played(self.world, self.world.present(key), self._nearest(key), start_of=node)
        start = found.course.start[node].copy()
        self._remember(key, found.course)
        self.world.memory.give_back(*found.tables)
        return start

    def end(self, kept: Iterable[int]) -> Course:
        """The part of a set's course that limits and clocks look at, and no more of it."""
        key = frozenset(kept)
        if key not in self._ends:
            if not self._branches:
                self._hold(key, starts=self._starts)
            if key in self._branches:
                self._remember(key, self._branches[key].course)
            else:
                found = played(self.world, self.world.present(key), self._nearest(key), ends=True)
                self._remember(key, found.course)
                self.world.memory.give_back(*found.tables)
        return self._ends[key]

    def _remember(self, key: frozenset[int], course: Course) -> None:
        asked = {i for clock in self.world.clocks for i in (clock.node, clock.of)}
        finish = {
            i: row.copy() for i, row in course.finish.items() if i in asked or not self.world.nodes[i].crew
        }
        self._ends[key] = Course([row.copy() for row in course.ready], {}, finish, list(course.last_site))
        while len(self._ends) > _ENDS:
            self._ends.popitem(last=False)

    def median(self, kept: Iterable[int]) -> float:
        """The median instant at which everybody is inside, relative to now."""
        return one(ingress(self.world, self.end(kept)), 0.5)

    def outcome(self, kept: Iterable[int]) -> Outcome:
        """The outcome of a set."""
        key = frozenset(kept)
        if key not in self._outcomes:
            end = self.end(key)
            found = breaches(self.world, self.world.present(key), end)
            masks = [late(end, clock) for clock in self.world.clocks]
            times = tuple(0 if mask is None else int(np.count_nonzero(mask)) for mask in masks)
            inside = ingress(self.world, end)
            self._outcomes[key] = Outcome(
                FailureCounts.of(found.elapsed, found.consumables), self.world.scenarios, inside, times
            )
        return self._outcomes[key]

    def meets(self, kept: Iterable[int], wanted: ChanceConstraint) -> bool:
        """Whether a set holds, hardware clocks included.

        A clock may be late as often as the demand allows, or as often as it is without optional work.
        """
        found = self.outcome(kept)
        if not wanted.met(found.failing):
            return False
        if not self.world.clocks:
            return True
        pairs = zip(found.clocks_late, self.outcome(()).clocks_late, strict=True)
        return all(times <= max(wanted.clock, least) for times, least in pairs)
