"""What the events so far add up to: values, and the questions asked of them; `fold` makes them.

All times are PET in seconds. Nothing here reads a clock: whatever depends on the present takes it as an
argument. What is needed of the fold that stands behind a progress is a Protocol.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import takewhile
from typing import Any, Literal, Protocol, Self

from tracker.foundation.times import pet_of
from tracker.journal.raised import Raised
from tracker.plan.model import Plan, Priority, Step, Task

LIVE_S = 7 * 86400
"""How long after zero a journal can be live."""


def pet_if_live(zero: datetime | None, utc_now: datetime) -> float | None:
    """Return the PET now where a journal is live, that is, from its zero to seven days after; else None."""
    if zero is None:
        return None
    now = pet_of(utc_now, zero)
    return now if 0 <= now <= LIVE_S else None


BeginKind = Literal["stated", "implied", "batch"]
StartKind = Literal["tick", "begun", "free"]
"""What begins a stretch of time: a tick of its crew (or PET 0), a reported begin, a hold's or wait's end."""
Spending = Literal["work", "wait", "hold", "idle"]
StepStatus = Literal["open", "waiting", "current", "held", "done", "skipped", "dropped", "left"]
TaskStatus = Literal["open", "begun", "done", "dropped", "left"]


@dataclass(frozen=True, slots=True)
class Recorded:
    """One event of the journal, with its number."""

    number: int
    kind: str
    at: float
    """PET of the event; 0 for `zero`."""
    stated: bool
    """Whether a person stated `at`, or the clock stamped it."""
    recorded: datetime
    seat: str
    body: Mapping[str, Any]
    """The event's own keys, without `kind`, `at` and `seat`."""


def together(event: Recorded, last: Recorded) -> bool:
    """Return whether two events were recorded as one entry: at the same instant, at the same seat."""
    return event.recorded == last.recorded and event.seat == last.seat


@dataclass(frozen=True, slots=True)
class StepState:
    """One step, as planned and as it stands."""

    step: Step
    """As planned, added, or retimed (then `step.time` is the new time)."""
    crew: tuple[str, ...]
    """Who owns it now; may differ from `step.crew` after `handed`."""
    ended: Literal["done", "skipped", "dropped", "left"] | None
    """How it ended; None while it is open. A step of a dropped task that still has to be done,
    because it closes an item that is open, stays None."""
    began: float | None
    """When work on it began; None while it is not known to have begun. For a current step that only
    waits for a known instant this is that instant, which may lie after `now`."""
    begin_kind: BeginKind | None
    done: float | None
    worked_s: float
    """Work time so far, holds and time set aside left out; whole work time once done."""
    running_since: float | None
    """For a current step at work: since when `worked_s` has to be counted on; may lie after `now`.
    None when it is held, set aside, not begun or ended."""
    counted: int
    """Items done so far."""
    counted_worked_s: float
    """Work time at the last `counted` event; 0 without one."""
    gone: bool
    """Whether the go of its hold point was given (True where it has none)."""
    evidence: bool
    """False when its time is no evidence of pace (handed over, silence, retimed `left`)."""
    left_s: float | None
    """`retimed` with `left`: how long it takes from `left_since` on; else None."""
    left_worked_s: float
    """Work time at that `retimed`."""
    waited_s: float
    """Waiting before its begin, of its own crew."""
    held_s: float
    """Hold time inside it."""
    waited_for: str | None
    """Cause that came last: `need STEP`, `crew EV2`, `go`, `window NAME`, `hold`, or None."""
    done_number: int | None
    """Number of the event that ended it."""
    entry_lag_s: float | None
    """Recorded less stated time of the tick."""
    seat: str | None
    """The seat that ended it."""

    def elapsed_s(self, now: float) -> float:
        """Return the work time in seconds up to `now`."""
        if self.running_since is None or now <= self.running_since:
            return self.worked_s
        return self.worked_s + now - self.running_since

    @property
    def expected_s(self) -> float:
        """The seconds that it takes in all: as planned, or as was said since."""
        return self.step.time.likely if self.left_s is None else self.left_worked_s + self.left_s


