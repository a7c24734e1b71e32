"""How long every remaining step takes, in every scenario.

A duration depends on its step and the scenario alone: not on when the step starts, nor on which other
steps remain. What may be dropped or kept is judged on that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast import evidence
from tracker.forecast.ask import Ask
from tracker.forecast.learned import learned
from tracker.forecast.memory import take
from tracker.forecast.pace import Belief, Layout, observe, outlast
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_shown import shown_pace
from tracker.forecast.painter import Painter
from tracker.forecast.state import draw_state
from tracker.journal.progress import Progress

GRACE_S = 120.0
"""So much longer than it shows may a step run before that is evidence: ticks come late."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Durations of the remaining steps, and the pace behind them."""

    rows: NDArray[np.float32]
    """(steps, N) remaining seconds, in the order of the asks. Columns are not shuffled: the drift
    grows from left to right, so a part of the columns is no fair sample."""
    pace: Mapping[str, float]
    """Median pace over the remaining work: `all`, and per crew member with their own effect."""


def draw_durations(
    progress: Progress,
    asks: Sequence[Ask],
    *,
    prior: PacePrior,
    scenarios: int,
    wanted: Sequence[int] | None = None,
) -> Drawn:
    """Return the remaining duration of each asked step in every scenario.

    `wanted` are the places of those that are drawn (default: all); the rows of the others are 0.
    Deterministic in the journal's UUID, the steps so far and the asks. Steps in progress are drawn
    beyond the time they have taken already and weigh on the pace of all others.
    """
    layout = _layout(progress, asks)
    belief = _believe(progress, asks, prior, layout)
    drawn = draw_state(progress.uuid, belief, prior, layout, scenarios)
    rows = take((len(asks), scenarios))
    wanted = range(len(asks)) if wanted is None else wanted
    rows[sorted(set(range(len(asks))) - set(wanted))] = 0.0
    Painter(progress.uuid, prior, layout, belief, drawn).fill(asks, wanted, rows)
    return Drawn(rows, shown_pace(progress, asks, prior, layout, belief))


def _layout(progress: Progress, asks: Sequence[Ask]) -> Layout:
    """Return the components of the state: the plan's crew and kinds of work first, then what came later."""
    plan = progress.plan
    work = dict.fromkeys(step.work for step in plan.step.values())
    work.update(dict.fromkeys(sorted({kind for seen in progress.observations for kind in seen.work})))
    work.update(dict.fromkeys(sorted({ask.work for ask in asks})))
    middle_h = max((end for _, end in progress.planned.values()), default=0.0) / 7200.0
    return Layout(tuple(member.id for member in plan.crew), tuple(work), middle_h)


def _believe(progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after all that is finished, counted, or in progress."""
    belief = learned(progress, prior, layout)
    spoken = {step for seen in progress.observations for step in seen.steps}
    under_way = (ask for ask in asks if ask.running or ask.counted)
    telling = sorted((a for a in under_way if a.evidence and not a.fixed), key=lambda a: (a.clock_s, a.step))
    for ask in telling:
        seen = evidence.of_counted(ask, prior, layout, belief.hours) if ask.step not in spoken else None
        belief = observe(belief, seen) if seen is not None else belief
    for ask in telling:
        if ask.running and not ask.silent and not ask.all_counted:
            belief = _overrun(belief, ask, prior, layout)
    return belief


def _overrun(belief: Belief, ask: Ask, prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after a step in progress was seen not to be done yet.

    The processes keep their probabilities until it is done, so that no scenario changes its process
    while nothing happens.
    """
    median, noise, elapsed = ask.shape(prior.sigma)
    if elapsed <= GRACE_S or median <= 0:
        return belief
    work = ((ask.work, 1.0),)
    bound = math.log((elapsed - GRACE_S) / median) - evidence.offset(prior, ask.crew, work)
    row = layout.row(ask.crew, work, ask.clock_s / 3600.0 - layout.middle_h)
    return replace(outlast(belief, row, bound, noise), log_weight=belief.log_weight)
