"""The latest instant at which an optional task may still be started, by one pass forward and one back.

Per scenario: the greatest s such that, if the task's first step starts at s and no other step of it
before s, and then only must work, closeout and what the task needs are done, every limit is kept. Paths
that do not pass through that first step must keep the limits by themselves. The last call is the
instant that enough scenarios still allow: an order statistic, no search.

Of a task that has begun, the first step is the first that has not; what is running counts as must work.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from tracker.forecast.demand import with_needs
from tracker.forecast.limits import GRAIN_S, bound_crew, deadlines, needed, way_home
from tracker.forecast.world import NEVER, Course, Node, Row, World, advance, begin
from tracker.forecast.world import inside as ingress


def first_step(world: World, task: int) -> int | None:
    """Return the node with which a task starts or, begun, goes on; None when all that is left runs."""
    name = world.optional[task].task
    return next((i for i, node in enumerate(world.nodes) if _starts_with(node, task, name)), None)


def _starts_with(node: Node, task: int, name: str) -> bool:
    """Whether a node is work of the task that may still be left: not running, nor a closer that stays."""
    return node.task == name and task in node.groups and not node.running


def work_with(world: World, task: int, kept: Collection[int]) -> list[int]:
    """Return the nodes that a last call looks at: must work, the task, what it needs, what runs.

    A get-ahead has to leave room for the `should` tasks that are kept.
    """
    tasks = {task}
    if world.optional[task].priority != "should":
        tasks |= {m for m in kept if world.optional[m].priority == "should"}
    present = set(world.present(with_needs(world.optional, tasks)))
    return sorted(present | {i for i, node in enumerate(world.nodes) if node.running})


def last_call(world: World, task: int, kept: Collection[int]) -> float | None:
    """Return the last call of an optional task in seconds from now; None if no start would do.

    `kept`: the optional tasks that are kept. Infinite where nothing depends on the task.
    """
    first = first_step(world, task)
    if first is None:
        return None
    present = work_with(world, task, kept)
    name = world.optional[task].task
    own = [i for i in present if _starts_with(world.nodes[i], task, name)]
    bypass = _bypass(world, present, first)
    at = deadlines(world, present)
    by_limits, by_reserves = ends_of(world, at)
    if world.confidence_joint:
        ends = [np.minimum(a, b) for a, b in zip(by_limits, by_reserves, strict=True)]
        calls = [_call(world, present, own, ends, bypass, at, world.confidence_elapsed)]
    else:
        calls = [
            _call(world, present, own, by_limits, bypass, None, world.confidence_elapsed),
            _call(world, present, own, by_reserves, bypass, at, world.confidence_consumables, elapsed=False),
        ]
    latest = min(calls)
    return None if latest < -GRAIN_S else max(latest, 0.0)


def _bypass(world: World, present: Sequence[int], first: int) -> Course:
    """Play everything as if the first step had always been done: what does not pass through it."""
    cut = present.index(first)
    course = advance(world, begin(world), present[:cut])
    long_ago = np.full(world.scenarios, -np.inf, dtype=np.float32)
    course.finish[first] = long_ago
    for c in world.nodes[first].crew:
        course.ready[c] = long_ago
    for c in world.sited[first]:
        course.last_site[c] = first
    return advance(world, course, present[cut + 1 :])


def ends_of(world: World, deadlines: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Return per crew member by when they must be inside: for the elapsed limits, for the reserves."""
    never = np.full(world.scenarios, NEVER, dtype=np.float32)
    reserve = never.copy()
    for row in deadlines:
        np.minimum(reserve, row, out=reserve)
    by_limits, by_reserves = [never] * len(world.crew), [never] * len(world.crew)
    for c in world.counted:
        at = min((limit.at for limit in world.limits if c in limit.crew), default=np.inf)
        by_limits[c] = np.full(world.scenarios, at, dtype=np.float32)
        by_reserves[c] = reserve
    return by_limits, by_reserves


def _call(
    world: World,
    present: Sequence[int],
    own: Sequence[int],
    ends: Sequence[Row],
    bypass: Course,
    deadlines: Sequence[Row] | None,
    confidence: float,
    *,
    elapsed: bool = True,
) -> float:
    latest = latest_start(world, present, own, ends)
    everybody = ingress(world, bypass)
    fails = np.zeros(world.scenarios, dtype=np.bool_)
    for i, row in bypass.finish.items():
        gaps = world.nodes[i].gaps
        if gaps and gaps[-1][1] == np.inf:
            fails |= row == NEVER
    if elapsed:
        for limit in world.limits:
            who = bound_crew(world, limit)
            inside = everybody if who is None else ingress(world, bypass, who)
            fails |= inside > limit.at + GRAIN_S
    for row in deadlines or ():
        fails |= everybody > row + np.float32(GRAIN_S)
    latest = np.where(fails, np.float32(-np.inf), latest)
    rank = world.scenarios - needed(confidence, world.scenarios)
    return float(np.partition(latest, rank)[rank])


def latest_start(world: World, present: Sequence[int], own: Sequence[int], ends: Sequence[Row]) -> Row:
    """Return per scenario the latest instant before which none of the nodes `own` needs to start.

    A pass backward: a node must be ready by the last instant from which it, and everything after it,
    still meets `ends` (per crew member: inside by then).
    """
    cap = list(ends)
    by_need: dict[int, Row] = {}
    homes = way_home(world, present)
    everybody = cap[world.counted[0]] if world.counted else None
    latest = np.full(world.scenarios, NEVER, dtype=np.float32)
    wanted, first = frozenset(own), min(own)
    for i in reversed(present):
        if i < first:
            break
        node = world.nodes[i]
        rows = [cap[c] for c in node.crew] or ([everybody] if everybody is not None else [])
        t = _ready_by(world, i, [*rows, *([by_need[i]] if i in by_need else [])], homes)
        for c in node.crew:
            cap[c] = t
        if not node.running:
            for need in node.needs:
                by_need[need] = np.minimum(by_need[need], t) if need in by_need else t
        if i in wanted:
            np.minimum(latest, t, out=latest)
    return latest


def _ready_by(world: World, i: int, rows: Sequence[Row], homes: dict[int, float]) -> Row:
    """Return by when a node must be ready to be finished by each of these rows."""
    node, duration = world.nodes[i], world.durations[i]
    if i in homes:
        duration = duration * np.float32(homes[i])
    by = rows[0] if rows else np.full(world.scenarios, NEVER, dtype=np.float32)
    for row in rows[1:]:
        by = np.minimum(by, row)
    t: Row = by - duration
    if node.gaps and not node.running:
        _before_gaps(t, node)
    return t


def _before_gaps(t: Row, node: Node) -> None:
    """Move every latest start that falls into a gap back to the gap's beginning, in place."""
    low, high = float(t.min()), float(t.max())
    for close, opening in node.gaps:
        if high <= close:
            break
        if low < opening:
            t[(t > np.float32(close)) & (t < np.float32(opening))] = close
            if opening == np.inf:
                np.minimum(t, np.float32(close), out=t)
