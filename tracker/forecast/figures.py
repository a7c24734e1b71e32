"""The re-estimate as values, and as the JSON of the contract: plain numbers, null for what does not exist.

Every figure stands once: a field's name is its key, fields come in the order of the keys, and the type
says how a value is written (`tracker.forecast.as_json`). What is `UNSAID` is for the program alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from tracker.forecast.as_json import (
    UNSAID,
    Writer,
    amount,
    as_json,
    by_kind,
    each,
    figure,
    instant,
    quantiles_of,
    seconds,
    share,
)
from tracker.foundation.text import ADVISORY
from tracker.journal.progress import StepStatus, TaskStatus

Verdict = Literal["keep", "decide", "later", "drop"]
Place = Literal["last"]
Ground = Literal["early", "unheard", "figures"]
"""What an advice rests on: less than a tenth of the work is done, a tick is missing, or the figures."""

FORMAT = 1
"""Version of the JSON's shape."""


@dataclass(frozen=True, slots=True)
class Range:
    """Quantiles of a projected instant or figure over the scenarios; None where it does not exist."""

    p10: float | None
    p50: float | None
    p90: float | None
    mean: float | None = None


Seconds = Annotated[float, seconds]
Instant = Annotated[float, instant]
Amount = Annotated[float, amount]
Share = Annotated[float, share]
Median = Annotated[Range, quantiles_of("p50")]
Ends = Annotated[Range, quantiles_of("p50", "p90")]
Spread = Annotated[Range, quantiles_of("p10", "p50", "p90")]


@dataclass(frozen=True, slots=True)
class LimitFigure:
    """One limit as an instant: `elapsed`, another elapsed limit, `CREW.consumable`, `window.NAME`."""

    id: str
    at: Instant | None
    """PET seconds; None where it differs by scenario."""
    chance: Share
    """Share of scenarios that break it."""
    margin: Ends
    """Instant less ingress of those it binds, seconds: p50, and p90 as what nine courses of ten leave."""
    reached: Spread | None = None
    """PET at which it is reached: its own instant, or when a store is at its reserve; None for a window."""
    to_spare: Instant | None = None
    """The shown `reached` less the shown ingress of those it binds, seconds in whole minutes; or None."""

    @staticmethod
    def tightness(figure: LimitFigure) -> tuple[float, float]:
        """A key by which the binding limit comes first: the likeliest to be broken, then the least to spare.

        A window has no margin; among equals that are broken at all it comes first.
        """
        if figure.margin.p50 is not None:
            return -figure.chance, figure.margin.p50
        shuts_out = figure.reached is None and figure.chance > 0
        return -figure.chance, -math.inf if shuts_out else math.inf


