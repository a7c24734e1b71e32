"""The rest of the excursion as arrays, and the one recursion that plays it in every scenario.

A world is made once per estimate (`tracker.forecast.remaining`); what to keep, last calls and
turn-back are asked of the same world. Times are float32 seconds relative to `World.now`; rows are
scenarios' values of one step, so every operation works on one contiguous row.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.waits import NEVER as NEVER
from tracker.forecast.waits import Row as Row
from tracker.forecast.waits import wait_for_opening as wait_for_opening


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
    earliest: float = 0.0
    """Not before this, relative to now (a hold that lasts until a known instant)."""
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
    expected: float = 0.0
    """What is left now, as a single figure: the mean of what is believed."""
    expected_use: float = 1.0
    """The use factor, likewise."""
    flagged: str | None = None
    """What a reading that contradicts the model says, in plain words."""
    read_at: float | None = None
    """PET of the last reading; None without one."""


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
    ready: tuple[float, ...]
    """Per crew member: from when on they are free, relative to now, at least 0."""
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
    pace: Mapping[str, float] = field(default_factory=dict)
    """Pace believed now: `all`, and per crew member."""

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

    @property
    def scenarios(self) -> int:
        """Number of scenarios."""
        return int(self.durations.shape[1])

    def present(self, kept: Iterable[int]) -> list[int]:
        """Return the indices of the nodes that remain when these optional tasks are kept."""
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
    sums: Mapping[int, Row] = field(default_factory=dict)
    """Per node the row to which its duration is added, if any."""

    def fork(self) -> Course:
        """Return a course that goes on from here without changing this one (rows are shared)."""
        return Course(list(self.ready), dict(self.start), dict(self.finish), list(self.last_site))


def begin(world: World) -> Course:
    """Return the course before its first node."""
    n = world.scenarios
    ready = [np.full(n, value, dtype=np.float32) for value in world.ready]
    return Course(ready, {}, {}, [None] * len(world.crew))


def advance(world: World, course: Course, nodes: Sequence[int], *, starts: bool = False) -> Course:
    """Play these nodes, in order, on top of a course, and return that course.

    `nodes` are indices, ascending. With `starts` the start rows are kept as well. Rows are shared
    between courses and never written to once they stand. Cost: a few row operations a node.
    """
    durations, everything, sited, table = world.durations, world.nodes, world.sited, course.table
    ready, sums = course.ready, course.sums
    for i in nodes:
        node = everything[i]
        crew, into = node.crew, None if course.starts_table is None else course.starts_table[i]
        at_once = len(crew) == 1 and not node.needs and not node.gaps and not node.earliest
        start = ready[crew[0]] if at_once else _start(world, course, node, into)
        if starts:
            course.start[i] = start
        duration = durations[i]
        if node.home is not None:
            duration = duration * np.float32(home_seconds(node, course))
        finish = start + duration if table is None else np.add(start, duration, table[i])
        course.finish[i] = finish
        if (total := sums.get(i)) is not None:
            np.add(total, duration, total)
        for c in crew:
            ready[c] = finish
        for c in sited[i]:
            course.last_site[c] = i
    return course


def _start(world: World, course: Course, node: Node, into: Row | None) -> Row:
    """Return when a node starts: a row of its own (`into`), or one that is not to be written to."""
    rows = [course.ready[c] for c in node.crew]
    if not node.running:
        finish = course.finish
        rows += [finish[need] for need in node.needs if need in finish]
    if not rows:
        t, owned = np.full(world.scenarios, node.earliest, dtype=np.float32), True
    else:
        t, owned = rows[0], False
        for row in rows[1:]:
            if row is not t:
                t, owned = np.maximum(t, row, out=t if owned else into), True
        if node.earliest > 0.0:
            t, owned = np.maximum(t, np.float32(node.earliest), out=t if owned else into), True
    if node.gaps and not node.running:
        t = t if owned else np.positive(t, out=into)
        wait_for_opening(t, node.gaps)
    return t


def home_seconds(node: Node, course: Course) -> float:
    """Return the planned way home of a node of that kind from where its crew will be."""
    home = node.home or {}
    sites = [(c, course.last_site[c]) for c in node.crew]
    seconds = (home_from_here(node, c) if site is None else home[site] for c, site in sites)
    return max(seconds, default=node.home_now)


def home_from_here(node: Node, crew: int) -> float:
    """Return the planned way home of this crew member when no node with a site comes before it."""
    return node.home_from.get(crew, node.home_now)
