"""The rest of the excursion as arrays, and the one recursion that plays it in every scenario.

A world is made once per estimate (`tracker.forecast.remaining`); what to keep, last calls and
turn-back are asked of the same world. Times are float32 seconds relative to `World.now`; rows are
scenarios' values of one step, so every operation works on one contiguous row.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.durations import Drawn
from tracker.forecast.figures import Leak
from tracker.forecast.memory import Memory
from tracker.forecast.window_gaps import wait_for_opening

Row = NDArray[np.float32]
"""N values, one a scenario."""

NEVER = np.float32(np.inf)
"""Start and finish of a step that is shut out."""


class Node(NamedTuple):
    """One step that may remain to be done."""

    step: str
    task: str
    crew: tuple[int, ...]
    """Indices into `World.crew`; empty where nobody owns the step any more."""
    needs: tuple[int, ...]
    """Nodes that finish first; all come earlier in `World.nodes`. Absent ones are ignored."""
    groups: tuple[int, ...] = ()
    """Indices into `World.optional`: the node remains when any of these tasks is kept; empty: always."""
    running: bool = False
    """In progress: its duration is what remains of it, and its needs and window lie behind it."""
    just_begun: bool = False
    """Begun at this very instant: a call now finds it not begun, and nothing opened by it."""
    earliest: float = -math.inf
    """Not before this, relative to now; else perhaps before now, behind a step that was done unticked."""
    gaps: tuple[tuple[float, float], ...] = ()
    """Ascending [close, next opening) in which it cannot start, relative to now; the next opening is
    infinite where there is none."""
    windows: tuple[str, ...] = ()
    """Names of the windows that made the gaps."""
    opens: tuple[str, ...] = ()
    closes: tuple[str, ...] = ()
    closeout: bool = False
    home: Mapping[int, float] | None = None
    """For the way home: seconds of it from the site of each earlier node (by index) that has one. The
    node's duration row is then a factor on those seconds."""
    home_now: float = 0.0
    """For the way home: seconds of it when no earlier node with a site remains."""
    home_from: Mapping[int, float] = MappingProxyType({})
    """For the way home: the same per crew member who is at a known site now; goes before `home_now`."""


class AtRest(NamedTuple):
    """What a store came to whose crew is inside."""

    at: float
    """PET at which the last of them came in."""
    to_spare_s: float
    """Seconds; below 0 where the reserve was broken, infinite where nothing ran down."""


@dataclass(frozen=True, slots=True, eq=False)
class Account:
    """One consumable of one crew member, or one shared store."""

    crew: str
    """Crew id, or `*`."""
    consumable: str
    level: Row
    """What is left now."""
    use: Row
    """Use factor, positive."""
    reserve: float
    waiting_per_s: float
    """Use a second while waiting, at factor 1."""
    extra_per_s: NDArray[np.float32]
    """(steps,): use a second of each node beyond waiting, all its crew in this account together."""
    leak_per_s: Row | None = None
    """What is lost a second whatever the crew does; None where no scenario leaks."""
    taken: float = 0.0
    """What the model says was used from PET 0 up to now, at use factor 1."""
    below_s: Row | None = None
    """For how many seconds it has been below the reserve already; None where it is not."""
    rest: AtRest | None = None
    """Once its crew is inside; None while somebody takes from it."""
    expected: float = 0.0
    """What is left now, as a single figure: the mean of what is believed."""
    flagged: str | None = None
    """What a reading that contradicts the model says, in plain words."""
    read_at: float | None = None
    """PET of the last reading; None without one."""
    read: float | None = None
    """What it said."""
    nothing_by: float | None = None
    """PET by which nothing was left on average; None while something is."""
    leak: Leak | None = None
    next_reading: tuple[float, float, float] | None = None
    """What a gauge would show now: p10, p50, p90."""

    @property
    def waiting(self) -> Row:
        """What waiting takes a second at use factor 1, a leak with it: (scenarios,), or one value for all."""
        usual = np.float32(self.waiting_per_s)
        return np.asarray(usual if self.leak_per_s is None else usual + self.leak_per_s / self.use)

    def some(self, chosen: NDArray[np.intp]) -> Account:
        """Return the account in these scenarios only."""
        leak = None if self.leak_per_s is None else self.leak_per_s[chosen]
        below = None if self.below_s is None else self.below_s[chosen]
        return replace(self, level=self.level[chosen], use=self.use[chosen], leak_per_s=leak, below_s=below)


