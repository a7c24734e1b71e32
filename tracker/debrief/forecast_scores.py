"""Was the forecast right? Every debrief scores its own estimates in hindsight.

At instants through the excursion the rest is forecast anew from the events up to there, for the work
that was in fact done, so that a person's choice is no miss of the forecast. Beside it on the same work:
paper (planned time left) and pro rata (planned time left times actual over planned time so far, by
earned schedule). The scores (quantile loss, CRPS, coverage) are means over those instants. All times in
seconds of phase elapsed time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import three
from tracker.forecast.remaining import build_world
from tracker.forecast.world import Row, World, advance, begin, inside
from tracker.journal.progress import Progress, StepState


def pinball(forecast: float, actual: float, level: float) -> float:
    """Return the quantile loss of a forecast quantile at `level` (0 to 1), in the unit of the values.

    Its mean is least for the true quantile. Source: Koenker and Bassett, Econometrica 46 (1978) 33-50.
    """
    miss = actual - forecast
    return level * miss if miss >= 0 else (level - 1) * miss


def mean_pinball(quantiles: Iterable[tuple[float, float]], actual: float) -> float:
    """Return the mean quantile loss over (level, forecast) pairs; NaN without a pair."""
    losses = [pinball(forecast, actual, level) for level, forecast in quantiles]
    return sum(losses) / len(losses) if losses else math.nan


def crps_samples(samples: ArrayLike, actual: float) -> float:
    """Return the continuous ranked probability score of equally likely samples, shape (N,).

    E|X - y| - E|X - X'|/2, computed from the sorted samples in O(N log N). Raises ValueError without a
    sample. Source: Gneiting and Raftery, JASA 102 (2007) 359-378, equation 21.
    """
    values: NDArray[np.float64] = np.sort(np.asarray(samples, dtype=np.float64).ravel())
    n = values.size
    if n == 0:
        raise ValueError("a score needs at least one sample")
    ranks = np.arange(1, n + 1)
    spread = float(np.dot(2 * ranks - n - 1, values)) / (n * n)
    return float(np.abs(values - actual).mean()) - spread


def coverage(ranges: Iterable[tuple[float, float]], actuals: Iterable[float]) -> float:
    """Return the share of actual values inside their (low, high) ranges; NaN without a range."""
    inside = [low <= actual <= high for (low, high), actual in zip(ranges, actuals, strict=True)]
    return sum(inside) / len(inside) if inside else math.nan


def earned_schedule(times: Sequence[float], planned_value: Sequence[float], earned: float) -> float:
    """Return when the value earned so far was planned to be earned, between the times by straight lines.

    `times` and `planned_value` ascend together. Earned value beyond the plan gives the last time, none the
    first. Source: Lipke's definition of earned schedule.
    """
    if earned >= planned_value[-1]:
        return next(t for t, value in zip(times, planned_value, strict=True) if value >= planned_value[-1])
    last = max((i for i, value in enumerate(planned_value) if value <= earned), default=0)
    low, high = planned_value[last], planned_value[last + 1]
    share = max(0.0, earned - low) / (high - low)
    return times[last] + share * (times[last + 1] - times[last])


QUARTERS = (0.10, 0.25, 0.50, 0.75)
"""Shares of the time at which a forecast is judged."""


@dataclass(frozen=True, slots=True)
class Forecasted:
    """The projected end at one instant, by each way to project it, and how far off it was."""

    at: float
    p10: float
    p50: float
    p90: float
    paper: float
    pro_rata: float
    crps: float
    """Of the forecast, seconds; of a point forecast it is its absolute error."""
    crps_paper: float
    crps_pro_rata: float
    covered: bool
    """Whether the end fell between p10 and p90."""
    pit: float
    """Share of the scenarios that end no later than it ended: evenly spread where forecasts are right."""
    chance: float
    """Share of the scenarios that are inside by the elapsed limit in force at the end."""
    in_time: bool
    """Whether everybody was inside by then."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """All instants of one excursion, or of several, together."""

    moments: tuple[Forecasted, ...]
    coverage: float
    """Share of the 80 % ranges that the end fell into."""
    crps: float
    """Mean, seconds; so are the next three."""
    crps_paper: float
    crps_pro_rata: float
    pinball: float
    """Quantile loss at 10, 50 and 90 %."""
    scenarios: int
    """Of each forecast; where they differ, of the roughest."""


def judge(
    progress: Progress,
    end: float,
    instants: Sequence[float],
    *,
    scenarios: int,
    prior: PacePrior | None = None,
) -> Judgement | None:
    """Return how the forecasts at these instants compare with the end; None without an instant.

    `prior` None is the journal's own pace file. Instants at which one of the ways to project it has no
    end are left out, so that all are held against the same cases.
    """
    kept = frozenset(name for name, task in progress.tasks.items() if task.status not in ("dropped", "left"))
    since, ends = _comparable_since(progress), _Ends(end, progress.limits["elapsed"])
    found = (
        _forecast(then, at, ends, kept, scenarios, prior)
        for at, then in stages(progress, instants)
        if since <= at < end
    )
    moments = [moment for moment in found if moment is not None]
    return judgement(moments, [end] * len(moments), scenarios)


_NEGLIGIBLE = 0.05
"""Work given up that takes less of the planned time than this spoils no comparison: a forgotten tick."""


def _comparable_since(progress: Progress) -> float:
    """Return from when on the forecasts had no must work that was given up in the end; infinite: never.

    A forecast always has all must work, so that one before a recall speaks of another excursion.
    """
    given_up = [state for state in progress.steps.values() if _given_up(progress, state)]
    planned = max((finish for _, finish in progress.planned.values() if finish < math.inf), default=0.0)
    busy = [
        sum(state.step.time.likely for state in given_up if crew in state.crew)
        for crew in progress.plan.outside
    ]
    if max(busy, default=0) <= _NEGLIGIBLE * planned:
        return 0.0
    calls = [event.at for event in progress.events if event.kind == "called"]
    left = [progress.tasks[state.step.task].task for state in given_up if state.ended == "left"]
    if left and (not calls or any(task.closeout for task in left)):
        return math.inf
    steps, tasks = {state.step.id for state in given_up}, {state.step.task for state in given_up}
    own = (
        event.at
        for event in progress.events
        if (event.kind == "skipped" and event.body["step"] in steps)
        or (event.kind == "dropped" and event.body["task"] in tasks)
    )
    return max([*calls, *own], default=0.0)


def _given_up(progress: Progress, state: StepState) -> bool:
    must = not progress.tasks[state.step.task].task.optional
    outside = not set(progress.plan.outside).isdisjoint(state.crew)
    return must and outside and state.ended in ("skipped", "dropped", "left")


def judgement(moments: Sequence[Forecasted], ends: Sequence[float], scenarios: int) -> Judgement | None:
    """Return the scores of forecasts with the end that each of them was of; None without one."""
    if not moments:
        return None
    levels = [((0.1, m.p10), (0.5, m.p50), (0.9, m.p90)) for m in moments]
    losses = [mean_pinball(quantiles, end) for quantiles, end in zip(levels, ends, strict=True)]
    many = len(moments)
    return Judgement(
        moments=tuple(moments),
        coverage=coverage([(m.p10, m.p90) for m in moments], ends),
        crps=sum(m.crps for m in moments) / many,
        crps_paper=sum(m.crps_paper for m in moments) / many,
        crps_pro_rata=sum(m.crps_pro_rata for m in moments) / many,
        pinball=sum(losses) / many,
        scenarios=scenarios,
    )


def stages(progress: Progress, instants: Sequence[float]) -> Iterator[tuple[float, Progress]]:
    """Yield the progress as it stood at each instant, ascending, from the events in force at the end.

    What was withdrawn or amended later is taken as it was set right.
    """
    ascending = sorted(instants)
    for at, fold in zip(ascending, progress.fold.through(ascending), strict=True):
        yield at, fold.progress()


class _Ends(NamedTuple):
    """When everybody was inside, and by when they were to be."""

    inside: float
    limit: float


def _forecast(
    then: Progress, at: float, ends: _Ends, kept: frozenset[str], scenarios: int, prior: PacePrior | None
) -> Forecasted | None:
    """Return the forecast at one instant; None where work that was done would have been shut out for ever.

    Scenarios in which it would have been are left out: they are courses that did not come.
    """
    world = build_world(then, now=at, scenarios=scenarios, prior=prior)
    samples = _ends(world, kept)
    samples = samples[np.isfinite(samples)]
    paper = float(_ends(_on_paper(world, then), kept)[0])
    if not samples.size or not math.isfinite(paper):
        return None
    earned = _earned_schedule(then, at)
    # Before anything is earned the rest takes what it takes on paper.
    pro_rata = at + (paper - at) * (at / earned if earned > 0 else 1.0)
    p10, p50, p90 = three(samples)
    end, limit = ends
    return Forecasted(
        at=at,
        p10=p10,
        p50=p50,
        p90=p90,
        paper=paper,
        pro_rata=pro_rata,
        crps=crps_samples(samples, end),
        crps_paper=abs(paper - end),
        crps_pro_rata=abs(pro_rata - end),
        covered=p10 <= end <= p90,
        pit=float((samples <= end).mean()),
        chance=float((samples <= limit).mean()),
        in_time=end <= limit,
    )


def _ends(world: World, kept: frozenset[str]) -> Row:
    """Return the PET of the end in every scenario, with the work that was in fact done."""
    present = world.present(i for i, task in enumerate(world.optional) if task.task in kept)
    return inside(world, advance(world, begin(world), present)) + np.float32(world.now)


def _on_paper(world: World, then: Progress) -> World:
    """Return the world in its one scenario of planned times, what has been worked taken off."""
    rows = [
        [_left_on_paper(then.steps[node.step], world.now, way_home=node.home is not None)]
        for node in world.nodes
    ]
    return replace(world, durations=np.array(rows, dtype=np.float32).reshape(len(rows), 1))


def _left_on_paper(state: StepState, now: float, *, way_home: bool) -> float:
    """Return planned seconds left of a step; of a way home the share of its planned time that is left."""
    worked = state.elapsed_s(now)
    if state.left_s is not None:
        planned, worked = state.left_s, worked - state.left_worked_s
    elif state.counted:
        planned = state.step.time.likely * (1 - state.counted / state.step.count)
        worked -= state.counted_worked_s
    else:
        planned = float(state.step.time.likely)
    left = max(0.0, planned - worked)
    return left / max(state.step.time.likely, 1) if way_home else left


def _earned_schedule(then: Progress, at: float) -> float:
    """Return the PET at which what is done by `at` was planned to be done, crew time as value."""
    steps = [
        (s, times)
        for s, times in ((s, then.planned[s]) for s in then.steps if s in then.planned)
        if then.steps[s].ended != "dropped" and times[0] < times[1] < math.inf
    ]
    if not steps:
        return 0.0
    start = np.array([times[0] for _, times in steps])
    finish = np.array([times[1] for _, times in steps])
    people = np.array([max(1, len(then.steps[s].crew)) for s, _ in steps])
    grid = np.unique(np.concatenate([[0.0], start, finish]))
    share = np.clip((grid[:, None] - start) / (finish - start), 0.0, 1.0)
    value = (share * (finish - start) * people).sum(axis=1)
    done = np.array([_share_done(then, s, times, at) for s, times in steps])
    return earned_schedule(grid.tolist(), value.tolist(), float((done * (finish - start) * people).sum()))


def _share_done(then: Progress, step: str, planned: tuple[float, float], at: float) -> float:
    state = then.steps[step]
    if state.ended is not None:
        return 1.0
    return 0.0 if state.began is None else min(0.99, state.elapsed_s(at) / (planned[1] - planned[0]))
