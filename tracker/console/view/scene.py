"""All that the screen is told: progress, estimate, the instant, and how the disk is doing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from typing import Literal

from tracker.console.commands import BY_ID
from tracker.console.view.course import Course, paper_course
from tracker.console.view.styled_text import Ink
from tracker.forecast.values import Estimate, OptionalFigure
from tracker.journal.progress import Progress

SMALL = 100
"""Below this many columns everything is written for 80."""
LARGE = 160
"""From this many columns the list, the runway and the optional tasks stand together."""


@dataclass(frozen=True, eq=False)
class Picture:
    """What changes with an event or a new estimate only."""

    progress: Progress
    estimate: Estimate | None

    @cached_property
    def course(self) -> Course:
        """Start and finish of every step, actual or projected; on paper where there is no estimate."""
        found = dict(paper_course(self.progress))
        for figure in self.estimate.steps if self.estimate else ():
            state = self.progress.steps.get(figure.step)
            if state is None or state.ended is not None:
                continue
            if figure.start.p50 is not None and figure.finish.p50 is not None:
                begun = state.began if state.began is not None else figure.start.p50
                found[figure.step] = (begun, figure.finish.p50)
        return found

    @cached_property
    def advised(self) -> Mapping[str, OptionalFigure]:
        """Advice by optional task."""
        return {figure.task: figure for figure in self.estimate.optional} if self.estimate else {}

    @cached_property
    def passed_over(self) -> frozenset[str]:
        """Optional tasks not begun that are advised to be left out."""
        if self.estimate is None:
            return frozenset()
        kept = self.estimate.advice.kept
        tasks = self.progress.tasks
        return frozenset(t for t in self.advised if t not in kept and tasks[t].status == "open")

    @cached_property
    def done_share(self) -> float:
        """Share of the planned work that is done, 0 to 1."""
        states = [s for s in self.progress.steps.values() if s.ended in (None, "done")]
        whole = sum(s.step.time.likely for s in states)
        return sum(s.step.time.likely for s in states if s.ended == "done") / whole if whole else 1.0

    @cached_property
    def ingress(self) -> Mapping[str, float | None]:
        """Per crew member outside the projected (or actual) instant of being inside."""
        if self.estimate is not None:
            return {c: figure.p50 for c, figure in self.estimate.ingress.items()}
        ends: dict[str, float | None] = {}
        for member in self.progress.plan.outside:
            finishes = [self.course[s][1] for s in self.progress.order.get(member, ()) if s in self.course]
            ends[member] = self.progress.entered.get(member, max(finishes, default=None))
        return ends


@dataclass(frozen=True, slots=True)
class Disk:
    """How far the writing is."""

    number: int = 0
    """Of the last event that is known to be on disk."""
    saving: bool = False
    """An event has waited for more than 100 ms."""
    unsaved: int = 0
    """Events that could not be written and wait in the queue."""
    fault: str = ""
    """What the disk said."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What the last write about a crew member was, shown beside their name for a moment."""

    state: Literal["disk", "saving", "unsaved"]
    text: str


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that a view may look at."""

    picture: Picture
    now: float
    """PET in seconds; 0 before the clock was started."""
    utc: datetime
    live: bool = True
    """False: this seat's clock is not within the excursion, so the clock stands."""
    disk: Disk = field(default_factory=Disk)
    marks: Mapping[str, Mark] = field(default_factory=dict)
    hollow: frozenset[str] = frozenset()
    """Steps whose tick is not on disk yet."""
    said: str = ""
    """The one message line."""
    said_ink: Ink = ""
    chosen: str | None = None
    """The step, or number of the event, that the list cursor stands on."""
    estimating: bool = False
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys as they are shown, by id of a command; those of the table where a person chose others."""
    local_time: bool = False
    """Whether the time of this machine's zone stands beside UTC."""

    def key(self, command: str) -> str:
        """Return the key of a command, as a person reads it."""
        return self.keys.get(command) or BY_ID[command].shown

    @property
    def progress(self) -> Progress:
        """The progress that is shown."""
        return self.picture.progress

    @property
    def estimate(self) -> Estimate | None:
        """The latest estimate."""
        return self.picture.estimate

    @property
    def started(self) -> bool:
        """Whether the clock was started."""
        return self.progress.zero is not None

    @property
    def utc_text(self) -> str:
        """UTC of the instant that is shown, `14:22:07`."""
        return f"{self.utc.astimezone(UTC):%H:%M:%S}"

    @property
    def local_text(self) -> str:
        """Time and name of this machine's zone, `16:22 CEST`; empty unless it is wanted."""
        return f"{self.utc.astimezone():%H:%M %Z}" if self.local_time else ""