@dataclass(frozen=True, slots=True)
class TaskState:
    """One task as it stands."""

    task: Task
    status: TaskStatus
    committed: bool
    """True after `chose keep`: it counts as must from then on."""
    priority: Priority
    added: bool = False

    @property
    def optional(self) -> bool:
        """Whether advice may still leave it out: not must, not closeout, not committed, not ended."""
        return self.task.optional and not self.committed and self.status in ("open", "begun")


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold in force."""

    crew: str
    since: float
    until: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Observation:
    """A finished step as evidence of pace: its tick, and what is known of the time before it."""

    step: str
    crew: tuple[str, ...]
    """Those who were there."""
    work: str
    planned_s: float
    """Planned time: scaled down where fewer items were done than planned."""
    at: float
    stated: bool
    """Whether a person stated `at`; else a clock stamped it."""
    start: float
    """PET from which on its time counts."""
    start_kind: StartKind
    worked_s: float
    """Work time, that before `start` included; the rest of the time since then was no work on it."""
    clock_s: float
    """Planned PET of its middle: the clock of the drift."""
    counted: tuple[int, int] = (1, 1)
    """(m, n): m of the step's n items were done."""
    blind: bool = False
    """Its time says nothing about pace; its tick still ends a stretch of its crew's time."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A consumable was read, or its store replaced."""

    crew: str
    """Crew id, or `*` for a shared store."""
    consumable: str
    at: float
    value: float
    replaced: bool
    number: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one crew member's time."""

    start: float
    end: float | None
    """None for the last one, which is still going on."""
    kind: Spending
    step: str | None
    cause: str | None
    """What was waited or held for."""


@dataclass(frozen=True, slots=True)
class OpenItem:
    """An item that is open now."""

    item: str
    opened_by: str
    closed_by: str


@dataclass(frozen=True, slots=True)
class Recall:
    """The order to come home."""

    at: float
    call: Literal["home", "at once"]
    crew: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Decision:
    """A `chose` event."""

    number: int
    at: float
    task: str
    choice: Literal["keep", "drop", "open", "later"]
    advice: str | None
    figures: Mapping[str, Any] | None
    seat: str
    by: str | None = None
    """Who decided it, where that was said."""


class Folded(Protocol):
    """What a progress, and whoever holds one, asks of the fold that made it."""

    @property
    def origin(self) -> object:
        """What all folds of one journal go back to, and those of no other."""

    @property
    def number(self) -> int:
        """Number of the last event; 0 without one."""

    @property
    def recorded(self) -> tuple[Recorded, ...]:
        """Every event by number, also those that were withdrawn."""

    @property
    def zero(self) -> datetime | None:
        """Instant of PET 0 by the events in force."""

    @property
    def at(self) -> float:
        """PET of the last event in force."""

    @property
    def horizon_s(self) -> float:
        """The greatest PET that an event may have."""

    def beyond(self, at: float | datetime) -> str | None:
        """What is said of an instant that no event may name; None of one that it may."""

    @property
    def sequence(self) -> tuple[str, ...]:
        """Every step in the order of work; each crew member's own order is the part that is theirs."""

    @property
    def warnings(self) -> tuple[tuple[int, str], ...]:
        """(event number, what is unusual about it)."""

    def known_tasks(self) -> frozenset[str]:
        """Ids of all tasks and steps that there ever were, also of withdrawn additions."""

    def add(self, event: Recorded) -> Self:
        """Return the fold with one more event; EventError, naming what it contradicts, when it cannot be."""

    def add_all(self, events: Iterable[Recorded]) -> Self:
        """Return the fold with more events, in the order of their numbers; EventError as in `add`."""

    def until(self, *, at: float | None = None, known: datetime | None = None) -> Self:
        """Return the fold of the events that happened by a PET and were recorded by an instant."""

    def through(self, instants: Iterable[float]) -> Iterator[Self]:
        """Yield what `until` gives at each PET of an ascending row."""

    def undo(self, seat: str | None = None) -> tuple[Recorded, ...]:
        """What undo takes back at a seat (None: at any), last first."""

    def redo(self, seat: str) -> tuple[Recorded, ...]:
        """The undo of a seat that can be taken back, last first."""

    def suppose(self, events: Iterable[Mapping[str, Any]]) -> Progress:
        """Return the progress with supposed events added; EventError when one is impossible."""

    def progress(self) -> Progress:
        """Return what the events in force add up to."""


