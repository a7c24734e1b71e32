"""The pace that is published: medians over the remaining work."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.forecast import evidence
from tracker.forecast.ask import Ask
from tracker.forecast.pace import Array, Belief, Layout
from tracker.forecast.pace_file import PacePrior
from tracker.journal.progress import Progress


@dataclass(frozen=True, slots=True)
class _Part:
    """Remaining steps of one crew and one kind of work together."""

    crew: tuple[str, ...]
    work: str
    planned_s: float
    hours: float
    """Where they lie on the planned clock, in the mean by planned time."""


def shown_pace(
    progress: Progress, asks: Sequence[Ask], prior: PacePrior, layout: Layout, belief: Belief
) -> dict[str, float]:
    """Return the median pace over the remaining work: `all`, and each crew member with their own effect.

    Effects of crew and work are only told apart by their priors, so only sums are published. Without
    remaining work it is the pace at present.
    """
    mean = belief.shares() @ belief.mean
    every = _parts(asks, belief.hours)
    out = {"all": _mean_pace(every or [_Part((), "", 1.0, belief.hours)], prior, layout, mean)}
    for member in progress.plan.crew:
        own = [part for part in every if member.id in part.crew] or every
        own = own or [_Part((), "", 1.0, belief.hours)]
        alone = [_Part((member.id,), part.work, part.planned_s, part.hours) for part in own]
        out[member.id] = _mean_pace(alone, prior, layout, mean)
    return out


def _parts(asks: Sequence[Ask], now_h: float) -> list[_Part]:
    sums: dict[tuple[tuple[str, ...], str], tuple[float, float]] = {}
    for ask in asks:
        if not ask.fixed and ask.likely > 0:
            planned, weighed = sums.get((ask.crew, ask.work), (0.0, 0.0))
            hours = max(ask.clock_s / 3600.0, now_h)
            sums[ask.crew, ask.work] = planned + ask.likely, weighed + ask.likely * hours
    return [
        _Part(crew, work, planned, weighed / planned) for (crew, work), (planned, weighed) in sums.items()
    ]


def _mean_pace(parts: Sequence[_Part], prior: PacePrior, layout: Layout, mean: Array) -> float:
    """Return the pace of these parts in the mean of logarithms by planned time."""
    total = sum(part.planned_s for part in parts)
    log_pace = 0.0
    for part in parts:
        work = ((part.work, 1.0),) if part.work else ()
        row = layout.row(part.crew, work, part.hours - layout.middle_h)
        log_pace += part.planned_s / total * (evidence.offset(prior, part.crew, work) + float(row @ mean))
    return math.exp(log_pace)
