"""Which scenarios of a course find a window closed for good before a step that remains, and which window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.waits import NEVER, Row
from tracker.forecast.world import Course, World


def shut_out(world: World, course: Course) -> NDArray[np.bool_]:
    """Return the scenarios in which some step of the course finds no later opening."""
    mask = np.zeros(world.scenarios, dtype=np.bool_)
    if world.may_shut_out:
        for row in course.ready:
            mask |= row == NEVER
        for i in world.ownerless:
            if i in course.finish:
                mask |= course.finish[i] == NEVER
    return mask


def shut_out_by_window(world: World, course: Course) -> dict[str, NDArray[np.bool_]]:
    """Return per window (only those that did) the scenarios in which it shut a remaining step out.

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
        for c in node.crew:
            before[c] = row
    return out