@dataclass(frozen=True)
class Progress:
    """The excursion as it stands after the events in force."""

    plan: Plan
    uuid: str
    """Seeds the scenarios; survives a copy."""
    pace_text: str | None
    """The pace file the journal was created with, as read."""
    pace_name: str | None
    rehearsal: bool
    zero: datetime | None
    """Instant of PET 0; None before the clock was started."""
    at: float
    """PET of the last event in force that counts in time; 0 without events."""
    number: int
    """Number of the last event of the journal that was folded in or withdrawn."""
    events: tuple[Recorded, ...]
    """Events in force, in the order of (`at`, number)."""
    tasks: Mapping[str, TaskState]
    steps: Mapping[str, StepState]
    order: Mapping[str, tuple[str, ...]]
    """Per crew member the open steps in the order in which they will do them, current step first,
    closeout last."""
    current: Mapping[str, str | None]
    """Per crew member the current step. A joint step can be current for one while another still
    works elsewhere."""
    free_since: Mapping[str, float]
    """Per crew member the end of their previous step or hold."""
    holds: Mapping[str, Hold]
    limits: Mapping[str, float]
    """Every elapsed limit by name as PET seconds, changes and the actual zero taken in."""
    limit_crew: Mapping[str, tuple[str, ...]]
    reserves: Mapping[tuple[str, str], float]
    """(crew or `*`, consumable) to the reserve in force."""
    readings: tuple[Reading, ...]
    spent: Mapping[str, tuple[Stretch, ...]]
    """Per crew member intervals that tile PET 0 to the present without a gap."""
    observations: tuple[Observation, ...]
    openings: Mapping[str, tuple[tuple[float, float], ...]]
    """Per window the intervals in PET seconds, slip and `seen` taken in, to four times the limit."""
    planned: Mapping[str, tuple[float, float]]
    """Planned (start, finish) of every step in the as-planned course with everything in; an added step
    takes the place of the step before which it came."""
    needs: Mapping[str, tuple[str, ...]]
    """Per open step the *open* steps that must finish first, needs of ended ones inherited."""
    open_items: tuple[OpenItem, ...]
    entered: Mapping[str, float]
    silent: Mapping[str, float]
    """Crew members out of voice contact, since when."""
    last_heard: Mapping[str, float]
    """Per crew member the PET of the last event that came from or named them."""
    recall: Mapping[str, Recall]
    """Per crew member called home."""
    decisions: tuple[Decision, ...]
    acknowledged: frozenset[str]
    closed: float | None
    """PET of `closed`, else None."""
    warnings: tuple[tuple[int, str], ...]
    """(event number, what was unusual about it)."""
    fold: Folded
    """The fold that made this; `suppose` goes on from it."""
    raised: tuple[Raised, ...] = ()
    """All that was raised, open and settled, in the order of (`at`, number)."""
    too_early: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Per step that is done before what it needs, the needs that are still open."""

    def suppose(self, *events: Mapping[str, Any]) -> Progress:
        """Return this progress with supposed events added; `at` missing means the last event's.

        Raises EventError when one is impossible.
        """
        return self.fold.suppose(events)

    def open_at(self, now: float) -> tuple[OpenItem, ...]:
        """Return the items that are open at `now`, not before the last event.

        They are `open_items` and what steps open that have begun since then by themselves.
        """
        closer = {item: one.step.id for one in self.steps.values() for item in one.step.closes}
        since = (
            OpenItem(item, one.step.id, closer[item])
            for one in self.steps.values()
            if one.began is not None and self.at < one.began <= now
            for item in one.step.opens
        )
        return (*self.open_items, *since)

    def missing(self, step: str) -> tuple[str, ...]:
        """Return who of a joint step's crew does not have it as current step."""
        return tuple(c for c in self.steps[step].crew if self.current.get(c) != step)


def step_status(progress: Progress, step: str, at: float, *, recorded: bool = False) -> StepStatus:
    """How a step stands at an instant: ended somehow, at work, held, next but waiting, or merely open.

    `recorded`: as the table `as_run` keeps it, to which a step waits before the clock starts, and is held
    only by the hold of somebody who is at it already.
    """
    s = progress.steps[step]
    if s.ended is not None:
        return s.ended
    there = [c for c in s.crew if progress.current.get(c) == step]
    if not there or (progress.zero is None and not recorded):
        return "open"
    if any(c in progress.holds for c in (there if recorded else s.crew)):
        return "held"
    return "current" if s.running_since is not None and s.running_since <= at else "waiting"