@dataclass(frozen=True, slots=True)
class ElapsedLimit:
    """An instant, relative to now, by which these crew members must be inside."""

    name: str
    at: float
    crew: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Clock:
    """A hardware clock: `node` is done at most `time` seconds after the done of another step."""

    node: int
    of: int | None
    """The node it runs from, or None when that is done; then `due` counts."""
    due: float | None
    """Relative to now."""
    time: float
    of_step: str


@dataclass(frozen=True, slots=True)
class OptionalTask:
    """A task that advice may leave out."""

    task: str
    priority: str
    value: float
    needs: tuple[int, ...]
    """Indices of the optional tasks it needs."""
    begun: bool
    minutes: float
    """Planned crew-independent work left, for ordering only."""
    place: int = 0
    """Place in the plan's file, for ties."""


@dataclass(frozen=True, eq=False)
class World:
    """Everything that one estimate knows about the rest of the excursion."""

    now: float
    """PET seconds."""
    nodes: tuple[Node, ...]
    """In one topological order of needs and of each crew member's own order."""
    crew: tuple[str, ...]
    counted: tuple[int, ...]
    """Indices of the crew members outside who have not entered: those whose ingress counts."""
    inside_already: Mapping[int, float]
    """Crew members outside who have entered: when, relative to now."""
    ready: tuple[Row, ...]
    """Per crew member: from when on they are free, relative to now; before now where ticks come late."""
    durations: NDArray[np.float32]
    """(steps, scenarios): seconds; see `Node.home` for the way home. 0 where a step was not to be played."""
    optional: tuple[OptionalTask, ...]
    limits: tuple[ElapsedLimit, ...]
    accounts: tuple[Account, ...]
    clocks: tuple[Clock, ...]
    confidence_elapsed: float
    confidence_consumables: float
    confidence_joint: bool
    open_now: Mapping[str, str] = field(default_factory=dict)
    """Item to the step that opened it, for items that are open now."""
    drawn: Drawn | None = None
    """What the durations were drawn from; None in a world that was made by hand."""
    memory: Memory = field(default_factory=Memory)
    """What is remembered of the excursion; it lends tables."""

    @cached_property
    def sited(self) -> tuple[tuple[int, ...], ...]:
        """Per node those of its crew for whom it is a place from which a later way home may start."""
        homes = [node for node in self.nodes if node.home is not None]
        if not homes:
            return ((),) * len(self.nodes)
        return tuple(
            tuple(c for c in node.crew if any(c in h.crew and i in (h.home or ()) for h in homes))
            for i, node in enumerate(self.nodes)
        )

    @cached_property
    def may_shut_out(self) -> bool:
        """Whether some step has windows that close for good."""
        return any(node.gaps and node.gaps[-1][1] == np.inf for node in self.nodes)

    @cached_property
    def ownerless(self) -> tuple[int, ...]:
        """Nodes that nobody owns any more; none once everybody is inside and nothing waits for them."""
        if not self.counted:
            return ()
        return tuple(i for i, node in enumerate(self.nodes) if not node.crew)

    @cached_property
    def stores(self) -> tuple[Row, ...]:
        """Per account what is left beyond its reserve, at use factor 1."""
        return tuple((a.level - np.float32(a.reserve)) / a.use for a in self.accounts)

    @cached_property
    def waiting(self) -> tuple[Row, ...]:
        """Per account what waiting takes a second, at use factor 1: with leaks a row, else one value."""
        return tuple(a.waiting for a in self.accounts)

    @cached_property
    def awaited(self) -> frozenset[int]:
        """Nodes of which somebody asks when they are done: another node, a hardware clock, the ingress."""
        asked = {i for clock in self.clocks for i in (clock.node, clock.of) if i is not None}
        return frozenset(asked).union(self.ownerless, *(node.needs for node in self.nodes))

    @property
    def scenarios(self) -> int:
        """Number of scenarios."""
        return int(self.durations.shape[1])

    def some(self, chosen: NDArray[np.intp], durations: NDArray[np.float32] | None = None) -> World:
        """The world in these scenarios only; `durations`: of those, where not all are wanted."""
        durations = self.durations[:, chosen] if durations is None else durations
        stores, ready = [a.some(chosen) for a in self.accounts], [row[chosen] for row in self.ready]
        return replace(self, durations=durations, accounts=tuple(stores), ready=tuple(ready))

    def present(self, kept: Iterable[int]) -> list[int]:
        """The indices of the nodes that remain when these optional tasks are kept."""
        chosen = frozenset(kept)
        groups = enumerate([node.groups for node in self.nodes])
        return [i for i, mine in groups if not mine or not chosen.isdisjoint(mine)]


