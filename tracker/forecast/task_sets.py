"""Bounds on what a set of optional tasks breaks, for a search that must stay exact and be quick.

More work is never safer while ways home, uses below waiting and hardware clocks are left out. Where a
plan has ways home or such uses, a bound takes the least (or the most) that any set could make of them.

Plays many sets of optional tasks on one bound, without the bookkeeping of a course.

Steps that only follow one another for one crew member are added up beforehand, and only what later
steps need is kept. Ways home must be fixed already (`tracker.forecast.stage`).

What one set of optional tasks comes to on all scenarios, exactly, and each set only once.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import OrderedDict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import (
    GRAIN_S,
    Demand,
    Failing,
    bound_crew,
    broken,
    clocked,
    count,
    failing,
    grain_of,
    late,
)
from tracker.forecast.quantiles import one
from tracker.forecast.usage import Mask, product
from tracker.forecast.world import (
    MANY_GAPS,
    NEVER,
    Branch,
    Course,
    Node,
    RegularGaps,
    Row,
    World,
    home_from_here,
    last_inside,
    played,
    regular_gaps,
    wait_for_opening,
)
from tracker.forecast.world import inside as ingress


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


_BRANCHES = 2
"""Courses held, for others to branch off."""
_ENDS = 64
"""Ends of courses held."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one set comes to."""

    failing: Failing
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


class Judge:
    """Plays sets of optional tasks on one world and remembers what came out, but not every course."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._outcomes: dict[frozenset[int], Outcome] = {}
        self.memo: dict[frozenset[int], Any] = {}
        """What `last_call.starts` found beside a kept set."""
        self._branches: OrderedDict[frozenset[int], Branch] = OrderedDict()
        self._ends: OrderedDict[frozenset[int], Course] = OrderedDict()

    @cached_property
    def bounds(self) -> tuple[Stage, Stage]:
        """What no set breaks less than, and what none breaks more than."""
        return bounds(self.world)

    def course(self, kept: Iterable[int]) -> Course:
        """Return the course with starts when these tasks are kept."""
        key = frozenset(kept)
        if key not in self._branches or not self._branches[key].with_starts:
            self._hold(key, starts=True)
        self._branches.move_to_end(key)
        return self._branches[key].course

    def _hold(self, key: frozenset[int], *, starts: bool) -> None:
        """Play a set, and hold its course for others to branch off."""
        self._branches[key] = played(
            self.world, self.world.present(key), self._nearest(key, starts), starts=starts
        )
        while len(self._branches) > _BRANCHES:
            self._branches.popitem(last=False)

    def _nearest(self, key: frozenset[int], starts: bool = False) -> Branch | None:
        """Return the course with which a set has the most in common; if need be, one with its starts."""
        nodes = self.world.present(key)
        branches = [branch for branch in self._branches.values() if branch.with_starts or not starts]
        return max(branches, key=lambda branch: branch.common(nodes), default=None)

    def start_row(self, key: frozenset[int], node: int) -> Row:
        """Return when a node starts in the course of a set; what that course ends with is remembered."""
        if not self._branches or key in self._branches:
            return self.course(key).start[node]
        found = played(self.world, self.world.present(key), self._nearest(key), start_of=node)
        self._remember(key, found.course)
        return found.course.start[node]

    def _end(self, key: frozenset[int]) -> Course:
        """Return what limits and clocks look at of the course of a set, and no more of it."""
        if key not in self._ends:
            if not self._branches:
                self._hold(key, starts=False)
            if key in self._branches:
                self._remember(key, self._branches[key].course)
            else:
                self._remember(key, played(self.world, self.world.present(key), self._nearest(key)).course)
        return self._ends[key]

    def end(self, kept: Iterable[int]) -> Run:
        """Return when everybody is free after a set, and when the last step that nobody owns is done."""
        end = self._end(frozenset(kept))
        nobodys = np.zeros(self.world.scenarios, dtype=np.float32)
        for i, row in end.finish.items():
            if not self.world.nodes[i].crew:
                np.maximum(nobodys, row, out=nobodys)
        return Run([*end.ready, nobodys])

    def _remember(self, key: frozenset[int], course: Course) -> None:
        asked = {i for clock in self.world.clocks for i in (clock.node, clock.of)}
        finish = {
            i: row.copy() for i, row in course.finish.items() if i in asked or not self.world.nodes[i].crew
        }
        self._ends[key] = Course([row.copy() for row in course.ready], {}, finish, list(course.last_site))
        while len(self._ends) > _ENDS:
            self._ends.popitem(last=False)

    def median(self, kept: Iterable[int]) -> float:
        """Return the median instant at which everybody is inside, relative to now."""
        return one(ingress(self.world, self._end(frozenset(kept))), 0.5)

    def outcome(self, kept: Iterable[int]) -> Outcome:
        """Return what a set comes to."""
        key = frozenset(kept)
        if key not in self._outcomes:
            end = self._end(key)
            found = broken(self.world, self.world.present(key), end)
            masks = [late(end, clock) for clock in self.world.clocks]
            times = tuple(0 if mask is None else int(np.count_nonzero(mask)) for mask in masks)
            inside = ingress(self.world, end)
            self._outcomes[key] = Outcome(failing(found), self.world.scenarios, inside, times)
        return self._outcomes[key]

    def meets(self, kept: Iterable[int], wanted: Demand) -> bool:
        """Return whether a set holds, hardware clocks included.

        A clock may be late as often as the demand allows, or as often as it is without optional work.
        """
        found = self.outcome(kept)
        if not wanted.met(found.failing):
            return False
        if not self.world.clocks:
            return True
        pairs = zip(found.clocks_late, self.outcome(()).clocks_late, strict=True)
        return all(times <= max(wanted.clock, least) for times, least in pairs)
