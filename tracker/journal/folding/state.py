"""The state that events change: one record that is copied, then changed in place, and what it is made of.

With it come the lists that states share, the states kept on the way, and how an effect finds what its event
names or refuses it in words that say what would be right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Generic, NoReturn, TypeVar

from tracker.foundation.errors import EventError
from tracker.foundation.text import did_you_mean, near, plain
from tracker.foundation.times import format_pet_s
from tracker.journal.progress import (
    Decision,
    Hold,
    Observation,
    Reading,
    Recall,
    Recorded,
    StepState,
    Stretch,
)
from tracker.journal.raised import Raised
from tracker.plan.model import Consumable, Plan, Task


@dataclass(frozen=True, slots=True)
class Tick:
    """One `done`, with what is known about the time before it."""

    step: str
    number: int
    at: float
    begin: float
    """When its stretch of work began, were it alone."""
    worked_s: float
    """Work time from stretches before this one."""
    planned_s: float
    crew: tuple[str, ...]
    """Who was there."""
    free: Mapping[str, float]
    """Per member of `crew` since when their time is not accounted for."""
    cause: str | None
    """What was waited for before `begin`."""
    stated: bool
    """Whether its begin was stated; such a tick stays alone."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Ticks that share their time, in order."""

    ticks: tuple[Tick, ...]

    @property
    def crew(self) -> tuple[str, ...]:
        """Everybody in it."""
        return tuple(dict.fromkeys(c for tick in self.ticks for c in tick.crew))

    def last_of(self, crew: str) -> float:
        """Return when this crew member's last tick of it was."""
        return max(tick.at for tick in self.ticks if crew in tick.crew)


T = TypeVar("T")


class SharedList(Generic[T]):
    """The first `n` items of a list. Adding gives a new one in constant time; this one stays as it is."""

    __slots__ = ("_items", "_n", "_tuple")

    def __init__(self, items: Iterable[T] = ()) -> None:
        self._items = list(items)
        self._n = len(self._items)
        self._tuple: tuple[T, ...] | None = None

    def add(self, item: T) -> SharedList[T]:
        """Return a list with one more item at its end."""
        items, n = self._items, self._n
        if len(items) != n:
            items = items[:n]
        items.append(item)
        # Another thread may have added to the same list first; then its item stands in our place.
        if items[n] is not item:
            items = [*items[:n], item]
        longer: SharedList[T] = SharedList.__new__(SharedList)
        longer._items, longer._n, longer._tuple = items, n + 1, None
        return longer

    @property
    def last(self) -> T | None:
        """The item at the end; None when there is none."""
        return self._items[self._n - 1] if self._n else None

    def as_tuple(self) -> tuple[T, ...]:
        """Return the items."""
        if self._tuple is None:
            self._tuple = tuple(self._items[: self._n])
        return self._tuple

    def __len__(self) -> int:
        return self._n

    def __iter__(self) -> Iterator[T]:
        return iter(self.as_tuple())


Spans = tuple[tuple[float, float], ...]


