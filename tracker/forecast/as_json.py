"""The estimate as the contract's JSON object: plain numbers, null for what does not exist."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from tracker.forecast.values import (
    Advice,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
    StepFigure,
    TaskFigure,
    TurnBack,
)

FORMAT = 1
"""Version of the JSON's shape."""
SECOND_DIGITS = 3
"""Decimals of times: below that float32 has nothing to say."""
AMOUNT_DIGITS = 6
"""Significant digits of amounts."""


def seconds(value: float | None) -> float | None:
    """Return a time to the millisecond, None where there is none."""
    return None if value is None or not math.isfinite(value) else round(value, SECOND_DIGITS) + 0.0


def instant(value: float | None) -> float | None:
    """Return an instant that the plan, an event or the caller gave: a whole number where it is whole."""
    rounded = seconds(value)
    return int(rounded) if rounded is not None and rounded.is_integer() else rounded


def amount(value: float | None) -> float | None:
    """Return an amount to six significant digits, None where there is none."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{AMOUNT_DIGITS}g}") + 0.0


def share(value: float) -> float | None:
    """Return a share of scenarios to six decimals."""
    return round(value, 6) if math.isfinite(value) else None


def as_json(estimate: Estimate) -> dict[str, Any]:
    """Return the estimate as plain dictionaries, lists, numbers, texts and None."""
    out: dict[str, Any] = {
        "format": FORMAT,
        "excursion": estimate.excursion,
        "at": instant(estimate.at),
        "scenarios": estimate.scenarios,
        "confidence": _confidence(estimate.confidence),
        "pace_file": estimate.pace_file,
        "inside": _times(estimate.inside, "mean", "p10", "p50", "p90"),
        "limit": instant(estimate.limit),
        "margin": _times(estimate.margin, "p50", "p90"),
        "safe": share(estimate.safe),
        "without_optional": {
            "inside": _times(estimate.without_optional_inside, "p50", "p90"),
            "safe": share(estimate.without_optional_safe),
        },
        "limits": [_limit(limit) for limit in estimate.limits],
        "binding": _binding(estimate.binding),
        "turn_back": _turn_back(estimate.turn_back),
        "pace": {name: amount(value) for name, value in estimate.pace.items()},
        "consumables": [_consumable(figure) for figure in estimate.consumables],
        "tasks": [_task(figure) for figure in estimate.tasks],
        "steps": [_step(figure) for figure in estimate.steps],
        "optional": [_optional(figure) for figure in estimate.optional],
        "clocks": [
            {"step": c.step, "of": c.of, "due": instant(c.due), "late": share(c.late)}
            for c in estimate.clocks
        ],
        "open_items": [dict(item) for item in estimate.open_items],
        "called": estimate.called,
        "alerts": [{"id": a.id, "text": a.text, "acknowledged": a.acknowledged} for a in estimate.alerts],
        "ingress": {c: _times(r, "p10", "p50", "p90") for c, r in estimate.ingress.items()},
        "advice": _advice(estimate.advice),
        "advisory": estimate.advisory,
    }
    if estimate.moved is not None:
        out["moved"] = [{"cause": cause, "seconds": seconds(value)} for cause, value in estimate.moved]
    return out


def _confidence(value: float | Mapping[str, float]) -> float | dict[str, float]:
    return dict(value) if isinstance(value, Mapping) else value


def _times(figure: Range, *names: str) -> dict[str, float | None]:
    return {name: seconds(getattr(figure, name)) for name in names}


def _limit(figure: LimitFigure) -> dict[str, Any]:
    margin = _times(figure.margin, "p50", "p90")
    return {"id": figure.id, "at": instant(figure.at), "chance": share(figure.chance), "margin": margin}


def _binding(figure: LimitFigure | None) -> dict[str, Any] | None:
    return None if figure is None else {"limit": figure.id, "chance": share(figure.chance)}


def _turn_back(figure: TurnBack) -> dict[str, Any]:
    return {
        "latest": seconds(figure.latest),
        "inside_if_now": _times(figure.inside_if_now, "p50", "p90"),
        "mover": figure.mover,
        "moved_from": seconds(figure.moved_from),
        "moved_to": seconds(figure.moved_to),
        "homebound": figure.homebound,
    }


def _consumable(figure: ConsumableFigure) -> dict[str, Any]:
    left = figure.at_inside
    return {
        "crew": figure.crew,
        "consumable": figure.consumable,
        "unit": figure.unit,
        "now": amount(figure.now),
        "at_inside": {"p10": amount(left.p10), "p50": amount(left.p50), "p90": amount(left.p90)},
        "reserve": amount(figure.reserve),
        "reserve_reached": _times(figure.reserve_reached, "p10", "p50", "p90"),
        "short": share(figure.short),
        "flagged": figure.flagged,
        "read_at": instant(figure.read_at),
    }


def _task(figure: TaskFigure) -> dict[str, Any]:
    return {
        "task": figure.task,
        "priority": figure.priority,
        "status": figure.status,
        "start": _times(figure.start, "p50"),
        "finish": _times(figure.finish, "p10", "p50", "p90"),
    }


def _step(figure: StepFigure) -> dict[str, Any]:
    return {
        "step": figure.step,
        "status": figure.status,
        "crew": list(figure.crew),
        "start": _times(figure.start, "p50"),
        "finish": _times(figure.finish, "p10", "p50", "p90"),
        "waits_for": figure.waits_for,
    }


def _optional(figure: OptionalFigure) -> dict[str, Any]:
    return {
        "task": figure.task,
        "advice": figure.advice,
        "last_call": seconds(figure.last_call),
        "in_time": share(figure.in_time),
        "cost": seconds(figure.cost),
        "begun": figure.begun,
        "reason": figure.reason,
    }


def _advice(advice: Advice) -> dict[str, Any]:
    """Return what no other key says of the advice."""
    return {
        "kept": sorted(advice.kept),
        "at": instant(advice.at),
        "proven": advice.proven,
        "when_short": list(advice.when_short),
    }