@dataclass(slots=True, eq=False)
class Course:
    """Where a recursion stands: what each crew member and each finished node came to."""

    ready: list[Row]
    """Per crew member: free from then on."""
    start: dict[int, Row]
    finish: dict[int, Row]
    last_site: list[int | None]
    """Per crew member: the last node with a site so far."""
    table: NDArray[np.float32] | None = None
    """(steps, N): where finish rows are written to, one after another in memory; None: each where it
    happens to be. A course with a table must be done with before another one is given the same."""
    starts_table: NDArray[np.float32] | None = None
    """The same for start rows that are not the very row of some finish."""
    spare: list[Row] | None = None
    """Rows of the table to write to anew, where only ends are wanted: of finishes, those awaited are kept."""

    def fork(self) -> Course:
        """A course that goes on from here without changing this one (rows are shared)."""
        return Course(list(self.ready), dict(self.start), dict(self.finish), list(self.last_site))


def begin(world: World) -> Course:
    """The course before its first node."""
    return Course(list(world.ready), {}, {}, [None] * len(world.crew))


def advance(world: World, course: Course, nodes: Sequence[int], *, starts: bool = False) -> Course:
    """Play these nodes, in order, on top of a course, and return that course.

    `nodes` are indices, ascending. With `starts` the start rows are kept as well. Rows are shared
    between courses and never written to once they stand. Cost: a few row operations a node.
    """
    durations, everything, sited, table = world.durations, world.nodes, world.sited, course.table
    ready, spare = course.ready, course.spare
    again: set[int] = set()
    for i in nodes:
        node = everything[i]
        crew, kept = node.crew, spare is None or i in world.awaited
        row = None if table is None else spare.pop() if spare and not kept else table[i]
        into = row if spare is not None else None if course.starts_table is None else course.starts_table[i]
        at_once = len(crew) == 1 and not node.needs and not node.gaps and node.earliest == -math.inf
        start = ready[crew[0]] if at_once else _start(world, course, node, into)
        if starts:
            course.start[i] = start
        duration = durations[i]
        if node.home is not None:
            duration = duration * np.float32(home_seconds(node, course))
        finish = np.add(start, duration, row)
        if kept:
            course.finish[i] = finish
        elif crew:
            again.add(id(finish))
        for c in crew:
            before, ready[c] = ready[c], finish
            if spare is not None and id(before) in again and all(other is not before for other in ready):
                spare.append(before)
        for c in sited[i]:
            course.last_site[c] = i
    return course


def _start(world: World, course: Course, node: Node, into: Row | None) -> Row:
    """The start of a node: a row of its own (`into`), or one that is not to be written to."""
    rows = [course.ready[c] for c in node.crew]
    if not node.running:
        rows += [course.finish[need] for need in node.needs if need in course.finish]
    if not rows:
        t, owned = np.full(world.scenarios, max(node.earliest, 0.0), dtype=np.float32), True
    else:
        t, owned = rows[0], False
        for row in rows[1:]:
            if row is not t:
                t, owned = np.maximum(t, row, out=t if owned else into), True
        if node.earliest > -math.inf:
            t, owned = np.maximum(t, np.float32(node.earliest), out=t if owned else into), True
    if node.gaps and not node.running:
        t = t if owned else np.positive(t, out=into)
        wait_for_opening(t, node.gaps)
    return t


