"""The fold: all events of a journal, those withdrawn left out, and what they add up to. Cheap to extend.

Events fold in the order of (`at`, number). Hidden here: which of them count, and when, after undo, redo and
corrected times; what holds for every kind before its own effect; the states kept on the way, so that a late
event folds again only what comes after it; and supposed events, which go the same way as recorded ones.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import cached_property
from operator import attrgetter
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import calendar_fault, format_instant, parse_instant, pet_of
from tracker.journal import folding
from tracker.journal.events import Parsed, parse_event
from tracker.journal.folding import (  # noqa: F401 (the table names what is in them)
    conditions,
    plan_changes,
    work,
)
from tracker.journal.folding.begin import start_waiting
from tracker.journal.folding.setup import beyond, first_state, horizon_s
from tracker.journal.folding.state import Saved, SharedList, State, named, pet, refuse
from tracker.journal.folding.view import show
from tracker.journal.kinds import ABOUT_EVENTS, AFTER_CLOSED, BEFORE_ZERO, KINDS
from tracker.journal.progress import Folded, Progress, Recorded, together
from tracker.plan.model import Plan

Effect = Callable[[State, Recorded, float], None]

EFFECTS: Mapping[str, Effect] = {
    kind.name: attrgetter(kind.effect)(folding) for kind in KINDS if kind.effect is not None
}
"""What each kind does to the state, as the table names it."""

_STILL = frozenset(kind.name for kind in KINDS if not kind.begins)
_NOT_HEARD = frozenset(kind.name for kind in KINDS if not kind.heard)


def apply(state: State, event: Recorded) -> None:
    """Change a state by one event; EventError, and a state to be thrown away, when it is impossible."""
    at = max(0.0, event.at)
    if event.at < 0 and event.kind not in BEFORE_ZERO:
        refuse(event, "nothing of this kind happens before zero")
    if state.zero is None and event.kind not in BEFORE_ZERO and event.kind != "zero":
        refuse(event, "the clock has not started; record `zero` first")
    if state.closed is not None and at > state.closed and event.kind not in AFTER_CLOSED:
        refuse(event, f"the excursion was closed at {pet(state.closed)}")
    try:
        EFFECTS[event.kind](state, event, at)
    except (KeyError, TypeError, ValueError) as error:
        raise EventError(f"{named(event)}: event {event.number} is damaged ({error!r})") from error
    state.at = max(state.at, at)
    conditions.answered(state, event, at)
    _hear(state, event, at)
    if event.kind not in _STILL:
        start_waiting(state, at)


def _hear(state: State, event: Recorded, at: float) -> None:
    """Note from whom, or of whom, there was word."""
    named = event.body.get("crew")
    if named is None:
        step = event.body.get("step")
        who = state.steps[step].crew if step is not None and event.kind not in _NOT_HEARD else ()
    else:
        who = (named,) if isinstance(named, str) else named
    for c in (*who, event.body.get("by")):
        if c in state.mark:
            state.heard[c] = at


def _standing(recorded: Iterable[Recorded]) -> list[Recorded]:
    """Return the events that nothing has taken back, what takes back and corrects among them, by number."""
    gone = withdrawn_numbers(recorded)
    return [event for event in recorded if event.number not in gone]


def _last_entry(events: Sequence[Recorded]) -> tuple[Recorded, ...]:
    """Return the last of some events and those it was recorded together with, the last first."""
    return tuple(event for event in reversed(events) if together(event, events[-1])) if events else ()


def withdrawn_numbers(recorded: Iterable[Recorded]) -> set[int]:
    """Return the numbers of the events that count no more."""
    gone: set[int] = set()
    # What withdraws has the greater number, so backwards every event is judged after all that judge it.
    for event in reversed(list(recorded)):
        if event.kind == "withdrawn" and event.number not in gone:
            gone.add(event.body["event"])
    return gone


def target(recorded: Iterable[Recorded], event: Recorded) -> Recorded:
    """Return the event that a `withdrawn` or `amended` is about, or refuse it."""
    events = [one for one in recorded if one.number < event.number]
    number = event.body["event"]
    found = next((one for one in events if one.number == number), None)
    if found is None:
        refuse(event, f"there is no event {number}; the last is {events[-1].number if events else 0}")
    if number in withdrawn_numbers(events):
        by = [one.number for one in events if one.kind == "withdrawn" and one.body["event"] == number]
        refuse(event, f"event {number} ({named(found)}) is already withdrawn by event {by[-1]}")
    if event.kind == "amended":
        if found.kind in ABOUT_EVENTS:
            refuse(event, f"event {number} ({found.kind}) has no time to amend; withdraw it instead")
        if (found.kind == "zero") != ("utc" in event.body):
            what = "`utc`" if found.kind == "zero" else "`at`, its PET"
            refuse(event, f"event {number} ({found.kind}) is amended by {what}")
    return found


def in_force(recorded: Iterable[Recorded]) -> list[Recorded]:
    """Return the events that count, as amended, in the order of (`at`, number)."""
    events = list(recorded)
    gone = withdrawn_numbers(events)
    amended = {
        event.body["event"]: event for event in events if event.kind == "amended" and event.number not in gone
    }
    counted = [
        _amended(event, amended.get(event.number))
        for event in events
        if event.number not in gone and event.kind not in ABOUT_EVENTS
    ]
    zero = next((event for event in counted if event.kind == "zero"), None)
    if zero is not None and _zero_amended(events, zero):
        said = amended[zero.number].number if zero.number in amended else 0
        off = [e for e in counted if e.kind == "clocked" and e.body["trust"] == "wall" and e.number < said]
        counted = [_on_clock(event, zero, parse_instant(zero.body["utc"]), off) for event in counted]
    return sorted(counted, key=lambda event: (event.at, event.number))


def _amended(event: Recorded, by: Recorded | None) -> Recorded:
    if by is None:
        return event
    if event.kind == "zero":
        return replace(event, body={**event.body, "utc": by.body["utc"]})
    return replace(event, at=by.at, stated=True)


def _zero_amended(events: Iterable[Recorded], zero: Recorded) -> bool:
    """Whether the clock was ever corrected, even if that was taken back."""
    return any(event.kind == "amended" and event.body["event"] == zero.number for event in events)


def _on_clock(event: Recorded, zero: Recorded, utc: datetime, off: Iterable[Recorded]) -> Recorded:
    """Return a stamped event at the PET that its instant has now; stated PETs stay.

    `off`: what was said, before zero was corrected, of clocks that had been off. It explains its part of the
    change for what their seats had stamped.
    """
    if event.stated or event.number <= zero.number:
        return event
    told = (one for one in off if one.seat == event.seat and one.number > event.number)
    by_s = sum(one.body["by_s"] for one in told)
    return replace(event, at=float(math.floor(pet_of(event.recorded, utc) + by_s)))


def stamp(now: datetime, zero: datetime) -> float:
    """Return the PET, in whole seconds begun, that a clock shows at an instant."""
    return float(math.floor(pet_of(now, zero)))


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOTHING_SAVED = Saved()


class Fold:
    """All events of a journal so far, folded in the order of (`at`, number); never changes once made."""

    def __init__(
        self,
        origin: _Origin,
        recorded: SharedList[Recorded],
        events: SharedList[Recorded],
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
        return Fold(origin, SharedList(), SharedList(), state)

    @property
    def origin(self) -> object:
        """What all folds of one journal go back to, and those of no other."""
        return self._origin

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

    def beyond(self, at: float | datetime) -> str | None:
        """What is said of an instant that no event may name; None of one that it may."""
        return beyond(self._state, at)

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

    def _refold(self, recorded: SharedList[Recorded], new: Recorded) -> Fold:
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
        return Fold(self._origin, recorded, SharedList(events), state, saved)

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
        fold = self
        last = self._recorded.last
        for event in events:
            fold = fold.add(_supposed(fold, event, last.recorded if last else fold.zero or _EPOCH))
        return fold.progress()

    def undo(self, seat: str | None = None) -> tuple[Recorded, ...]:
        """What undo takes back at a seat (None: at any), last first: its latest entry that counts.

        A correction is an entry like any other; what took something back is not, that is for `redo`.
        """
        own = [e for e in _standing(self._recorded) if seat in (None, e.seat) and e.kind != "withdrawn"]
        return _last_entry(own)

    def redo(self, seat: str) -> tuple[Recorded, ...]:
        """The undo of a seat that can be taken back, last first; empty where it wrote anything since."""
        own = [event for event in _standing(self._recorded) if event.seat == seat]
        newest = max((event.number for event in own if event.kind != "withdrawn"), default=0)
        again = {event.number for event in self._recorded if event.kind == "withdrawn"}
        undone = (event for event in own if event.kind == "withdrawn" and event.number > newest)
        return _last_entry([event for event in undone if event.body["event"] not in again])

    def until(self, *, at: float | None = None, known: datetime | None = None) -> Fold:
        """Return the fold of the events that happened by a PET and were recorded by an instant."""
        kept = _known(self.recorded, known)
        if at is not None:
            kept = _without(kept, {event.number for event in in_force(kept) if event.at > at})
        if len(kept) == len(self._recorded):
            return self
        if not kept:
            return Fold(self._origin, SharedList(), SharedList(), self._origin.state)
        return self._refold(SharedList(kept), kept[-1])

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
            yield Fold(self._origin, SharedList(kept), SharedList(events[:done]), state)


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


def _supposed(fold: Fold, event: Mapping[str, Any], recorded: datetime) -> Recorded:
    """Return a supposed event as if recorded; `at` missing means the last event's."""
    parsed = parse_event(event)
    check_bounds(fold, parsed, reached=fold.at)
    at = float(parsed.at) if parsed.at is not None else 0.0 if parsed.kind == "zero" else fold.at
    body = completed(fold, parsed, recorded)
    return Recorded(fold.number + 1, parsed.kind, at, True, recorded, parsed.seat or "supposed", body)


