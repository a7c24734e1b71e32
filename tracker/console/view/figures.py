"""The figures of an estimate as they are shown: each rounded once, and against us.

Ingress is rounded up to the minute; limits, last calls, turn-back and chances are rounded down. What is to
spare is the difference of what is shown, and not rounded again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from tracker.forecast.values import Estimate, LimitFigure, Range
from tracker.foundation.text import percent

_ROUNDING_S = 0.01
"""What rounding in single precision may take from an instant of ten hours or so."""


def up(seconds: float | None) -> float | None:
    """The next whole minute, None where there is no instant."""
    return None if seconds is None else math.ceil((seconds - _ROUNDING_S) / 60) * 60.0


def down(seconds: float | None) -> float | None:
    """The whole minute before, None where there is no instant."""
    return None if seconds is None else math.floor((seconds + _ROUNDING_S) / 60) * 60.0


def inside_of(estimate: Estimate) -> Range:
    """When everyone is inside."""
    return Range(*(up(part) for part in (estimate.inside.p10, estimate.inside.p50, estimate.inside.p90)))


def reached_at(estimate: Estimate, limit: LimitFigure) -> float | None:
    """When a limit is reached; None where that differs by course and no median exists."""
    if limit.at is not None:
        return down(limit.at)
    if limit.margin.p50 is None or estimate.inside.p50 is None:
        return None
    return down(estimate.inside.p50 + limit.margin.p50)


def to_spare(estimate: Estimate, limit: LimitFigure) -> float | None:
    """Seconds from the shown ingress to the shown instant of a limit, below zero where it is short."""
    reached, inside = reached_at(estimate, limit), inside_of(estimate).p50
    return None if reached is None or inside is None else reached - inside


def by_spare(estimate: Estimate) -> list[LimitFigure]:
    """The limits that have an instant, the one with the least to spare first."""
    known = [(left, limit) for limit in estimate.limits if (left := to_spare(estimate, limit)) is not None]
    return [limit for _, limit in sorted(known, key=lambda one: (one[0], one[1].id))]


def needed(estimate: Estimate) -> float:
    """The chance that the plan demands: of two the lower one, as the joint chance can be no more."""
    confidence = estimate.confidence
    return min(confidence.values()) if isinstance(confidence, Mapping) else confidence


def chance(share: float) -> str:
    """A chance in whole per cent, rounded down: `97 %`, `>99 %`, `<1 %`."""
    if 0 < share < 0.01:
        return "<1 %"
    return ">99 %" if share >= 0.995 else percent(share, floor=True)


def need(estimate: Estimate) -> str:
    """What is demanded, as it was given: `90 %`."""
    return percent(needed(estimate), None)


def later(real: float | None, planned: float | None) -> float | None:
    """Seconds from the planned instant to the real one, as both are shown."""
    one, other = down(real), down(planned)
    return None if one is None or other is None else one - other
