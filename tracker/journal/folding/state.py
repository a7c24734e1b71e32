"""Where an excursion stands while events are applied: one record that is copied, then changed in place."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NoReturn

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_pet
from tracker.journal.folding.batch import Batch
from tracker.journal.folding.trail import Trail
from tracker.journal.progress import (
    Decision,
    Hold,
    Interval,
    Observation,
    Reading,
    Recall,
    Recorded,
    StepState,
)
from tracker.plan.model import Plan, Task

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
    spent: dict[str, Trail[Interval]]
    """Per crew member their time up to their mark, less what their open batch will add."""
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
    observations: Trail[Observation] = field(default_factory=Trail)
    readings: Trail[Reading] = field(default_factory=Trail)
    decisions: Trail[Decision] = field(default_factory=Trail)
    warnings: Trail[tuple[int, str]] = field(default_factory=Trail)

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
    *("steps", "queue", "current", "mark", "spent", "batches", "firm", "cause", "suspended"),
    *("waited_to", "held_to", "holds", "went", "earliest", "dropped", "limits", "reserves", "seen"),
    *("entered", "silent", "heard", "recall", "site"),
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
    return format_pet(at, with_seconds=True)


def on_record(state: State, step: str) -> str:
    """Return how a step ended, for a message."""
    s = state.steps[step]
    when = f" at {pet(s.done)}" if s.done is not None else ""
    by = f" (event {s.done_number})" if s.done_number is not None else ""
    return f"{step} was {s.ended}{when}{by}"
