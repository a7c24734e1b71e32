"""The re-estimate as values, and as the JSON of the contract."""

from __future__ import annotations

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
        from tracker.forecast.as_json import as_json

        return as_json(self)
