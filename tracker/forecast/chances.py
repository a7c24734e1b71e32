"""The chance of each task to be done by an instant, say the one at which the crew must turn back."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin
from tracker.journal.progress import Progress


def done_by(
    progress: Progress,
    *,
    now: float,
    by: float,
    kept: Collection[str],
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
) -> dict[str, float]:
    """Return per task that remains the share of scenarios in which its last step is done by PET `by`.

    `now` and `by` in PET seconds; `kept` are the optional tasks that are played along, in their place. Tasks
    that are done, dropped or left out are not in the answer.
    """
    world = build_world(progress, now=now, scenarios=scenarios, prior=prior)
    present = world.present(k for k, task in enumerate(world.optional) if task.task in kept)
    left_out = {task.task for task in world.optional} - set(kept)
    course = advance(world, begin(world), present)
    late: dict[str, np.ndarray[tuple[int], np.dtype[np.bool_]]] = {}
    for i in present:
        task = world.nodes[i].task
        if task not in left_out:
            beyond = course.finish[i] > by - world.now
            late[task] = late[task] | beyond if task in late else beyond
    return {task: 1.0 - float(np.count_nonzero(mask)) / len(mask) for task, mask in late.items()}
