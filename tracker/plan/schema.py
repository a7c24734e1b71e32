"""The plan file as it is written: which keys there are and what each may hold.

The models check one value, or the values of one mapping, at a time; what one part of a file says of
another is checked in `tracker.plan.rules`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, model_validator

from tracker.plan.node import Node
from tracker.plan.scalars import (
    Count,
    Flag,
    Id,
    Instant,
    Lasting,
    Level,
    Number,
    Part,
    Reference,
    Share,
    Span,
    Text,
    When,
    number_of,
    shown,
    wrong,
)

ALONE = "*"
"""The key under which a single value stands where a mapping could."""


def _as_mapping(key: str) -> BeforeValidator:
    """Return a validator that takes a single value as a mapping with that one key."""
    return BeforeValidator(
        lambda value: {key: value} if isinstance(value, Node) and not value.null else value
    )


def _format(value: Any) -> int:
    if not isinstance(value, Node) or number_of(value) != 1:
        wrong(f"{shown(value)} is not a format of this program", "write format: 1")
    return 1


def _one_of(*words: str) -> PlainValidator:
    def check(value: Any) -> str:
        if not isinstance(value, Node) or value.text not in words:
            wrong(f"{shown(value)} is not known here", f"write {', '.join(words[:-1])} or {words[-1]}")
        return value.text

    return PlainValidator(check)


Priority = Annotated[Literal["must", "should", "get-ahead"], _one_of("must", "should", "get-ahead")]
Model = Annotated[Literal["oxygen", "carbon-dioxide"], _one_of("oxygen", "carbon-dioxide")]


class Entry(BaseModel):
    """A mapping of the file; unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class LimitFile(Entry):
    """`elapsed: 6:30` or `boat: {at: 5:00, crew: [EV2]}`."""

    at: When
    crew: list[Id] | None = None


class ConfidenceFile(Entry):
    """`0.9` or `{elapsed: 0.9, consumables: 0.99}`."""

    joint: Share | None = Field(None, alias=ALONE)
    elapsed: Share | None = None
    consumables: Share | None = None


class CrewFile(Entry):
    """`{id: EV1, name: Lead}`."""

    id: Id
    name: Text | None = None
    outside: Flag = True


class ConsumableFile(Entry):
    """What runs down."""

    id: Id
    unit: Text
    start: Number
    reserve: Number = 0.0
    per_hour: Number | None = None
    per_megajoule: Number | None = None
    model: Model | None = None
    reading_sd: Number | None = None
    crew: list[Id] | None = None
    shared: Flag = False


class OrbitFile(Entry):
    """`{altitude: 400, beta: 20, first_sunrise: 0:10}`."""

    altitude: Number
    beta: Number
    first_sunrise: When


def _pair(value: Any) -> Any:
    if not isinstance(value, list) or len(value) != 2:
        wrong("is not an interval", "write [0:00, 0:47]: from, and up to")
    return value


class WindowFile(Entry):
    """A list of intervals, or the sunlight of an orbit."""

    id: Id
    open: list[Annotated[list[When], BeforeValidator(_pair)]] | None = None
    orbit: OrbitFile | None = None


class SiteFile(Entry):
    """`{home: 0:12}`."""

    home: Span


class TimeFile(Entry):
    """`0:12`, `{low: 0:08, likely: 0:12, high: 0:20}` or `home`."""

    low: Lasting | None = None
    likely: Lasting | None = None
    high: Lasting | None = None
    home: Literal[True] | None = Field(None, alias=ALONE)

    @model_validator(mode="after")
    def _ordered(self) -> TimeFile:
        if self.home:
            return self
        if self.likely is None:
            wrong("has no likely time", "write {low: 0:08, likely: 0:12, high: 0:20}")
        if (self.low is None) != (self.high is None):
            wrong("has only one of low and high", "write both, or only the likely time")
        if self.low is not None and self.high is not None and not self.low <= self.likely <= self.high:
            wrong("is not in order", "write low <= likely <= high")
        if self.low is not None and self.low == self.high:
            wrong("has no width between low and high", "write one time, perhaps with fixed: true")
        return self


def _time(value: Any) -> Any:
    if not isinstance(value, Node) or value.null:
        return value
    return {ALONE: True} if value.text == "home" else {"likely": value}


class WithinFile(Entry):
    """`{of: controller.unplug, time: 0:50}`."""

    of: Reference
    time: Lasting


class StepFile(Entry):
    """What is ticked off."""

    id: Part | None = None
    do: Text | None = None
    crew: list[Id]
    time: Annotated[TimeFile, BeforeValidator(_time)]
    fixed: Flag = False
    count: Count = 1
    effort: Annotated[dict[str, Level], _as_mapping(ALONE)] = Field(default_factory=dict)
    use: dict[str, Number] = Field(default_factory=dict)
    work: Id = "general"
    site: Id | None = None
    needs: list[Reference] = Field(default_factory=list)
    window: Annotated[list[Id], BeforeValidator(lambda v: [v] if isinstance(v, Node) else v)] = Field(
        default_factory=list
    )
    whole: Flag = False
    hold_point: Text | None = None
    opens: list[Id] = Field(default_factory=list)
    closes: list[Id] = Field(default_factory=list)
    within: WithinFile | None = None


class TaskFile(Entry):
    """A piece of work."""

    id: Id
    title: Text | None = None
    priority: Priority | None = None
    value: Number | None = None
    needs: list[Reference] = Field(default_factory=list)
    closeout: Flag = False
    steps: list[StepFile]


class PlanFile(Entry):
    """The whole file."""

    format: Annotated[int, PlainValidator(_format)]
    excursion: Text
    zero: Text = "the clock is started"
    zero_planned: Instant | None = None
    limits: dict[str, Annotated[LimitFile, _as_mapping("at")]]
    confidence: Annotated[ConfidenceFile, _as_mapping(ALONE)] = Field(
        default_factory=lambda: ConfidenceFile.model_validate({ALONE: Node("scalar", 0, 0, "0.9")})
    )
    crew: list[CrewFile]
    efforts: dict[str, Number] = Field(default_factory=dict)
    consumables: list[ConsumableFile] = Field(default_factory=list)
    windows: list[WindowFile] = Field(default_factory=list)
    sites: dict[str, SiteFile] = Field(default_factory=dict)
    tasks: list[TaskFile]


PLACES: dict[tuple[str, ...], type[Entry]] = {
    (): PlanFile,
    ("limits", "*"): LimitFile,
    ("confidence",): ConfidenceFile,
    ("crew", "#"): CrewFile,
    ("consumables", "#"): ConsumableFile,
    ("windows", "#"): WindowFile,
    ("windows", "#", "orbit"): OrbitFile,
    ("sites", "*"): SiteFile,
    ("tasks", "#"): TaskFile,
    ("tasks", "#", "steps", "#"): StepFile,
    ("tasks", "#", "steps", "#", "time"): TimeFile,
    ("tasks", "#", "steps", "#", "within"): WithinFile,
}
"""Which model stands where; `#` is any index, `*` any name."""