@dataclass(slots=True)
class State:
    """The excursion after the events so far.

    Mappings that are named `shared` are replaced, never changed; `copy` copies the others, whose values are
    values. Times are PET seconds.
    """

    plan: Plan
    tasks: Mapping[str, Task]
    """Shared: every task, planned and added."""
    needs: Mapping[str, tuple[str, ...]]
    """Shared: per step every step that it or its task names as a need."""
    opener: Mapping[str, str]
    """Shared: per item the step that opens it."""
    closer: Mapping[str, str]
    """Shared: per item the step that closes it."""
    planned: Mapping[str, tuple[float, float]]
    """Shared: planned start and finish."""
    sequence: tuple[str, ...]
    """Every step in the order of work; each crew member's own order is the part that is theirs."""
    crew: tuple[str, ...]
    steps: dict[str, StepState]
    queue: dict[str, tuple[str, ...]]
    """Per crew member their open steps in order."""
    current: dict[str, str | None]
    mark: dict[str, float]
    """Per crew member up to when their time is accounted for: the end of a step, hold or idle stretch."""
    spent: dict[str, SharedList[Stretch]]
    """Per crew member their time up to their mark, less what their open batch will add."""
    ticked: dict[str, float] = field(default_factory=dict)
    """Per crew member when they last ticked a step off."""
    added: tuple[str, ...] = ()
    zero: datetime | None = None
    at: float = 0.0
    closed: float | None = None
    batches: dict[str, Batch] = field(default_factory=dict)
    """Per crew member the ticks that another tick within seconds may still join."""
    firm: set[str] = field(default_factory=set)
    """Steps at work of which an event said so, so that no later tick of another step takes their time."""
    cause: dict[str, str] = field(default_factory=dict)
    """Per waiting step what it last waited for."""
    suspended: set[str] = field(default_factory=set)
    """Steps begun that a hold of one of their crew holds."""
    waited_to: dict[str, float] = field(default_factory=dict)
    held_to: dict[str, float] = field(default_factory=dict)
    """Per step up to when waiting and hold time are counted, so that a crew's time counts once."""
    holds: dict[str, Hold] = field(default_factory=dict)
    went: dict[str, float] = field(default_factory=dict)
    earliest: dict[str, float] = field(default_factory=dict)
    """Per step that came, changed hands, came back or was broken off: since when it can be done."""
    dropped: dict[str, int] = field(default_factory=dict)
    """Per task given up the number of the event."""
    taken_up: frozenset[str] = frozenset()
    """Steps of given-up work that a person took up all the same."""
    committed: frozenset[str] = frozenset()
    limits: dict[str, float | datetime] = field(default_factory=dict)
    reserves: dict[tuple[str, str], float] = field(default_factory=dict)
    seen: dict[str, float] = field(default_factory=dict)
    openings: Mapping[str, Spans] = field(default_factory=dict)
    """Shared."""
    entered: dict[str, float] = field(default_factory=dict)
    silent: dict[str, float] = field(default_factory=dict)
    heard: dict[str, float] = field(default_factory=dict)
    recall: dict[str, Recall] = field(default_factory=dict)
    site: dict[str, str] = field(default_factory=dict)
    """Per crew member the last site at which they finished a step."""
    acknowledged: frozenset[str] = frozenset()
    raised: dict[int, Raised] = field(default_factory=dict)
    """Per number of an event what it raised."""
    observations: SharedList[Observation] = field(default_factory=SharedList)
    readings: SharedList[Reading] = field(default_factory=SharedList)
    decisions: SharedList[Decision] = field(default_factory=SharedList)
    warnings: SharedList[tuple[int, str]] = field(default_factory=SharedList)

    def copy(self) -> State:
        """Return a state that may be changed without changing this one."""
        twin = copy(self)
        for name in _OWN:
            setattr(twin, name, getattr(self, name).copy())
        return twin

    def change(self, name: str, /, **changes: Any) -> StepState:
        """Replace fields of one step and return it."""
        self.steps[name] = changed = replace(self.steps[name], **changes)
        return changed

    def warn(self, event: Recorded, text: str) -> None:
        """Note what is unusual about an event."""
        self.warnings = self.warnings.add((event.number, plain(text, most=300)))

    def members(self, step: str) -> list[str]:
        """Return who of a step's crew is at it."""
        return [c for c in self.steps[step].crew if self.current[c] == step]

    def at_work(self, step: str, at: float) -> bool:
        """Whether work on a step is under way at an instant."""
        since = self.steps[step].running_since
        return since is not None and since <= at


_OWN = (
    *("steps", "queue", "current", "mark", "spent", "ticked", "batches", "firm", "cause", "suspended"),
    *("waited_to", "held_to", "holds", "went", "earliest", "dropped", "limits", "reserves", "seen"),
    *("entered", "silent", "heard", "recall", "site", "raised"),
)