def home_seconds(node: Node, course: Course) -> float:
    """The planned way home of a node of that kind from where its crew will be."""
    home = node.home or {}
    sites = [(c, course.last_site[c]) for c in node.crew]
    seconds = (home_from_here(node, c) if site is None else home[site] for c, site in sites)
    return max(seconds, default=node.home_now)


def home_from_here(node: Node, crew: int) -> float:
    """The planned way home of this crew member when no node with a site comes before it."""
    return node.home_from.get(crew, node.home_now)


def inside(world: World, course: Course, crew: Collection[int] | None = None) -> Row:
    """The instant at which the last of these crew members (default: everybody outside) is inside.

    Relative to now. Those who are inside already count with the instant at which they came in. With
    the default a step that nobody owns counts as well: the excursion is not over before it.
    """
    nobodys = [course.finish[i] for i in world.ownerless if i in course.finish]
    return last_inside(world, course.ready, nobodys, crew)


def last_inside(
    world: World, ready: Sequence[Row], nobodys: Sequence[Row], crew: Collection[int] | None
) -> Row:
    """The same, given when everybody is free and when each step that nobody owns is done."""
    rows = [ready[c] for c in world.counted if crew is None or c in crew]
    rows += nobodys if crew is None else ()
    if not rows:
        entered = [at for c, at in world.inside_already.items() if crew is None or c in crew]
        return np.full(world.scenarios, max(entered, default=0.0), dtype=np.float32)
    t = np.maximum(rows[0], np.float32(0))
    for row in rows[1:]:
        np.maximum(t, row, out=t)
    return t


def shut_out(world: World, course: Course) -> NDArray[np.bool_]:
    """The scenarios in which some step of the course finds no later opening."""
    mask = np.zeros(world.scenarios, dtype=np.bool_)
    if world.may_shut_out:
        for row in course.ready:
            mask |= row == NEVER
        for i in world.ownerless:
            if i in course.finish:
                mask |= course.finish[i] == NEVER
    return mask


def shut_out_by_window(world: World, course: Course) -> dict[str, NDArray[np.bool_]]:
    """Per window (only those that did) the scenarios in which it shut a remaining step out.

    A step that merely comes after one that was shut out is not counted against its own window.
    """
    lost = np.flatnonzero(shut_out(world, course))
    out: dict[str, NDArray[np.bool_]] = {}
    before: dict[int, Row] = {}
    for i in sorted(course.finish) if lost.size else ():
        node, row = world.nodes[i], course.finish[i][lost]
        if node.gaps and node.gaps[-1][1] == np.inf:
            mask = row == NEVER
            for earlier in [before[c] for c in node.crew if c in before]:
                mask &= earlier < NEVER
            for need in node.needs:
                if need in course.finish:
                    mask &= course.finish[need][lost] < NEVER
            if mask.any():
                for name in node.windows:
                    out.setdefault(name, np.zeros(world.scenarios, dtype=np.bool_))[lost] |= mask
        before.update(dict.fromkeys(node.crew, row))
    return out


def way_home(world: World, present: Sequence[int]) -> dict[int, float]:
    """The planned seconds of each way home among these nodes (ascending indices).

    It starts from the last site before it of whoever walks it.
    """
    homes = [i for i in present if world.nodes[i].home is not None]
    return {i: _from_last_site(world.nodes[i], i, present, world) for i in homes}


def _from_last_site(node: Node, i: int, present: Sequence[int], world: World) -> float:
    assert node.home is not None
    seconds = []
    for c in node.crew:
        sites = [s for s in present if s < i and s in node.home and c in world.nodes[s].crew]
        seconds.append(node.home[sites[-1]] if sites else home_from_here(node, c))
    return max(seconds, default=node.home_now)
