"""Chances asked for by name: of a plan before it begins, of each task to be done by an instant."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from tracker.forecast.limits import ChanceConstraint
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.quantiles import finite, one
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.world import advance, begin
from tracker.journal.progress import Progress
from tracker.plan.model import Plan

SEED = str(uuid.uuid5(uuid.NAMESPACE_URL, "chances at zero"))
"""What the scenarios of a plan that nobody has begun are drawn by."""


@dataclass(frozen=True, slots=True)
class Chance:
    """What one choice of tasks comes to over the scenarios."""

    safe: float
    """Share of scenarios that keep every limit and every reserve."""
    inside_p50: float | None
    """PET in seconds; None where most scenarios never come in."""
    inside_p90: float | None
    holds: bool
    """Whether the plan's confidence is reached."""


@dataclass(frozen=True, slots=True)
class AtZero:
    """The chances of a plan before it begins."""

    must: Chance
    """Must work and closeout alone."""
    everything: Chance
    prior: str
    """Which belief about pace it rests on, in words."""


def at_zero(plan: Plan, prior: PacePrior = DEFAULT_PRIOR, *, scenarios: int = 10_000) -> AtZero:
    """The chances of a plan at zero, the same for the same plan and prior.

    All plans are played with the same random numbers: a comment more moves nothing, and two plans differ
    by what is in them alone.
    """
    from tracker.journal.fold import Fold

    progress = Fold.start(plan, uuid=SEED).progress()
    world = build_world(progress, now=0.0, scenarios=scenarios, prior=prior)
    sets, wanted = TaskSets(world), ChanceConstraint.of(world)

    def chance(kept: Collection[int]) -> Chance:
        outcome = sets.outcome(kept)
        p50, p90 = (finite(one(outcome.inside, share)) for share in (0.5, 0.9))
        return Chance(outcome.share_safe, p50, p90, wanted.met(outcome.failing))

    figures = f"pace {prior.median:g}, spread {prior.spread:g}"
    if prior.name is None:
        belief = f"the built-in belief about a crew of whom nothing is known ({figures})"
    else:
        belief = f"the pace file {prior.name} ({figures})"
    return AtZero(chance(()), chance(range(len(world.optional))), belief)


def done_by(
    progress: Progress,
    *,
    now: float,
    by: float,
    kept: Collection[str],
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
) -> dict[str, float]:
    """Per task that remains the share of scenarios in which its last step is done by PET `by`.

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
