"""The pace model by itself on the bench's cases, without plan, journal and estimate between them."""

from __future__ import annotations

import numpy as np

from tests.bench.candidate.blocks import Tick
from tests.bench.candidate.filter import Belief, Layout, Spreads, posterior
from tests.bench.candidate.grid import MIXTURES, Grid, mixture, scatter
from tests.bench.candidate.sampling import Query, Sampler, overrun
from tests.bench.excursions import CREW, Array
from tests.bench.truths import WORK, Case


def ticks_of(case: Case, t: float) -> list[Tick]:
    """Return the ticks up to t."""
    return [
        Tick(
            step=f"t.{i + 1}",
            place=i,
            crew=case.crew[i],
            work=case.work[i],
            planned_s=float(case.likely[i]),
            at=case.at(i),
            clock_h=case.middle_h[i],
            scatter=scatter(case.likely[i]),
            stated=case.typed,
        )
        for i in case.done(t)
    ]


def grid_of(name: str) -> Grid:
    return Grid(mixture(MIXTURES[name]))


def belief_of(case: Case, t: float, grid: Grid) -> Belief:
    layout = Layout(CREW, WORK, case.planned_h / 2.0)
    return posterior(grid, layout, Spreads(), ticks_of(case, t))


def ends_alone(case: Case, t: float, grid: Grid, n: int = 1000, belief: Belief | None = None) -> Array:
    """Return the end in every scenario, PET seconds."""
    belief = belief or belief_of(case, t, grid)
    free, running = case.free(t), case.running(t)
    left = case.left(t)
    queries = {}
    for i in left:
        gaps = {}
        if i in running:
            gaps = {c: running[i] - free[c] for c in case.crew[i] if free[c] > 0}
        queries[i] = Query(
            step=f"t.{i + 1}",
            crew=case.crew[i],
            work=case.work[i],
            median_s=float(case.likely[i]),
            scatter=scatter(case.likely[i]),
            clock_h=case.middle_h[i],
            running=i in running,
            worked_s=t - running[i] if i in running else 0.0,
            gaps_s=gaps,
        )
    for i in running:
        belief = overrun(belief, queries[i])
    sampler = Sampler(belief, case.uuid, n)
    rows = {i: sampler.row(queries[i]) for i in left}
    ready: dict[str, Array] = {}
    for c in CREW:
        late = sampler.late(c) if free[c] > 0 else np.zeros(n)
        ready[c] = np.minimum(0.0, free[c] - t - late)
    for i in left:
        start = np.maximum.reduce([ready[c] for c in case.crew[i]])
        finish = rows[i] if i in running else start + rows[i]
        ready.update(dict.fromkeys(case.crew[i], finish))
    return np.asarray(t + np.maximum(np.maximum.reduce(list(ready.values())), 0.0))