@dataclass(frozen=True, slots=True)
class Leak:
    """A store that leaks more likely than not."""

    probability: Share
    factor: Amount
    """How many times as fast as planned it falls, if it does leak."""
    per_hour: Amount
    """How much that is beyond the plan, units an hour."""
    since: Instant
    """PET of the first reading after which it was more likely than not."""


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast a store fell between its last two readings, and how fast it should have by the plan."""

    per_hour: Amount
    planned: Amount


@dataclass(frozen=True, slots=True)
class ConsumableFigure:
    """One account: what is left now, at ingress, and when the reserve is reached."""

    crew: str
    consumable: str
    unit: str
    now: Amount
    at_inside: Annotated[Range, quantiles_of("p10", "p50", "p90", write=amount)]
    reserve: Amount
    reserve_reached: Spread
    short: Share
    flagged: str | None = None
    """What a reading that contradicts the model says, in plain words."""
    read_at: Instant | None = None
    """PET of the last reading; None without one."""
    expected: Annotated[Range | None, quantiles_of("p10", "p50", "p90", write=amount)] = None
    """What a gauge would show now; None where nothing runs down any more."""
    leak: Leak | None = None
    """Where one is more likely than not."""
    rate: Rate | None = None
    """How fast it fell between the last two readings; None without two of one store."""
    read: Amount | None = None
    nothing_by: Instant | None = None
    """What the last reading said, and the PET by which nothing is left as it goes; None without one."""


@dataclass(frozen=True, slots=True)
class ProcessFigure:
    """One way in which pace may change: how many scenarios have it, and what those come to."""

    id: str
    """`steady`, `wanders`, `tires`, `warms` or `streaks`."""
    share: Share
    inside: Ends | None
    """None where too few scenarios have it."""
    safe: Share | None
    """The chance of keeping every limit there; None likewise."""


@dataclass(frozen=True, slots=True)
class TaskFigure:
    """Projected course of one task."""

    task: str
    priority: str
    status: TaskStatus
    start: Median
    finish: Spread


@dataclass(frozen=True, slots=True)
class StepFigure:
    """Projected (or actual) course of one step."""

    step: str
    status: StepStatus
    crew: tuple[str, ...]
    start: Median
    finish: Spread
    waits_for: str | None = None


@dataclass(frozen=True, slots=True)
class OptionalFigure:
    """Advice about one optional task."""

    task: str
    advice: Verdict
    last_call: Seconds | None
    in_time: Share
    cost: Seconds
    begun: bool
    reason: str
    ground: Ground = "figures"
    place: Place | None = None
    """With *later*: where to put it off to; `last_call` and `in_time` are those there."""


@dataclass(frozen=True, slots=True)
class ClockFigure:
    """A hardware clock that runs, or will run."""

    step: str
    of: str
    due: Instant | None
    """PET; None while `of` is not done."""
    late: Share


@dataclass(frozen=True, slots=True)
class TurnBack:
    """The latest PET at which the crew must start for home."""

    latest: Seconds | None
    inside_if_now: Ends
    mover: str | None = None
    """The next step that opens something and moves turn-back."""
    moved_from: Seconds | None = None
    """Turn-back if that step were to open nothing."""
    moved_to: Seconds | None = None
    """Turn-back once that step has begun."""
    homebound: bool = False
    """Nobody outside has other work than closeout, or everybody there is called home."""
    safe_if_now: Share | None = None
    """The chance of keeping every limit if called now; None where nobody is outside."""
    safe_by_if_now: Annotated[Mapping[str, float] | None, by_kind] = None
    was_due: Seconds | None = None
    """The last turn-back that there was, where there is none any more."""
    missed: Seconds | None = None
    """Since when it is missed; None where it is not, or they were called before it."""


@dataclass(frozen=True, slots=True)
class Unheard:
    """A step that goes on much longer than it should: a tick may be missing."""

    step: str
    crew: str
    """One of those at it."""
    since: Seconds
    """PET since when it is at work, or since its last count."""
    expected: Seconds
    """How many seconds that should take, at the pace of its crew."""


@dataclass(frozen=True, slots=True)
class Proposed:
    """That a choice is offered for a chance below the need: since when, instead of which typed lines, why."""

    since: Instant
    instead: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """What one choice comes to, supposed at the PET `at` after `entry`; musts `given_up`, else as counted."""

    id: str
    """Of the deed: `must-only`, `keep:T`, `call-home` and so on."""
    tasks: tuple[str, ...]
    given_up: tuple[str, ...]
    inside: Spread
    safe: Share
    binding: str | None
    reached: Spread | None
    to_spare: Instant | None
    shift: Instant | None
    """By how much the shown median of INSIDE is later than as advised, seconds."""
    value: Amount | None
    """Value of `tasks`, optional ones that will be done, together; None of a recall."""
    meets: bool
    at: Instant
    nine: Annotated[float | None, UNSAID] = None
    """What nine courses of ten leave of the store that binds at ingress."""
    first: Annotated[LimitFigure | None, UNSAID] = None
    """The limit that comes first, to which there is the least to spare; None without one."""
    events: Annotated[tuple[Mapping[str, Any], ...], UNSAID] = ()
    """What a person would have recorded for it."""
    proposed: Proposed | None = None
    entry: Annotated[int | None, UNSAID] = None
    safe_by: Annotated[Mapping[str, float] | None, by_kind] = None


Severity = Literal["act", "look"]
"""Act: a limit will not be kept unless somebody does something. Look: somebody waits, or is to decide."""


@dataclass(frozen=True, slots=True)
class Alert:
    """Something that wants a person, until it is settled or was seen."""

    id: str
    text: str
    """In words, as of the instant of the estimate."""
    acknowledged: bool
    kind: str = ""
    severity: Severity = "look"
    since: Instant | None = None
    """PET at which it was raised; None where nobody can know."""
    subject: str | None = None
    """The id of what it is about."""
    figures: Annotated[Mapping[str, float | None], each(figure)] = field(default_factory=dict)
    do: tuple[str, ...] = ()
    """What can be typed."""
    form: Annotated[str, UNSAID] = ""
    """The text with its figures left open, so that it can be worded at any instant."""
    by: Annotated[float | None, UNSAID] = None
    """PET by which somebody has to have done something; None where there is no such instant."""


DueKind = Literal[
    "step", "go", "joint", "window", "link", "call", "clock", "home", "reading", "round", "hold",
    "question", "reminder", "deviation", "message",
]  # fmt: skip
"""What comes due: the end of a step, a go, the begin of a joint step, an edge of a window or link, a last
call, a hardware clock, turn-back, a reading, a round, the end of a hold, and what is open until settled."""


@dataclass(frozen=True, slots=True)
class Due:
    """Something that comes due."""

    at: Instant
    """PET as it is shown, seconds in whole minutes."""
    kind: DueKind
    subject: str
    """The id of what it is about; `home` of turn-back."""
    text: str
    """In words, without its instant."""
    do: tuple[str, ...] = ()
    """What can be typed."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which a link is shut."""

    link: str
    since: float
    """PET; 0 where it has not been open yet."""
    until: float | None
    """PET; None where it opens no more."""
    inside: tuple[Due, ...]
    """What falls into it as it goes, in its order."""


