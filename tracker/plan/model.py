"""The plan as values: who goes, what they do, what runs down, and what may not be passed.

Every value here has been checked; `tracker.plan.read` makes them from a file. Times are whole
seconds of phase elapsed time unless the name says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Literal

Priority = Literal["must", "should", "get-ahead"]
WindowKind = Literal["light", "link", "other"]
Model = Literal["oxygen", "carbon-dioxide"]
"""The published conversions from metabolic rate."""
LOCK = "lock"
"""Where hardware is that nobody has outside; no site."""
LONGEST_S = 100 * 3600
"""No plan runs longer than 100 hours."""
MOST_AMOUNT = 1e12
"""No amount of a store, and no rate of one, is larger."""


@dataclass(frozen=True, slots=True)
class CrewMember:
    """Someone who does steps."""

    id: str
    name: str
    outside: bool = True
    """False: inside or on the ground; uses no consumables and is not counted for ingress."""


@dataclass(frozen=True, slots=True)
class Limit:
    """An instant by which crew members must be inside."""

    name: str
    at: int | datetime
    """PET in seconds, or an instant in UTC."""
    crew: tuple[str, ...]
    """Whom it binds; never empty, only crew members outside."""


@dataclass(frozen=True, slots=True)
class Confidence:
    """The demanded probability of keeping every limit."""

    elapsed: float
    consumables: float
    joint: bool
    """True: one number for everything together; False: each kind of limit has its own."""

    @property
    def need(self) -> float | None:
        """The one number for everything together; None where each kind of limit has its own."""
        return self.elapsed if self.joint else None

    @property
    def asked(self) -> float | dict[str, float]:
        """The one number, or one a kind of limit."""
        return self.elapsed if self.joint else {"elapsed": self.elapsed, "consumables": self.consumables}


_TITLES = {"co2": "CO2 removal"}
"""What people call a store whose id says it badly; in ASCII, which every terminal has."""


def store_words(id: str) -> str:
    """What a store is called before people: `CO2 removal` for `co2`; else its id, with spaces for its `_`."""
    return _TITLES.get(id, id.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Consumable:
    """What runs down, per crew member or in one shared store."""

    id: str
    unit: str
    start: float
    reserve: float
    per_hour: float
    """Units an hour of clock time."""
    per_megajoule: float
    """Units a megajoule of metabolic energy; a `model` has been turned into this figure."""
    model: str | None
    reading_sd: float
    crew: tuple[str, ...]
    shared: bool
    cut: str = ""
    """What is larger than `MOST_AMOUNT` and taken as that, in words; only in a plan that a journal keeps."""

    @property
    def owners(self) -> tuple[str, ...]:
        """Whose stores there are: each crew member's, or `*` for the one of all of them."""
        return ("*",) if self.shared else self.crew

    def members(self, owner: str) -> tuple[str, ...]:
        """The crew members who use the store of an owner."""
        return self.crew if self.shared else (owner,)

    @property
    def clock_rate(self) -> float:
        """Units a second of clock time."""
        return self.per_hour / 3600.0

    @property
    def per_joule(self) -> float:
        """Units a joule of metabolic energy."""
        return self.per_megajoule * 1e-6

    def per_second(self, effort: float, factor: float = 1.0) -> float:
        """Units a second while its crew work at so many watts together; `factor` is on all of it."""
        return factor * (self.clock_rate + self.per_joule * effort)


@dataclass(frozen=True, slots=True)
class Orbit:
    """A circular orbit that makes a window of sunlight."""

    altitude_km: float
    beta_deg: float
    first_sunrise: int | datetime


@dataclass(frozen=True, slots=True)
class Window:
    """Intervals, half-open, in which a step may start: a list, or an orbit's sunlight."""

    id: str
    open: tuple[tuple[int, int] | tuple[datetime, datetime], ...]
    orbit: Orbit | None = None
    kind: WindowKind = "other"
    """`link`: somebody outside can be spoken to while it is open."""

    @property
    def in_pet(self) -> bool:
        """Whether it is meant in phase elapsed time, at least in part, and not in UTC."""
        marks = [self.orbit.first_sunrise] if self.orbit else [at for span in self.open for at in span]
        return any(isinstance(at, int) for at in marks)


@dataclass(frozen=True, slots=True)
class Round:
    """What everybody outside is asked again and again."""

    id: str
    every: int
    """Seconds after the last one until the next is due."""
    ask: tuple[str, ...]
    """A consumable's id asks for a reading; anything else for ok, or not ok with a word."""


@dataclass(frozen=True, slots=True)
class Hardware:
    """A tool or a part whose whereabouts count."""

    id: str
    title: str
    origin: str = LOCK
    """Where it is at zero: `LOCK`, or a site."""


@dataclass(frozen=True, slots=True)
class Emergency:
    """What a way home on a bad day is held against, in seconds."""

    supply: int
    """How long somebody lives on what is kept for an emergency."""
    lock: int = 0
    """From the door until they no longer need it."""