def check_bounds(fold: Folded, parsed: Parsed, *, reached: float = 0.0) -> None:
    """Refuse an event that names an instant no excursion can reach: in `at`, `until`, `due` or a limit.

    `reached`: a PET up to which the record goes, so that an `at` before it is not mistyped.
    """
    at = None if parsed.at is None or parsed.at <= reached else parsed.at
    named: list[float | datetime | None] = [parsed.body.get("until"), parsed.body.get("due"), at]
    if parsed.kind == "limited" and "." not in parsed.body["limit"]:
        named.append(conditions.limit_value(parsed.body["value"]))
    for one in named:
        if one is not None and (wrong := fold.beyond(one)):
            raise EventError(f"{parsed.kind}: {wrong}; check its hours, day and year")
    if (utc := parsed.body.get("utc")) is not None and (wrong := calendar_fault(parse_instant(utc))):
        raise EventError(f"{parsed.kind}: {wrong}; check its year")


def completed(fold: Folded, parsed: Parsed, now: datetime) -> Mapping[str, Any]:
    """The body with what the record has to say and the event may leave out: a zero's instant, a new id."""
    if parsed.kind == "zero" and "utc" not in parsed.body:
        return {**parsed.body, "utc": format_instant(now)}
    if parsed.kind == "added":
        return {**parsed.body, "task": _with_new_id(fold, parsed.body["task"])}
    return parsed.body


def _with_new_id(fold: Folded, task: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return an added task with an id that was never used, not even by work that was withdrawn."""
    known = fold.known_tasks()
    if "id" in task:
        if isinstance(task["id"], str) and task["id"] in known:
            name = plain(task["id"], most=60)
            raise EventError(f"added {name}: {name} is or was another one's id, and ids are never used again")
        return task
    n = 1
    while f"added-{n}" in known:
        n += 1
    return {"id": f"added-{n}", **task}


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