@dataclass(frozen=True, slots=True)
class Raised:
    """An alert that was raised at an earlier instant, and stays until it was seen or is settled."""

    id: str
    figure: float
    """What it rested on then: a last call (PET), a chance."""
    at: float
    """PET of the instant at which it was first seen to be raised."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to keep, decide and drop, by when, and when to turn back."""

    at: float
    """The instant for which it was computed; `entry` numbers the last entry that it counts."""
    kept: frozenset[str]
    """Optional tasks that are advised to be kept."""
    optional: tuple[OptionalFigure, ...]
    turn_back: TurnBack
    when_short: tuple[str, ...] = ()
    """Plain words when dropping is not enough."""
    proven: bool = True
    raised: tuple[Raised, ...] = ()
    """Alerts that were raised at earlier instants, worked out again from the journal."""
    chances: tuple[tuple[float, float], ...] = ()
    """PET and chance of the instants that were looked at for that, in their order."""
    entry: int | None = None


def _own(advice: Advice) -> dict[str, Any]:
    """The part of the advice that no other key says."""
    return {
        "kept": sorted(advice.kept),
        "at": instant(advice.at),
        "proven": advice.proven,
        "when_short": list(advice.when_short),
    }


def _binding(figure: LimitFigure | None) -> dict[str, Any] | None:
    return None if figure is None else {"limit": figure.id, "chance": share(figure.chance)}


def _moved(parts: tuple[tuple[str, float], ...] | None) -> list[dict[str, Any]] | None:
    return None if parts is None else [{"cause": cause, "seconds": seconds(s)} for cause, s in parts]


def _pair(write: Writer) -> Writer:
    return lambda pair: {"before": write(pair.before), "now": write(pair.now)}


@dataclass(frozen=True, slots=True)
class Before:
    """A figure before a change, and as it then was."""

    before: float | None
    now: float | None


@dataclass(frozen=True, slots=True)
class ChangedLimit:
    """The chance of breaking a limit before a change, and as it then was."""

    id: str
    before: Share
    now: Share


