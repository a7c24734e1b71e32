"""The keys of a plan file, as they are written; what each may hold is in `tracker.plan.scalars`.

The models check the values of one mapping at a time; what one part of a file says of another is checked in
`tracker.plan.rules`. The sentence below a key is what an editor shows of it.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tracker.plan.scalars import (
    ALONE,
    Count,
    Flag,
    Format,
    Id,
    Instant,
    Lasting,
    Level,
    Line,
    Model,
    Number,
    Part,
    Priority,
    Reference,
    Share,
    Span,
    Text,
    When,
    WindowKind,
    as_mapping,
    wrong,
)
from tracker.plan.yaml_tree import Node


class Entry(BaseModel):
    """A mapping of the file; unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class LimitFile(Entry):
    """`elapsed: 6:30` or `boat: {at: 5:00, crew: [EV2]}`."""

    at: When
    """A PET or an instant."""
    crew: list[Id] | None = None
    """Whom it binds; without it everybody outside."""


class ConfidenceFile(Entry):
    """`0.9` or `{elapsed: 0.9, consumables: 0.99}`."""

    joint: Share | None = Field(None, alias=ALONE)
    elapsed: Share | None = None
    """The probability of keeping every limit of time."""
    consumables: Share | None = None
    """The probability of keeping every reserve."""


class CrewFile(Entry):
    """`{id: EV1, name: Lead}`."""

    id: Id
    """Who it is in events and on screens."""
    name: Text | None = None
    """What they are called."""
    outside: Flag = True
    """`false`: has steps, but no consumables, and is not counted for ingress."""


class ConsumableFile(Entry):
    """What runs down."""

    id: Id
    """What it is called."""
    unit: Text
    """In what it is measured."""
    start: Number
    """The level at zero."""
    reserve: Number = 0.0
    """What must be left at ingress."""
    per_hour: Number | None = None
    """What it loses by the clock."""
    per_megajoule: Number | None = None
    """What it loses by metabolic energy."""
    model: Model | None = None
    """The published conversion from metabolic rate, in kg."""
    reading_sd: Number | None = None
    """How exact a reading is, and the level at zero; 1 % of the start without it."""
    crew: list[Id] | None = None
    """Who has one of their own; everybody outside without it."""
    shared: Flag = False
    """`true`: one store for all of them."""


class OrbitFile(Entry):
    """`{altitude: 400, beta: 20, first_sunrise: 0:10}`."""

    altitude: Number
    """Kilometres."""
    beta: Number
    """Angle between the orbit's plane and the sun, degrees."""
    first_sunrise: When
    """The first sunrise, a PET or an instant."""


def _pair(value: Any) -> Any:
    if not isinstance(value, list) or len(value) != 2:
        wrong("is not an interval", "write [0:00, 0:47]: from, and up to")
    return value


class WindowFile(Entry):
    """A list of intervals, or the sunlight of an orbit."""

    id: Id
    """What it is called."""
    open: list[Annotated[list[When], BeforeValidator(_pair)]] | None = None
    """Pairs of PETs or instants: open from the first up to the second."""
    orbit: OrbitFile | None = None
    """The sunlight of a circular orbit."""
    kind: WindowKind | None = None
    """`light`, `link` (those outside can be spoken to) or `other`; without it an orbit is light."""


class SiteFile(Entry):
    """`{home: 0:12}`."""

    home: Span
    """How long the way home takes from there."""
    assisted: Span | None = None
    """How long it takes with a partner who cannot help."""


class RoundFile(Entry):
    """`{id: status, every: 0:30, ask: [oxygen, battery, gloves]}`."""

    id: Id
    """What it is called."""
    every: Lasting
    """How long after the last one the next is due."""
    ask: list[Id]
    """What everybody outside is asked: a consumable is read, anything else is ok or not ok."""


class HardwareFile(Entry):
    """`{id: wrench, title: Torque wrench, from: lock}`."""

    id: Id
    """Its name in steps and in the journal."""
    title: Text | None = None
    """What it is called."""
    origin: Id = Field("lock", alias="from")
    """Where it is at zero: `lock`, or a site."""


class EmergencyFile(Entry):
    """`{supply: 0:30, lock: 0:05}`."""

    supply: Lasting
    """How long somebody lives on what is kept for an emergency."""
    lock: Span = 0
    """How long it takes from the door until they no longer need it."""


class TimeFile(Entry):
    """`0:12`, `{low: 0:08, likely: 0:12, high: 0:20}` or `home`."""

    low: Lasting | None = None
    """One in ten is shorter."""
    likely: Lasting | None = None
    """The planned time."""
    high: Lasting | None = None
    """One in ten is longer."""
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
    """The step that starts the clock when it is done."""
    time: Lasting
    """By then the step is done."""


def _alone(value: Any) -> Any:
    return [value] if isinstance(value, Node) else value


