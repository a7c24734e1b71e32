"""The re-estimate as values, and as the JSON of the contract.

The estimate as the contract's JSON object: plain numbers, null for what does not exist.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tracker.foundation.text import ADVISORY

StepStatus = Literal["open", "waiting", "current", "held", "done", "skipped", "dropped", "left"]
TaskStatus = Literal["open", "begun", "done", "dropped", "left"]
Verdict = Literal["keep", "decide", "drop"]


@dataclass(frozen=True, slots=True)
class Range:
    """Quantiles of a projected instant or figure over the scenarios; None where it does not exist."""

    p10: float | None
    p50: float | None
    p90: float | None
    mean: float | None = None


@dataclass(frozen=True, slots=True)
class LimitFigure:
    """One limit as an instant: `elapsed`, another elapsed limit, `CREW.consumable`, `window.NAME`."""

    id: str
    at: float | None
    """PET seconds; None where it differs by scenario."""
    chance: float
    """Share of scenarios that break it."""
    margin: Range
    """Instant less ingress, seconds: p50, and p90 as the margin that nine scenarios of ten keep."""


@dataclass(frozen=True, slots=True)
class ConsumableFigure:
    """One account: what is left now, at ingress, and when the reserve is reached."""

    crew: str
    consumable: str
    unit: str
    now: float
    at_inside: Range
    reserve: float
    reserve_reached: Range
    short: float
    flagged: str | None = None
    """What a reading that contradicts the model says, in plain words."""
    read_at: float | None = None
    """PET of the last reading; None without one."""


@dataclass(frozen=True, slots=True)
class TaskFigure:
    """Projected course of one task."""

    task: str
    priority: str
    status: TaskStatus
    start: Range
    finish: Range


@dataclass(frozen=True, slots=True)
class StepFigure:
    """Projected (or actual) course of one step."""

    step: str
    status: StepStatus
    crew: tuple[str, ...]
    start: Range
    finish: Range
    waits_for: str | None = None


@dataclass(frozen=True, slots=True)
class OptionalFigure:
    """Advice about one optional task."""

    task: str
    advice: Verdict
    last_call: float | None
    in_time: float
    cost: float
    begun: bool
    reason: str


@dataclass(frozen=True, slots=True)
class ClockFigure:
    """A hardware clock that runs, or will run."""

    step: str
    of: str
    due: float | None
    """PET; None while `of` is not done."""
    late: float


@dataclass(frozen=True, slots=True)
class TurnBack:
    """The latest PET at which the crew must start for home."""

    latest: float | None
    inside_if_now: Range
    mover: str | None = None
    """The next step that opens something and moves turn-back."""
    moved_from: float | None = None
    """Turn-back if that step were to open nothing."""
    moved_to: float | None = None
    """Turn-back once that step has begun."""
    homebound: bool = False
    """Closeout has begun, or everybody is called home: there is nothing left to turn back from."""


@dataclass(frozen=True, slots=True)
class Alert:
    """Something that wants a person, until acknowledged."""

    id: str
    text: str
    acknowledged: bool


@dataclass(frozen=True, slots=True)
class Raised:
    """An alert that was raised at an earlier instant, and stays until it is acknowledged or settled."""

    id: str
    text: str
    at: float
    """PET of the instant at which it was first seen to be raised."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to keep, decide and drop, by when, and when to turn back."""

    at: float
    """The instant for which it was computed."""
    kept: frozenset[str]
    """Optional tasks that are advised to be kept."""
    optional: tuple[OptionalFigure, ...]
    turn_back: TurnBack
    when_short: tuple[str, ...] = ()
    """Plain words when dropping is not enough."""
    proven: bool = True
    raised: tuple[Raised, ...] = ()
    """Alerts that were raised at earlier instants, worked out again from the journal."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """The running re-estimate at one instant; every field as in the contract's JSON."""

    excursion: str
    at: float
    scenarios: int
    confidence: float | Mapping[str, float]
    pace_file: str | None
    inside: Range
    limit: float
    margin: Range
    safe: float
    without_optional_inside: Range
    without_optional_safe: float
    limits: tuple[LimitFigure, ...]
    binding: LimitFigure | None
    turn_back: TurnBack
    pace: Mapping[str, float]
    consumables: tuple[ConsumableFigure, ...]
    tasks: tuple[TaskFigure, ...]
    steps: tuple[StepFigure, ...]
    optional: tuple[OptionalFigure, ...]
    clocks: tuple[ClockFigure, ...]
    open_items: tuple[Mapping[str, str], ...]
    called: str | None
    alerts: tuple[Alert, ...]
    advice: Advice
    ingress: Mapping[str, Range]
    """Per crew member outside: when they are inside."""
    moved: tuple[tuple[str, float], ...] | None = None
    when_short: tuple[str, ...] = ()
    advisory: str = ADVISORY

    def as_json(self) -> dict[str, Any]:
        """Return the estimate as the contract's JSON object: plain numbers, null for what is not."""
        return as_json(self)


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