@dataclass(frozen=True, slots=True)
class Changed:
    """The last change that was to be said."""

    since: Instant
    """PET of the look that it is held against."""
    at: Instant
    """PET at which it was to be said; `since` where nothing was."""
    inside: Annotated[Before, _pair(seconds)]
    """Median ingress, PET."""
    safe: Annotated[Before, _pair(share)]
    causes: Annotated[tuple[tuple[str, float], ...], _moved]
    """What moved the median, and by how many seconds; they add up."""
    limits: tuple[ChangedLimit, ...]
    turned: Annotated[tuple[str, ...], UNSAID] = ()
    """Optional tasks: `photos in`, `latch out`."""
    until: Instant | None = None
    """PET until which it was looked."""
    turn_home: Annotated[Before, _pair(seconds)] = Before(None, None)
    """By when to turn for home, PET; None where there was no such instant."""
    news: Annotated[tuple[str, ...], UNSAID] = ()
    """Causes of events in between that move no work but what is advised: `readings`, `limits`."""
    read: Annotated[tuple[str, ...], UNSAID] = ()
    """The stores that were read in between, as limits are named; and the optional tasks that are counted."""
    counted: Annotated[frozenset[str] | None, UNSAID] = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """The running re-estimate at one instant; every field as in the contract's JSON."""

    excursion: str
    at: Instant
    scenarios: int
    confidence: float | Mapping[str, float]
    pace_file: str | None
    inside: Annotated[Range, quantiles_of("mean", "p10", "p50", "p90")]
    limit: Instant
    margin: Ends
    safe: Share
    without_optional_inside: Ends
    without_optional_safe: Share
    limits: tuple[LimitFigure, ...]
    binding: Annotated[LimitFigure | None, _binding]
    turn_back: TurnBack
    pace: Annotated[Mapping[str, float], each(amount)]
    consumables: tuple[ConsumableFigure, ...]
    tasks: tuple[TaskFigure, ...]
    steps: tuple[StepFigure, ...]
    optional: tuple[OptionalFigure, ...]
    clocks: tuple[ClockFigure, ...]
    open_items: tuple[Mapping[str, str], ...]
    called: str | None
    alerts: tuple[Alert, ...]
    ingress: Annotated[Mapping[str, Range], each(quantiles_of("p10", "p50", "p90"))]
    """Per crew member outside: when they are inside."""
    advice: Annotated[Advice, _own]
    when_short: Annotated[tuple[str, ...], UNSAID] = ()
    safe_by: Annotated[Mapping[str, float] | None, by_kind] = None
    """With a confidence a kind of limit: the chance of keeping all `elapsed` limits, all `consumables`."""
    processes: tuple[ProcessFigure, ...] = ()
    habit: Annotated[Mapping[str, float] | None, by_kind] = None
    """How likely each habit of ticking is; None where ticks are taken at their word."""
    lateness: Annotated[Mapping[str, float | None], each(seconds)] = field(default_factory=dict)
    """Per crew member how late their last tick is believed to have come, seconds; None without one."""
    unheard: tuple[Unheard, ...] = ()
    counted: Annotated[frozenset[str], UNSAID] = frozenset()
    """Optional tasks that are ahead and in INSIDE: begun, kept by decision, or advised to be kept."""
    value: Annotated[float, UNSAID] = 0.0
    """Value of what is counted together."""
    meets: Annotated[bool, UNSAID] = True
    """Whether what is counted meets the demanded confidence."""
    entry: Annotated[int | None, UNSAID] = None
    """Number of the last entry that is counted; None where nobody said."""
    choices: tuple[Choice, ...] | None = None
    """What is left to choose, where it was asked for."""
    changed: Changed | None = None
    """The last change that was to be said, where it was asked for."""
    since: Annotated[Changed | None, UNSAID] = None
    """What changed since an instant, as since the desk was handed over, where that was asked for."""
    due: tuple[Due, ...] = ()
    """What comes due, and what is overdue, the earliest first."""
    advisory: str = ADVISORY
    moved: Annotated[tuple[tuple[str, float], ...] | None, _moved] = None
    """What moved the median ingress since an instant: cause and seconds; no key where nobody asked."""

    def as_json(self) -> dict[str, Any]:
        """The estimate as the contract's JSON object: plain numbers, null for what is not."""
        out: dict[str, Any] = {"format": FORMAT}
        for key, value in as_json(self).items():
            if key.startswith("without_optional_"):
                out.setdefault("without_optional", {})[key.removeprefix("without_optional_")] = value
            elif key != "moved" or value is not None:
                out[key] = value
        return out
