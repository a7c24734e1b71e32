"""All that the screen is told: progress, estimate, the instant, and how the disk is doing.

Where each step stands in time: as it happened, and on paper from here on.

All that the lead's view is told: what the desk's views see, and the estimates through the day.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property
from typing import Any, Literal

from tracker.console.commands import BY_ID
from tracker.console.seat_clock import ClockDoubt
from tracker.console.view.styled_text import Ink
from tracker.forecast.figures import Choice, Estimate, OptionalFigure, Range
from tracker.forecast.news import News, news_since
from tracker.foundation.text import plain
from tracker.journal.progress import Progress, letters
from tracker.journal.typed import chosen_events, parted

Course = Mapping[str, tuple[float, float]]
"""Per step its start and finish as PET seconds."""


def paper_course(progress: Progress) -> Course:
    """Return actual times of ended steps and planned times, one after the other, of open ones.

    It serves until the first estimate is there; windows and pace are left out of it.
    """
    course: dict[str, tuple[float, float]] = {}
    for name, past in progress.steps.items():
        if past.ended is not None and past.done is not None:
            course[name] = (past.done if past.began is None else past.began, past.done)
    free = {crew: max(progress.at, since) for crew, since in progress.free_since.items()}
    queues = {crew: deque(order) for crew, order in progress.order.items()}
    while step := _ready(progress, queues, course):
        state = progress.steps[step]
        begin = state.began if state.began is not None else max(free.get(c, 0.0) for c in state.crew)
        begin = max([begin, *(course[n][1] for n in progress.needs.get(step, ()) if n in course)])
        end = max(progress.at, begin + max(0.0, state.step.time.likely))
        course[step] = (begin, end)
        for crew in state.crew:
            free[crew] = end
            while (queue := queues.get(crew)) and queue[0] in course:
                queue.popleft()
    return course


def _ready(progress: Progress, queues: Mapping[str, deque[str]], course: Course) -> str | None:
    """Return a step that is first for its whole crew and waits for nothing; else any first one."""
    heads = [queue[0] for queue in queues.values() if queue]
    for step in heads:
        state = progress.steps[step]
        together = all(not queues.get(c) or queues[c][0] == step for c in state.crew)
        if together and all(need in course for need in progress.needs.get(step, ())):
            return step
    return heads[0] if heads else None


SMALL, LARGE = 100, 160
"""Below so many columns all is written for 80; from so many on list, runway and options together."""


@dataclass(frozen=True, eq=False)
class Snapshot:
    """What changes with an event or a new estimate only."""

    progress: Progress
    latest: Estimate | None
    """As it was made: it may not know the last events."""
    known: int | None = None
    """Number of the last event that it knows; None where that is the last one."""

    @cached_property
    def news(self) -> News:
        """What the latest estimate does not know."""
        return news_since(self.latest, self.progress, self.known)

    @cached_property
    def estimate(self) -> Estimate | None:
        """The latest as far as it holds: none while the way home is worked out, no choices turned since."""
        if self.latest is None or self.news.rerouted:
            return None
        choices = None if self.news.choices else self.latest.choices
        same = self.news.alerts == self.latest.alerts and choices == self.latest.choices
        return self.latest if same else replace(self.latest, alerts=self.news.alerts, choices=choices)

    @cached_property
    def course(self) -> Course:
        """Start and finish of every step, actual or projected; on paper where there is no estimate."""
        found = dict(paper_course(self.progress))
        for one in self.estimate.steps if self.estimate else ():
            state = self.progress.steps.get(one.step)
            if state is None or state.ended is not None:
                continue
            if one.start.p50 is not None and one.finish.p50 is not None:
                found[one.step] = (one.start.p50 if state.began is None else state.began, one.finish.p50)
        return found

    @cached_property
    def ends(self) -> Mapping[str, float]:
        """Projected end of the steps that the estimate has; of every step on paper where there is none."""
        known = {f.step: f.finish.p50 for f in self.estimate.steps if f.finish.p50} if self.estimate else {}
        return known or {step: end for step, (_, end) in self.course.items()}

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
    def letters(self) -> Mapping[str, str]:
        """The letter of every optional task, `a` first, in the order of the plan; it never changes."""
        return letters(self.progress)

    @cached_property
    def ahead(self) -> Mapping[str, tuple[str, ...]]:
        """Per crew member the steps that they will do as the forecast has it, in their order."""
        steps, out = self.progress.steps, self.passed_over
        return {
            crew: tuple(step for step in order if steps[step].step.task not in out)
            for crew, order in self.progress.order.items()
        }

    @cached_property
    def homeward(self) -> bool:
        """Whether somebody was called home, or nobody outside has other work than closeout."""
        progress = self.progress
        if progress.recall or progress.closed is not None:
            return bool(progress.recall)
        steps, tasks = progress.steps, progress.tasks
        outside = [c for c in progress.plan.outside if c not in progress.entered]
        work = {s for c in outside for s in self.ahead.get(c, ())}
        closeout = all(tasks[steps[s].step.task].task.closeout for s in work)
        return progress.zero is not None and bool(work) and closeout

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
    """What the disk, or the server, said."""
    fault_since: float | None = None
    """PET since when it does."""
    forked: bool = False
    """Whether the journal's place holds another history, so that nothing goes there any more."""
    kept: int = 0
    """Events that could not be written so far, and are on this seat's own disk."""
    kept_since: float | None = None
    """PET of the first of them."""
    refused: int = 0
    """Presses that were kept there and have become impossible: to be decided on."""
    refused_words: tuple[str, ...] = ()
    """Of those that were not put off, a line each."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What the last write about a crew member was, shown beside their name for a moment."""

    state: Literal["disk", "saving", "kept", "unsaved"]
    text: str