def last_awaited(progress: Progress, step: str, ends: Mapping[str, float]) -> tuple[str, float] | None:
    """The work that a step waits for longest, `need STEP` or `crew WHO`, and its end by `ends`, else 0."""
    before = {f"need {need}": ends.get(need, 0.0) for need in progress.needs.get(step, ())}
    for member in progress.missing(step):
        work = takewhile(step.__ne__, progress.order.get(member, ()))
        before[f"crew {member}"] = max((ends.get(one, 0.0) for one in work), default=0.0)
    return max(before.items(), key=lambda one: one[1], default=None)


def waits_for(progress: Progress, step: str, ends: Mapping[str, float]) -> str | None:
    """What a step waits for, as `StepState.waited_for` says it: on record, else what is missing longest."""
    s = progress.steps[step]
    if any(c in progress.holds for c in s.crew):
        return "hold"
    if s.waited_for is not None:
        return s.waited_for
    awaited = last_awaited(progress, step, ends)
    window = f"window {s.step.windows[0]}" if s.step.windows else None
    return awaited[0] if awaited else window if s.gone else "go"


def letters(progress: Progress) -> Mapping[str, str]:
    """Return the letter of every optional task, `a` first: as planned, then as added; it never changes."""
    named = [task.id for task in progress.plan.tasks if task.optional]
    for event in progress.fold.recorded:
        task = event.body.get("task") if event.kind == "added" else None
        if isinstance(task, Mapping) and task.get("priority") in ("should", "get-ahead"):
            named.append(str(task.get("id")))
    return {task: _letter(place) for place, task in enumerate(named) if task in progress.tasks}


def _letter(place: int) -> str:
    """Return `a` to `z`, then `aa`, `ab` and so on."""
    tens, unit = divmod(place, 26)
    return (_letter(tens - 1) if tens else "") + chr(ord("a") + unit)


def done_share(progress: Progress) -> float:
    """The share of the planned work, in crew members' time, that is done; 1 where nothing was to be done."""
    done = planned = 0.0
    for s in progress.steps.values():
        seconds = s.step.time.likely * max(len(s.crew), 1)
        if s.ended in (None, "done"):
            planned += seconds
            done += seconds if s.ended == "done" else 0.0
    return done / planned if planned else 1.0


def inside_at(progress: Progress, member: str) -> float | None:
    """The PET at which a crew member came in; None while nobody can know.

    It is their `entered`, else the end of their last step once none is open. Once the excursion is closed
    whoever left closeout work undone came in no later than that.
    """
    if member in progress.entered:
        return progress.entered[member]
    closed = progress.closed is not None
    unfinished = any(
        s.ended is None or (closed and s.ended == "left" and progress.tasks[s.step.task].task.closeout)
        for s in progress.steps.values()
        if member in s.crew
    )
    last = None if unfinished else last_done(progress, member)
    return progress.closed if last is None else last


def supposed_at(progress: Progress, now: float) -> int:
    """Return the PET, in whole seconds, of what is supposed to happen at the present instant."""
    return int(max(progress.at, now))


def all_called(progress: Progress) -> bool:
    """Whether everybody outside is called home or inside."""
    outside = progress.plan.outside
    return bool(outside) and all(c in progress.recall or c in progress.entered for c in outside)


def open_items(progress: Progress, now: float) -> tuple[Mapping[str, str], ...]:
    """Return what is open at `now`."""
    return tuple(
        {"item": item.item, "opened_by": item.opened_by, "closed_by": item.closed_by}
        for item in progress.open_at(now)
    )


def called(progress: Progress) -> str | None:
    """Return the recall in force; of several, the more urgent."""
    calls = {recall.call for recall in progress.recall.values()}
    return "at once" if "at once" in calls else "home" if calls else None


def last_done(progress: Progress, member: str) -> float | None:
    """Return when this crew member's last step was done, None without one."""
    done = (s.done for s in progress.steps.values() if s.ended == "done" and member in s.crew)
    return max((at for at in done if at is not None), default=None)
