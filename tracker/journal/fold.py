"""The fold: every event of a journal, and what those in force add up to. A value that is cheap to extend."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from tracker.foundation.errors import EventError
from tracker.journal.events import ABOUT_EVENTS
from tracker.journal.folding.apply import apply
from tracker.journal.folding.force import in_force, target
from tracker.journal.folding.saved import Saved
from tracker.journal.folding.setup import first_state, horizon_s
from tracker.journal.folding.state import State, named
from tracker.journal.folding.trail import Trail
from tracker.journal.folding.view import show
from tracker.journal.progress import Progress, Recorded
from tracker.plan.model import Plan

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOTHING_SAVED = Saved()


class Fold:
    """All events of a journal so far, folded in the order of (`at`, number); never changes once made."""

    def __init__(
        self,
        origin: _Origin,
        recorded: Trail[Recorded],
        events: Trail[Recorded],
        state: State,
        saved: Saved = _NOTHING_SAVED,
    ) -> None:
        self._origin = origin
        self._recorded = recorded
        self._events = events
        self._state = state
        self._saved = saved

    @staticmethod
    def start(
        plan: Plan,
        *,
        uuid: str,
        pace_text: str | None = None,
        pace_name: str | None = None,
        rehearsal: bool = False,
    ) -> Fold:
        """Return the fold of a journal without events."""
        state = first_state(plan)
        origin = _Origin(state, uuid, pace_text, pace_name, rehearsal)
        return Fold(origin, Trail(), Trail(), state)

    @property
    def plan(self) -> Plan:
        """The plan it started from."""
        return self._state.plan

    @property
    def number(self) -> int:
        """Number of the last event; 0 without one."""
        last = self._recorded.last
        return last.number if last is not None else 0

    @property
    def recorded(self) -> tuple[Recorded, ...]:
        """Every event by number, also those that were withdrawn."""
        return self._recorded.as_tuple()

    @property
    def zero(self) -> datetime | None:
        """Instant of PET 0 by the events in force."""
        return self._state.zero

    @property
    def at(self) -> float:
        """PET of the last event in force."""
        return self._state.at

    @property
    def closed(self) -> float | None:
        """PET at which the excursion was closed."""
        return self._state.closed

    @property
    def sequence(self) -> tuple[str, ...]:
        """Every step in the order of work; each crew member's own order is the part that is theirs."""
        return self._state.sequence

    @property
    def horizon_s(self) -> float:
        """The greatest PET that an event may have."""
        return horizon_s(self._state)

    @property
    def warnings(self) -> tuple[tuple[int, str], ...]:
        """(event number, what is unusual about it)."""
        return self._state.warnings.as_tuple()

    def known_tasks(self) -> frozenset[str]:
        """Return the ids of all tasks and steps that there ever were, also of withdrawn additions."""
        added = (event.body["task"].get("id") for event in self._recorded if event.kind == "added")
        return frozenset((*self._state.tasks, *self._state.steps, *(id for id in added if id is not None)))

    def add(self, event: Recorded) -> Fold:
        """Return the fold with one more event; EventError, naming what it contradicts, when it cannot be."""
        return self.add_all((event,))

    def add_all(self, events: Iterable[Recorded]) -> Fold:
        """Return the fold with more events, in the order of their numbers; EventError as in `add`."""
        recorded, folded, saved = self._recorded, self._events, self._saved
        state: State | None = None
        ahead = False
        new = None
        for event in events:
            new = event
            if event.number <= (recorded.last.number if recorded.last else 0):
                raise EventError(f"{named(event)}: event {event.number} is already on record")
            recorded = recorded.add(event)
            if event.kind in ABOUT_EVENTS:
                target(recorded, event)
                ahead = True
            elif folded.last is not None and _place(event) < _place(folded.last):
                ahead = True
            if not ahead:
                state = state or self._state.copy()
                apply(state, event)
                folded = folded.add(event)
                saved = saved.keep(len(folded), state)
        if new is None:
            return self
        if ahead or state is None:
            return self._refold(recorded, new)
        return Fold(self._origin, recorded, folded, state, saved)

    def _refold(self, recorded: Trail[Recorded], new: Recorded) -> Fold:
        events = in_force(recorded)
        saved = self._saved.until(_alike(self._events.as_tuple(), events))
        done, state = saved.last or (0, self._origin.state)
        state = state.copy()
        for n, event in enumerate(events[done:], done + 1):
            try:
                apply(state, event)
            except EventError as error:
                if event.number == new.number:
                    raise
                said = (f"event {event.number} would be impossible: {line}" for line in error.lines)
                raise EventError(*(f"{named(new)}: {line}" for line in said)) from error
            saved = saved.keep(n, state)
        return Fold(self._origin, recorded, Trail(events), state, saved)

    def progress(self) -> Progress:
        """Return what the events in force add up to."""
        return self._progress

    @cached_property
    def _progress(self) -> Progress:
        origin = self._origin
        return show(
            self._state,
            self,
            uuid=origin.uuid,
            pace_text=origin.pace_text,
            pace_name=origin.pace_name,
            rehearsal=origin.rehearsal,
            number=self.number,
            events=self._events.as_tuple(),
        )

    def suppose(self, events: Iterable[Mapping[str, Any]]) -> Progress:
        """Return the progress with supposed events added; `at` missing means the last event's.

        Raises EventError when one is malformed or impossible.
        """
        from tracker.journal.admission import supposed

        fold = self
        last = self._recorded.last
        for event in events:
            fold = fold.add(supposed(fold, event, last.recorded if last else fold.zero or _EPOCH))
        return fold.progress()

    def until(self, *, at: float | None = None, known: datetime | None = None) -> Fold:
        """Return the fold of the events that happened by a PET and were recorded by an instant."""
        kept = _known(self.recorded, known)
        if at is not None:
            kept = _without(kept, {event.number for event in in_force(kept) if event.at > at})
        if len(kept) == len(self._recorded):
            return self
        if not kept:
            return Fold(self._origin, Trail(), Trail(), self._origin.state)
        return self._refold(Trail(kept), kept[-1])

    def through(self, instants: Iterable[float]) -> Iterator[Fold]:
        """Yield what `until` gives at each PET of an ascending row, each folded on from the one before."""
        recorded, events = self.recorded, self._events.as_tuple()
        state, done = self._origin.state, 0
        for at in instants:
            state, before = state.copy(), done
            done = bisect_right(events, at, key=lambda event: event.at)
            for event in events[before:done]:
                apply(state, event)
            kept = _without(recorded, {event.number for event in events[done:]})
            yield Fold(self._origin, Trail(kept), Trail(events[:done]), state)


