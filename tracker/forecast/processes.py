"""What is believed of how pace changes and how ticks come late, as figures of the estimate."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tracker.forecast.durations import Drawn
from tracker.forecast.pace_grid import HABITS
from tracker.forecast.quantiles import ranged
from tracker.forecast.consumption import Mask
from tracker.forecast.values import ProcessFigure
from tracker.forecast.world import Row
from tracker.journal.progress import Progress

FAMILIES: Mapping[str, tuple[str, ...]] = {
    "steady": ("level", "walk"),
    "wanders": ("wander", "roam"),
    "tires": ("tires", "tires2"),
    "warms": ("warms",),
    "streaks": ("streaks", "long"),
}
"""The processes by what they look like from outside."""
LEAST_SHARE = 0.05
"""Of fewer scenarios nothing is said but how few they are."""


def process_figures(drawn: Drawn, inside: Row, broken: Mask, *, now: float) -> tuple[ProcessFigure, ...]:
    """What every family comes to; `inside` is relative to now, `broken` where some limit is not kept."""
    processes = drawn.belief.grid.processes
    within = drawn.component // (drawn.belief.grid.size // len(processes))
    out = []
    for family, names in FAMILIES.items():
        mask = np.isin(within, [i for i, process in enumerate(processes) if process.id in names])
        mine = int(np.count_nonzero(mask))
        share = mine / len(mask)
        if share < LEAST_SHARE:
            out.append(ProcessFigure(family, share, None, None))
            continue
        kept = 1.0 - int(np.count_nonzero(broken & mask)) / mine
        out.append(ProcessFigure(family, share, ranged(inside[mask], base=now), kept))
    return tuple(out)


def habit_of(drawn: Drawn) -> Mapping[str, float] | None:
    """The probability of each habit of ticking; None where ticks are taken to be exact."""
    belief = drawn.belief
    if not belief.grid.habits:
        return None
    found = dict(zip((h.id for h in belief.grid.habits), belief.by_habit().tolist(), strict=True))
    return {h.id: found.get(h.id, 0.0) for h in HABITS}


def lateness_of(progress: Progress, drawn: Drawn) -> Mapping[str, float | None]:
    """Per crew member how late their last tick is expected to have come, seconds; None without one."""
    belief, ticked = drawn.belief, {c for seen in progress.observations for c in seen.crew}
    late = belief.shares() @ belief.mean
    return {
        c: max(float(late[belief.layout.late(c)]), 0.0) if c in ticked else None for c in belief.layout.crew
    }