def refuse(event: Recorded, why: str) -> NoReturn:
    """Raise the EventError of an impossible event: which one, when, and what it contradicts."""
    raise EventError(f"{named(event)}: {plain(why, most=500)}")


def named(event: Recorded) -> str:
    """Return an event in words, such as `done egress.1 at 0:08:30`."""
    body = event.body
    subject = body.get("step") or body.get("task") or body.get("crew") or body.get("limit")
    subject = subject or body.get("window") or body.get("event") or ""
    if isinstance(subject, Mapping):
        subject = subject.get("id", "")
    if isinstance(subject, list | tuple):
        subject = " ".join(str(one) for one in subject)
    what = plain(f"{event.kind} {subject}".strip(), most=80)
    return f"{what} at {pet(event.at)}"


def pet(at: float) -> str:
    """Return a PET with its seconds, as messages write it."""
    return format_pet_s(at)


def on_record(state: State, step: str) -> str:
    """Return how a step ended, for a message."""
    s = state.steps[step]
    when = f" at {pet(s.done)}" if s.done is not None else ""
    by = f" (event {s.done_number})" if s.done_number is not None else ""
    return f"{step} was {s.ended}{when}{by}"


def the_step(state: State, event: Recorded, key: str = "step") -> StepState:
    """Return the step that an event names."""
    step = event.body[key]
    if step not in state.steps:
        why = f"there is no step {step}"
        if step in state.tasks:
            ids = [one.id for one in state.tasks[step].steps]
            why = f"{step} is a task; its steps are {', '.join(ids[:8])}"
        refuse(event, why + did_you_mean(near(step, state.steps)))
    return state.steps[step]


def the_task(state: State, event: Recorded, key: str = "task") -> Task:
    """Return the task that an event names."""
    task = event.body[key]
    if task not in state.tasks:
        refuse(event, f"there is no task {task}{did_you_mean(near(task, state.tasks))}")
    return state.tasks[task]


def the_crew(state: State, event: Recorded) -> tuple[str, ...]:
    """Return the crew members that an event names, all where it names none."""
    named = event.body.get("crew")
    if named is None:
        return state.crew
    for c in (named,) if isinstance(named, str) else named:
        if c not in state.crew:
            refuse(event, f"there is no crew member {c}; the crew is {', '.join(state.crew)}")
    return (named,) if isinstance(named, str) else tuple(named)


def the_consumable(state: State, event: Recorded, name: str, crew: str) -> Consumable:
    """Return a consumable that this crew member has; `*` stands for a shared store."""
    consumables = state.plan.consumable
    if name not in consumables:
        refuse(event, f"there is no consumable {name}{did_you_mean(near(name, consumables))}")
    found = consumables[name]
    if found.shared and crew != "*":
        refuse(event, f"{name} is one store for all; its crew is `*`, not {crew}")
    if not found.shared and crew not in found.crew:
        what = f"{name} is no shared store" if crew == "*" else f"{crew} has no {name}"
        refuse(event, f"{what}; name one of {', '.join(found.crew)}")
    return found


EVERY = 32
"""A state is kept after so many events."""
_MOST = 24
"""Beyond this every other of the older half is let go."""


@dataclass(frozen=True, slots=True)
class Saved:
    """States by the number of events they had folded, ascending. Never changed, and neither are they."""

    states: tuple[tuple[int, State], ...] = ()

    def keep(self, events: int, state: State) -> Saved:
        """Return these and one more, where it is time for one."""
        if events % EVERY:
            return self
        states = (*self.states, (events, state.copy()))
        if len(states) > _MOST:
            half = len(states) // 2
            states = (*states[:half:2], *states[half:])
        return Saved(states)

    def until(self, events: int) -> Saved:
        """Return those that had folded at most so many events."""
        return Saved(tuple(one for one in self.states if one[0] <= events))

    @property
    def last(self) -> tuple[int, State] | None:
        """The one that had folded most; None without any."""
        return self.states[-1] if self.states else None