@dataclass(frozen=True, slots=True)
class OpenLine:
    """A line at the bottom that is open, so that keys are text."""

    label: str
    """What it is for, in a word: `ENTRY`."""
    text: str | None = None
    """What stands in it, where nothing was typed for a while; else None."""

    @property
    def words(self) -> str:
        """What stands below the crew for as long as keys are text."""
        return f"{self.label} line open below: digits are text and tick nothing; Esc leaves it"

    @property
    def alert(self) -> str:
        """What is told of a line that nobody has typed in for a while; else nothing."""
        if self.text is None:
            return ""
        holds = f"; in it: {plain(self.text, most=60)}" if self.text else ""
        return f"the {self.label} line is still open: no digit ticks. Esc leaves it{holds}"


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that a view may look at."""

    snapshot: Snapshot
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
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys as they are shown, by id of a command; those of the table where a person chose others."""
    local_time: bool = False
    """Whether the time of this machine's zone stands beside UTC."""
    clock: ClockDoubt | None = None
    """What is in doubt about this machine's clock."""
    heard: bool = True
    """Whether the last words of a rehearsal's crew have rows; not where the list of all of them stands."""
    line: OpenLine | None = None
    """The line at the bottom; None while it is closed, and digits tick."""

    def key(self, command: str) -> str:
        """Return the key of a command, as a person reads it."""
        return self.keys.get(command) or BY_ID["desk"][command].shown

    @property
    def progress(self) -> Progress:
        """The progress that is shown."""
        return self.snapshot.progress

    @property
    def estimate(self) -> Estimate | None:
        """The latest estimate."""
        return self.snapshot.estimate

    @property
    def slow(self) -> tuple[object, ...]:
        """All that the views which show no seconds depend on."""
        of_disk = (self.disk, self.hollow, self.live, self.clock and self.clock.since, self.line, self.heard)
        return (self.snapshot, int(self.now) // 10, self.said, self.said_ink, self.chosen, *of_disk)

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


TREND_S = 1800.0
"""Over how long a trend is told, and since when by default what moved the ingress."""


@dataclass(frozen=True, slots=True)
class Point:
    """An earlier estimate, as far as it is drawn."""

    at: float
    """PET for which it was made."""
    inside: Range
    safe: float
    margins: Mapping[str, float | None]
    """Per limit the median margin in seconds; None where it has no instant."""
    levels: Mapping[str, float]
    """Per account, `EV1.oxygen`, what was left then."""
    turn_back: float | None
    chances: Mapping[str, float] = field(default_factory=dict)
    """Per limit the chance of breaking it."""
    reached: Mapping[str, float | None] = field(default_factory=dict)
    """Per limit the median PET at which it is reached; None where it has no instant."""
    entry: int = 0
    """The last entry that it counts; 0 where nobody said."""

    @staticmethod
    def of(estimate: Estimate) -> Point:
        """Return the point of an estimate."""
        return Point(
            estimate.at,
            estimate.inside,
            estimate.safe,
            {limit.id: limit.margin.p50 for limit in estimate.limits},
            {f"{f.crew}.{f.consumable}": f.now for f in estimate.consumables},
            estimate.turn_back.latest,
            {limit.id: limit.chance for limit in estimate.limits},
            {limit.id: None if limit.reached is None else limit.reached.p50 for limit in estimate.limits},
        )


@dataclass(frozen=True, slots=True)
class Moved:
    """What moved the projected ingress between two instants."""

    then: float
    now: float
    causes: tuple[tuple[str, float], ...]
    """(cause, seconds); they add up to the whole."""
    inside: float | None = None
    safe: float | None = None
    """What was projected at `now`, median and chance; None: what is shown."""


@dataclass(frozen=True, slots=True)
class Supposed:
    """Something supposed, beside what stands; nothing of it is written."""

    text: str
    """As it was typed."""
    events: tuple[Mapping[str, Any], ...] = ()
    trouble: str = ""
    """Why it cannot be."""
    stands: Estimate | None = None
    estimate: Estimate | None = None
    """With the events supposed; None while it is worked out."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A better order, as far as it is shown and recorded."""

    event: Mapping[str, Any]
    text: str
    gain_s: float
    """By how many seconds nine of ten are inside earlier."""
    safe: float

    @property
    def deed(self) -> str:
        """What is to be done, without its gain."""
        return self.text.rpartition(": ")[0]


@dataclass(frozen=True, slots=True)
class Orders:
    """Better orders, as they were found; nothing of it is written."""

    at: float
    """PET of the estimate that they would better."""
    found: tuple[Suggestion, ...] = ()
    """The greatest gain first."""


@dataclass(frozen=True, slots=True)
class LeadScene(Scene):
    """Everything that a view of the lead's may look at."""

    points: tuple[Point, ...] = ()
    """Estimates through the day, by PET."""
    moved: Moved | None = None
    since: float = 0.0
    """From when on it is asked what moved the ingress."""
    choices: tuple[Choice, ...] = ()
    """What is left to choose, as of the instant that each tells; none before they are worked out."""
    chances: Mapping[str, float] = field(default_factory=dict)
    """Per remaining task the chance of being done before the crew must turn back."""
    supposed: Supposed | None = None
    back: bool = False
    """Whether an earlier instant is shown than the present."""
    present: float = 0.0
    """PET of the present, also while an earlier instant is shown."""
    trouble: str = ""
    """Why the journal cannot be read at the moment."""

    orders: Orders | None = None
    """Better orders for what is shown; None before they are asked for."""
    seeking: float | None = None
    """Share that is done of a search for better orders; None while there is none."""
    whole: bool = False
    """Whether everything is written at full length, with as many rows as it takes."""

    def key(self, command: str) -> str:
        """Return the key of a command of this view, as a person reads it."""
        return self.keys.get(command) or BY_ID["lead"][command].shown

    @property
    def slow(self) -> tuple[object, ...]:
        """All that the views which show no seconds depend on."""
        beside = (self.points, self.moved, int(self.since) // 10, self.choices, self.chances, self.supposed)
        orders = (self.orders, self.seeking)
        return (self.snapshot, int(self.now) // 10, self.said, self.back, self.trouble, *beside, *orders)

    def point_at(self, at: float) -> Point | None:
        """Return the estimate on record nearest to a PET, if it lies no more than `NEAR_S` away."""
        near = min(self.points, key=lambda point: abs(point.at - at), default=None)
        return near if near is not None and abs(near.at - at) <= NEAR_S else None


NEAR_S = 600.0
"""How far from an instant an estimate on record may lie to stand for it, PET seconds."""
RENEW_S = 60.0
"""After this time without an event both estimates are made again."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """Both estimates, for one instant and the same random numbers; None where there is none yet."""

    progress: Progress
    now: float
    stands: Estimate
    supposed: Estimate | None = None
    trouble: str = ""
    """Why what is supposed can no longer be."""


@dataclass(frozen=True, slots=True)
class WhatIfPage:
    """The lines that are supposed, in the order in which they were typed, and what is known of them."""

    lines: tuple[str, ...] = ()
    weighed: Weighed | None = None
    """As of the instant it tells, until what is worked out for a later one takes its place."""
    orders: Orders | None = None
    """None before they were looked for."""
    seeking: float | None = None
    """Share that is done of a search for better orders; None while there is none."""

    @property
    def text(self) -> str:
        """All lines as one."""
        return "; ".join(self.lines)

    @property
    def suggestions(self) -> tuple[Suggestion, ...]:
        """Better orders, the greatest gain first; none before they are found."""
        return self.orders.found if self.orders is not None else ()

    def rows(self) -> list[str]:
        """Return the names of the rows that can be chosen: `line 0`, `order 0`."""
        lines = [f"line {k}" for k in range(len(self.lines))]
        return lines + [f"order {k}" for k in range(len(self.suggestions))]

    def line_of(self, row: str | None) -> int | None:
        """Return the place of a chosen line."""
        return _place("line", row, len(self.lines))

    def order_of(self, row: str | None) -> Suggestion | None:
        """Return the chosen better order."""
        place = _place("order", row, len(self.suggestions))
        return None if place is None else self.suggestions[place]

    def more(self, text: str) -> WhatIfPage:
        """Return this with what was typed besides; estimates follow."""
        return self._with((*self.lines, *parted(text)))

    def less(self, place: int) -> WhatIfPage:
        """Return this without a line."""
        return self._with(self.lines[:place] + self.lines[place + 1 :])

    def _with(self, lines: tuple[str, ...]) -> WhatIfPage:
        weighed = replace(self.weighed, supposed=None, trouble="") if self.weighed else None
        return replace(self, lines=lines, weighed=weighed)

    def old(self, now: float) -> bool:
        """Return whether the estimates are older than a minute."""
        return self.weighed is not None and now - self.weighed.now >= RENEW_S

    def events(self, progress: Progress, now: float, utc: datetime) -> list[dict[str, Any]]:
        """Return the events to be written once this is chosen; EventError where they cannot be."""
        return [dict(event) for event in chosen_events(self.text, progress, now, utc)]


def _place(kind: str, row: str | None, count: int) -> int | None:
    name, _, number = (row or "").partition(" ")
    return int(number) if name == kind and number.isdigit() and int(number) < count else None
