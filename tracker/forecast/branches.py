"""Courses of many sets on one world: each branches off another one where the two first differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.memory import take
from tracker.forecast.world import Course, World, advance, begin


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """A course with the nodes it was played over."""

    nodes: Sequence[int]
    """Ascending indices."""
    course: Course

    @property
    def with_starts(self) -> bool:
        """Whether the course knows when each of its nodes starts."""
        return len(self.course.start) == len(self.nodes)

    def common(self, nodes: Sequence[int]) -> int:
        """Return how many of the first nodes are the same."""
        pairs = enumerate(zip(self.nodes, nodes, strict=False))
        return next((k for k, (a, b) in pairs if a != b), min(len(self.nodes), len(nodes)))


def played(
    world: World,
    nodes: Sequence[int],
    base: Branch | None = None,
    *,
    starts: bool = False,
    start_of: int | None = None,
) -> Branch:
    """Return the course over these nodes, bit for bit as if played from the beginning.

    What it has in common with `base` is taken from there, with its starts. `start_of`: the one node
    whose start is kept anyway.
    """
    same = 0 if base is None else base.common(nodes)
    if base is not None and start_of in nodes[:same] and start_of not in base.course.start:
        same = nodes.index(start_of)
    course = begin(world) if base is None else cut_after(world, base, same)
    rest = nodes[same:]
    course.table, course.starts_table = room(world), room(world) if starts else None
    if start_of in rest:
        at = rest.index(start_of)
        advance(world, course, rest[:at], starts=starts)
        advance(world, course, rest[at : at + 1], starts=True)
        rest = rest[at + 1 :]
    advance(world, course, rest, starts=starts)
    course.table = course.starts_table = None
    return Branch(nodes, course)


def room(world: World) -> NDArray[np.float32]:
    """Return memory for the finish rows of a course, used again once nobody holds it: fresh is slow."""
    return take((len(world.nodes), world.scenarios))


def cut_after(world: World, base: Branch, same: int) -> Course:
    """Return a course that stands after the first nodes of another one."""
    nodes, begun = base.nodes[:same], begin(world)
    finish, start = base.course.finish, base.course.start
    for i in nodes:
        for c in world.nodes[i].crew:
            begun.ready[c] = finish[i]
        for c in world.sited[i]:
            begun.last_site[c] = i
        begun.finish[i] = finish[i]
        if i in start:
            begun.start[i] = start[i]
    return begun