@dataclass(frozen=True, slots=True)
class Duration:
    """How long a step is planned to take, in seconds."""

    likely: int
    """The planned time on paper; for `home` the figure on paper along the plan."""
    low: int | None = None
    high: int | None = None
    home: bool = False
    """True: the way home from the last site, no time at all for who was at none."""


@dataclass(frozen=True, slots=True)
class Within:
    """A hardware clock: the step is done at most `time` seconds after the done of `of`."""

    of: str
    time: int


@dataclass(frozen=True, slots=True)
class Step:
    """What is ticked off: one action by one or more crew members."""

    id: str
    task: str
    do: str
    crew: tuple[str, ...]
    time: Duration
    fixed: bool = False
    count: int = 1
    effort: Mapping[str, float] = field(default_factory=dict)
    """Metabolic rate in watts per crew member of `crew`; others do it at `default_effort`."""
    default_effort: float = 200.0
    use: Mapping[str, float] = field(default_factory=dict)
    """Factor per consumable on what the step takes of it; absent: 1."""
    work: str = "general"
    site: str | None = None
    needs: tuple[str, ...] = ()
    """Ids of tasks or steps, as written; includes nothing implied."""
    windows: tuple[str, ...] = ()
    whole: bool = False
    hold_point: str | None = None
    opens: tuple[str, ...] = ()
    closes: tuple[str, ...] = ()
    within: Within | None = None
    cautions: tuple[str, ...] = ()
    """What is to be heeded while it is done, each on one line."""
    numbers: Mapping[str, str] = field(default_factory=dict)
    """What is set, turned or reached, by name, each on one line."""
    takes: tuple[str, ...] = ()
    """Hardware that its crew has once it has begun."""
    leaves: Mapping[str, str] = field(default_factory=dict)
    """Hardware that lies at a site once it is done."""
    brings: tuple[str, ...] = ()
    """Hardware that is back in the lock once it is done, if its crew has it or it lies at its site."""

    @property
    def heed(self) -> tuple[str, ...]:
        """What stands below the step while it is done: each caution, then its numbers in one."""
        numbers = ", ".join(f"{name} {value}" for name, value in self.numbers.items())
        return (*(f"! {caution}" for caution in self.cautions), *([numbers] if numbers else []))

    def effort_of(self, crew: str) -> float:
        """The metabolic rate in watts at which this crew member does the step."""
        return self.effort.get(crew, self.default_effort)


@dataclass(frozen=True, slots=True)
class Task:
    """A piece of work with a purpose and a priority."""

    id: str
    title: str
    priority: Priority
    value: float
    needs: tuple[str, ...]
    closeout: bool
    steps: tuple[Step, ...]

    @property
    def optional(self) -> bool:
        """Whether the task may be left out on advice."""
        return self.priority != "must" and not self.closeout


@dataclass(frozen=True)
class Plan:
    """A whole planned excursion, without faults."""

    excursion: str
    zero: str
    zero_planned: datetime | None
    limits: tuple[Limit, ...]
    """In file order; the one named `elapsed` binds everybody outside."""
    confidence: Confidence
    crew: tuple[CrewMember, ...]
    rest_w: float
    efforts: Mapping[str, float]
    consumables: tuple[Consumable, ...]
    windows: tuple[Window, ...]
    sites: Mapping[str, int]
    """Way home from each site, in seconds."""
    tasks: tuple[Task, ...]
    source: str
    """The text of the file as read."""
    assisted: Mapping[str, int] = field(default_factory=dict)
    """Way home with a partner who cannot help, in seconds, from the sites of which it is known."""
    rounds: tuple[Round, ...] = ()
    hardware: tuple[Hardware, ...] = ()
    emergency: Emergency | None = None
    name: str = "plan"
    """The file's stem."""
    file: str = ""
    """The path it was read from, as given; for naming a place in it."""

    @cached_property
    def task(self) -> Mapping[str, Task]:
        """Tasks by id."""
        return {task.id: task for task in self.tasks}

    @cached_property
    def step(self) -> Mapping[str, Step]:
        """Steps by id, in file order."""
        return {step.id: step for task in self.tasks for step in task.steps}

    @cached_property
    def member(self) -> Mapping[str, CrewMember]:
        """Crew members by id."""
        return {member.id: member for member in self.crew}

    @cached_property
    def consumable(self) -> Mapping[str, Consumable]:
        """Consumables by id."""
        return {consumable.id: consumable for consumable in self.consumables}

    @cached_property
    def window(self) -> Mapping[str, Window]:
        """Windows by id."""
        return {window.id: window for window in self.windows}

    @cached_property
    def outside(self) -> tuple[str, ...]:
        """Ids of the crew members who go outside and are counted for ingress."""
        return tuple(member.id for member in self.crew if member.outside)

    @cached_property
    def elapsed_limit(self) -> int | datetime:
        """The limit named `elapsed`."""
        return next(limit.at for limit in self.limits if limit.name == "elapsed")
