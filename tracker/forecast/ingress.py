"""When the last of some crew members is inside, at the end of a course."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from tracker.forecast.waits import Row
from tracker.forecast.world import Course, World


def inside(world: World, course: Course, crew: Collection[int] | None = None) -> Row:
    """Return when the last of these crew members (default: everybody outside) is inside.

    Relative to now. Those who are inside already count with the instant at which they came in. With
    the default a step that nobody owns counts as well: the excursion is not over before it.
    """
    nobodys = [course.finish[i] for i in world.ownerless if i in course.finish]
    return last_inside(world, course.ready, nobodys, crew)


def last_inside(
    world: World, ready: Sequence[Row], nobodys: Sequence[Row], crew: Collection[int] | None
) -> Row:
    """Return what `inside` does, given when everybody is free and when what nobody owns is done."""
    rows = [ready[c] for c in world.counted if crew is None or c in crew]
    rows += nobodys if crew is None else ()
    if not rows:
        entered = [at for c, at in world.inside_already.items() if crew is None or c in crew]
        return np.full(world.scenarios, max(entered, default=0.0), dtype=np.float32)
    t = np.maximum(rows[0], np.float32(0))
    for row in rows[1:]:
        np.maximum(t, row, out=t)
    return t