class _Origin:
    """What a fold starts from."""

    def __init__(
        self, state: State, uuid: str, pace_text: str | None, pace_name: str | None, rehearsal: bool
    ) -> None:
        self.state = state
        self.uuid = uuid
        self.pace_text = pace_text
        self.pace_name = pace_name
        self.rehearsal = rehearsal


def _place(event: Recorded) -> tuple[float, int]:
    return (event.at, event.number)


def _alike(some: Sequence[Recorded], others: Sequence[Recorded]) -> int:
    """Return how many events at the start are the same."""
    pairs = zip(some, others, strict=False)
    return next((n for n, (one, other) in enumerate(pairs) if one != other), min(len(some), len(others)))


def _known(events: tuple[Recorded, ...], known: datetime | None) -> list[Recorded]:
    """Return the events on record at an instant; where clocks of seats differ, with all before them."""
    if known is None:
        return list(events)
    last = max((event.number for event in events if event.recorded <= known), default=0)
    return [event for event in events if event.number <= last]


def _without(events: Iterable[Recorded], late: set[int]) -> list[Recorded]:
    """Return the events without late ones, by number, and without what was said about those."""
    gone = set(late)
    kept = []
    for event in events:
        about = event.body.get("event") if event.kind in ABOUT_EVENTS else None
        if event.number in gone or about in gone:
            gone.add(event.number)
        else:
            kept.append(event)
    return kept
