"""What the journal has seen of durations, turned into observations of pace."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from tracker.forecast.ask import Ask
from tracker.forecast.pace import Evidence, Layout
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.shapes import own_shape, part_shape
from tracker.journal.progress import Observation, Progress, StepState

CLOCK_ERROR_S = 45.0
"""Standard deviation of a tick's lateness."""
LEAST_ACTUAL_S = 15.0
"""Nothing is believed to have taken less: ticks are not that exact."""


def offset(prior: PacePrior, crew: Sequence[str], work: Sequence[tuple[str, float]]) -> float:
    """Return the log pace that the prior's medians alone expect of this crew at this work."""
    out = math.log(prior.median)
    for c in crew:
        out += math.log(prior.crew[c][0]) / len(crew) if c in prior.crew else 0.0
    for kind, share in work:
        out += share * math.log(prior.work[kind][0]) if kind in prior.work else 0.0
    return out


def of_observation(
    seen: Observation, steps: Mapping[str, StepState], prior: PacePrior, layout: Layout
) -> Evidence | None:
    """Return one observation as evidence; None when nothing in it can show pace."""
    median, squares, fixed_s = [], 0.0, 0.0
    kinds: list[str] = []
    for step, kind, planned in zip(seen.steps, seen.work, seen.planned_s, strict=True):
        state = steps.get(step)
        if state is not None and state.step.fixed:
            fixed_s += planned
            continue
        own, noise = planned, 1.0
        if state is not None and state.step.time.low is not None and state.step.time.likely > 0:
            time = state.step.time
            own, noise = own_shape(time.likely, time.low, time.high, prior.sigma)
            own *= planned / time.likely
        median.append(own)
        kinds.append(kind)
        squares += noise * own * own
    total = sum(median)
    if total <= 0:
        return None
    work = tuple((kind, own / total) for kind, own in zip(kinds, median, strict=True))
    items, of = seen.weight_count
    shift, noise = part_shape(items, of, prior.sigma, squares / total**2)
    shift -= math.log(items / of) if items < of else 0.0
    actual = max(seen.actual_s - fixed_s, LEAST_ACTUAL_S)
    value = math.log(actual / total) - offset(prior, seen.crew, work) - shift
    hours = min(seen.clock_s, seen.at) / 3600.0
    return Evidence(
        layout.row(seen.crew, work, seen.clock_s / 3600.0 - layout.middle_h),
        value,
        noise,
        (CLOCK_ERROR_S / total) ** 2,
        hours,
    )


def of_progress(progress: Progress, prior: PacePrior, layout: Layout) -> list[Evidence]:
    """Return the evidence of everything finished, in the order of the planned clock.

    Work done earlier than planned stands where it was done, so that it does not age the rest.
    """
    return in_order(of_observation(seen, progress.steps, prior, layout) for seen in progress.observations)


def in_order(found: Iterable[Evidence | None]) -> list[Evidence]:
    """Return evidence in the order of the planned clock; of the same place, in the order given."""
    return sorted((seen for seen in found if seen is not None), key=lambda seen: seen.hours)


def of_counted(ask: Ask, prior: PacePrior, layout: Layout, hours: float) -> Evidence | None:
    """Return what the items counted so far of a step still open say."""
    if not 0 < ask.counted <= ask.count or ask.counted_worked_s <= 0:
        return None
    median, noise = own_shape(ask.likely, ask.low, ask.high, prior.sigma)
    shift, noise = part_shape(ask.counted, ask.count, prior.sigma, noise)
    work = ((ask.work, 1.0),)
    actual = max(ask.counted_worked_s, LEAST_ACTUAL_S)
    value = math.log(actual / median) - offset(prior, ask.crew, work) - shift
    clock = (CLOCK_ERROR_S * ask.count / (median * ask.counted)) ** 2
    row = layout.row(ask.crew, work, ask.clock_s / 3600.0 - layout.middle_h)
    return Evidence(row, value, noise, clock, hours)