class StepFile(Entry):
    """What is ticked off."""

    id: Part | None = None
    """The part behind the dot: in task `controller`, `release` is `controller.release`; else its place."""
    do: Text | None = None
    """What is done."""
    crew: list[Id]
    """Who does it; several: a joint step."""
    time: Annotated[TimeFile, BeforeValidator(_time)]
    """How long it takes: `0:12`, low, likely and high, or `home` in closeout, the way from the last site."""
    fixed: Flag = False
    """`true`: a time that no crew can hurry, such as filling a lock."""
    count: Count = 1
    """How many items it has."""
    effort: Annotated[dict[str, Level], as_mapping(ALONE)] = Field(default_factory=dict)
    """A name of `efforts`, or watts; by crew member where they differ."""
    use: dict[str, Number] = Field(default_factory=dict)
    """By consumable, how many times as much of it the step takes."""
    work: Id = "general"
    """The kind of work, for learning pace."""
    site: Id | None = None
    """Where it is done."""
    needs: list[Reference] = Field(default_factory=list)
    """Tasks or steps that must be finished first."""
    window: Annotated[list[Id], BeforeValidator(_alone)] = Field(default_factory=list)
    """It may start only inside this window, or inside all of a list."""
    whole: Flag = False
    """`true`: the planned time must fit into the window as well."""
    hold_point: Text | None = None
    """What is asked; the step then waits for a go."""
    opens: list[Id] = Field(default_factory=list)
    """What it leaves open, loose or temporary."""
    closes: list[Id] = Field(default_factory=list)
    """What it puts in order that another step opened."""
    within: WithinFile | None = None
    """A hardware clock: done at most so long after the done of another step."""
    cautions: Annotated[list[Line], BeforeValidator(_alone)] = Field(default_factory=list)
    """What is to be heeded while it is done; one, or a list."""
    numbers: dict[str, Line] = Field(default_factory=dict)
    """What is set, turned or reached, by name: `{torque: 12 N m, turns: 7}`."""
    takes: list[Id] = Field(default_factory=list)
    """Hardware that its crew takes when it begins."""
    leaves: dict[str, Id] = Field(default_factory=dict)
    """Hardware that they leave at a site, by the time it is done."""
    brings: list[Id] = Field(default_factory=list)
    """Hardware that is back in the lock when it is done."""


class TaskFile(Entry):
    """A piece of work."""

    id: Id
    """Its name in the journal."""
    title: Text | None = None
    """Its name on the screen."""
    priority: Priority | None = None
    """`must` also without it."""
    value: Number | None = None
    """Weight among its like when something has to go, 1 without it; not for a must."""
    needs: list[Reference] = Field(default_factory=list)
    """Tasks or steps that must be finished before any of its steps."""
    closeout: Flag = False
    """`true`: always remains, after everything else of each crew member."""
    steps: list[StepFile]
    """What is ticked off."""


class PlanFile(Entry):
    """The whole file."""

    format: Format
    """Version of the keys."""
    excursion: Text
    """What it is called."""
    zero: Text = "the clock is started"
    """What starts the clock, in words."""
    zero_planned: Instant | None = None
    """The instant at which it is planned to start; windows in PET are meant from there."""
    limits: dict[str, Annotated[LimitFile, as_mapping("at")]]
    """`elapsed`: everyone inside by; more by name."""
    confidence: Annotated[ConfidenceFile, as_mapping(ALONE)] = Field(
        default_factory=lambda: ConfidenceFile.model_validate({ALONE: Node("scalar", 0, 0, "0.9")})
    )
    """The probability of keeping every limit that the plan asks, 0.9 without it."""
    crew: list[CrewFile]
    """Who goes, and who helps from inside."""
    efforts: dict[str, Number] = Field(default_factory=dict)
    """Names of metabolic rates in watts; rest 120, light 200, moderate 300, heavy 450 are there already."""
    consumables: list[ConsumableFile] = Field(default_factory=list)
    """What runs down."""
    windows: list[WindowFile] = Field(default_factory=list)
    """When work may start."""
    sites: dict[str, SiteFile] = Field(default_factory=dict)
    """Where work is done, by name."""
    tasks: list[TaskFile]
    """Pieces of work, in order."""
    rounds: list[RoundFile] = Field(default_factory=list)
    """What everybody outside is asked again and again."""
    hardware: list[HardwareFile] = Field(default_factory=list)
    """Tools and parts whose whereabouts count."""
    emergency: EmergencyFile | None = None
    """What a way home on a bad day is held against."""


PLACES: dict[tuple[str, ...], type[Entry]] = {
    (): PlanFile,
    ("limits", "*"): LimitFile,
    ("confidence",): ConfidenceFile,
    ("crew", "#"): CrewFile,
    ("consumables", "#"): ConsumableFile,
    ("windows", "#"): WindowFile,
    ("windows", "#", "orbit"): OrbitFile,
    ("sites", "*"): SiteFile,
    ("rounds", "#"): RoundFile,
    ("hardware", "#"): HardwareFile,
    ("emergency",): EmergencyFile,
    ("tasks", "#"): TaskFile,
    ("tasks", "#", "steps", "#"): StepFile,
    ("tasks", "#", "steps", "#", "time"): TimeFile,
    ("tasks", "#", "steps", "#", "within"): WithinFile,
}
"""Which model stands where; `#` is any index, `*` any name."""
