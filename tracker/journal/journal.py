"""One excursion on record: its plan and every event, appended, then applied, then shown.

`Journal` is what the rest of the program knows of it; the store that keeps it, its chain of hashes, the fold
that is made again from what is stored, and the tables that are derived from it stay behind it.
"""

from __future__ import annotations

import contextlib
import json
import threading
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar

from tracker.foundation import clock
from tracker.foundation.errors import EventError, JournalError, PlanError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant, instant_of, whole_milliseconds
from tracker.journal.as_run import Derived, derived_rows, differences
from tracker.journal.event_checks import admit, check_together
from tracker.journal.events import Parsed, parse_event
from tracker.journal.fold import Fold
from tracker.journal.outbox import known_rows
from tracker.journal.place import Address, Place, place_of, resolved
from tracker.journal.progress import Progress, Recorded
from tracker.journal.seat import Sitting, sit
from tracker.journal.store import Again, Genesis, Lost, Raced, Row, Rows, Shown, Store, Table, seal, unseal
from tracker.journal.stores import create_store, open_store, remembered_store, watched_store
from tracker.plan.model import Plan

# A chain may be whole and still hold what no program of ours wrote, such as an event without its keys.
_UNFIT = (EventError, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, AssertionError)


def start_fold(genesis: Genesis, name: str, plan: Plan | None = None) -> Fold:
    """The fold of a journal before its first event; JournalError when its plan cannot be used."""
    try:
        plan = plan or _read_again(genesis.plan, genesis.plan_name)
    except PlanError as error:
        lines = (f"{name}: {line}" for line in error.lines)
        raise JournalError(f"{name}: this program finds faults in the journal's plan", *lines) from error
    return Fold.start(
        plan,
        uuid=genesis.uuid,
        pace_text=genesis.pace,
        pace_name=genesis.pace_name,
        rehearsal=genesis.rehearsal,
    )


@lru_cache(maxsize=64)
def _read_again(text: str, name: str) -> Plan:
    """The plan in a journal; the journals of a season often hold the same one."""
    from tracker.plan.read import parse_plan

    return parse_plan(text, file="plan", name=name, kept=True)


def replay(fold: Fold, digest: str, rows: Iterable[Row], name: str) -> tuple[Fold, str]:
    """The fold and the hash after some more rows; JournalError names the first unsound one."""
    events = []
    for number, row in enumerate(rows, fold.number + 1):
        if row.number != number:
            raise JournalError(f"{name}: event {number} is missing")
        if not row.sealed_after(digest):
            raise JournalError(f"{name}: event {number} was changed, or one before it: its hash does not fit")
        try:
            events.append(unseal(row))
        except ValueError as error:
            raise JournalError(f"{name}: event {number} cannot be read: {error}") from error
        digest = row.hash
    try:
        return fold.add_all(events), digest
    except _UNFIT:
        raise _first_impossible(fold, events, name) from None


def _first_impossible(fold: Fold, events: Iterable[Recorded], name: str) -> JournalError:
    """The error that names the first event that does not fit what came before."""
    for event in events:
        try:
            fold = fold.add(event)
        except _UNFIT as error:
            why = error.lines[0] if isinstance(error, EventError) else f"{type(error).__name__}: {error}"
            return JournalError(f"{name}: event {event.number} cannot be replayed: {plain(why, most=200)}")
    return JournalError(f"{name}: the events cannot be replayed")


def new_genesis(plan: Plan, *, pace: str | Path | None = None, rehearsal: bool = False) -> Genesis:
    """The beginning of a new journal: a fresh UUID, the plan and the pace file as read."""
    if not plan.source.strip():
        raise JournalError("the plan has no text to put into a journal; read it with read_plan")
    pace_name, pace_text = _named_pace(pace)
    created = format_instant(clock.utc_now())
    return Genesis(str(uuid.uuid4()), created, rehearsal, plan.name, plan.source, pace_name, pace_text)


def default_path(plan: Plan, utc_now: datetime) -> Path:
    """The path of a journal for which nobody gives one: `logs/`, the plan's name, UTC date and time."""
    return Path("logs") / f"{plan.name}-{utc_now:%Y%m%dT%H%M%SZ}.sqlite"


def _named_pace(pace: str | Path | None) -> tuple[str | None, str | None]:
    """Name and text of a pace file given by path or by text."""
    if pace is None:
        return None, None
    if isinstance(pace, str) and "\n" in pace:
        return "pace", pace
    from tracker.plan.read import read_text

    try:
        return Path(pace).name, read_text(str(pace), "pace")
    except PlanError as error:
        raise JournalError(*error.lines) from None


T = TypeVar("T")

_Known = tuple[Fold, str, dict[Table, Rows] | None]
"""The fold of what is on record, the last hash, and what the derived tables hold."""

_RACES = 2
"""How often others may come first before the right to write is held for the fold as well."""


class Journal(contextlib.AbstractContextManager["Journal"]):
    """An excursion's events and what they add up to, over the store that keeps them.

    Threads may share one journal; they take turns.
    """

    def __init__(self, store: Store, plan: Plan | None = None) -> None:
        """Read all of a store; JournalError when what it holds cannot be trusted or replayed.

        `plan` saves reading the plan again where it was just read.
        """
        self._store = store
        self._turn = threading.RLock()
        self._fold = start_fold(store.genesis, store.name, plan)
        self._hash = store.genesis.hash
        self._derived: dict[Table, Rows] | None = None
        self._unread = False
        """Whether there may be more, or another history, since the last look failed."""
        self.sitting = Sitting()
        """Who writes here where nobody else is named, and where presses are kept until they are on record."""
        store.changed()
        self._catch_up()

    @classmethod
    def create(
        cls,
        place: str | Place,
        plan: Plan,
        *,
        pace: str | Path | None = None,
        rehearsal: bool = False,
        uuid: str | None = None,
        outbox: str | Path | None = None,
    ) -> Journal:
        """Start a journal in a new file, or under a new name in a database.

        `pace` is a pace file's path, or its text where it holds a line break; `uuid` None is a fresh one.
        `outbox` is the folder in which to keep one; None keeps none.
        Raises JournalError when it exists or cannot be made.
        """
        genesis = new_genesis(plan, pace=pace, rehearsal=rehearsal)
        genesis = replace(genesis, uuid=uuid) if uuid else genesis
        return _seated(cls(_made(place_of(place), genesis, plan), plan), outbox)

    @classmethod
    def open(
        cls, place: str | Place, *, read_only: bool = False, outbox: str | Path | None = None
    ) -> Journal:
        """Open a journal; JournalError when it is none, damaged, locked, or not to be written.

        `outbox` is the folder in which to keep one; None keeps none.
        """
        store = open_store(place_of(place), read_only=read_only)
        try:
            return _seated(cls(store), outbox)
        except BaseException:
            store.close()
            raise

    @property
    def name(self) -> str:
        """Where the journal lives, as it is typed: the path of its file, or its address."""
        return self._store.name

    @property
    def place(self) -> Place:
        """Where the journal lives."""
        return place_of(self._store.name)

    @property
    def path(self) -> Path:
        """The journal's file, where it is one."""
        assert isinstance(self.place, Path)
        return self.place

    @property
    def notice(self) -> str | None:
        """What whoever writes here should know of the store; None where all is as it should be."""
        return self._store.notice

    def tell_waiting(self, tell: Callable[[str], object]) -> None:
        """Have somebody told for whom a write waits, once it has waited for a second."""
        self._store.tell = tell

    @property
    def plan(self) -> Plan:
        """The plan it was created with."""
        return self._fold.plan

    @property
    def genesis(self) -> Genesis:
        """What it was created with."""
        return self._store.genesis

    @property
    def fold(self) -> Fold:
        """The fold of every event so far."""
        return self._fold

    @property
    def number(self) -> int:
        """Number of the last event; 0 without one."""
        return self._fold.number

    @property
    def hash(self) -> str:
        """Hash of the last event, which stands for everything before it."""
        return self._hash

    def record(
        self, event: Mapping[str, Any], *, seat: str | None = None, utc_now: datetime | None = None
    ) -> int:
        """Append one event and return its number once it is durable.

        Raises EventError when the event is refused and JournalError when it could not be written; the
        journal is then as it was.
        """
        return self.record_all([event], seat=seat, utc_now=utc_now)[0]

    def record_all(
        self,
        events: Iterable[Mapping[str, Any]],
        *,
        seat: str | None = None,
        utc_now: datetime | None = None,
        sent: datetime | None = None,
        job: str | None = None,
    ) -> list[int]:
        """Append events together, all or none, and return their numbers; errors as in `record`.

        `utc_now` is the instant of the press, which the clock stamps; `sent` that at which it goes on record,
        where it had to wait.

        `job` is a UUID that names them: what was written under it before is not written again, and its
        numbers are returned.
        """
        # Milliseconds, as the file keeps them: the fold in memory must equal the one read back.
        now, pressed = whole_milliseconds(utc_now or clock.utc_now()), list(events)
        wanted = [parse_event(one) for one in pressed]
        with self._turn:
            job = self.sitting.keep(job, now, pressed, self.number) or self._store.new_job()
            own, found = seat or self.sitting.seat, self._store.job
            admitted = partial(_admitted, events=wanted, found=found, seat=own, now=now, sent=sent)
            write = partial(self._attempt, admitted, job)
            try:
                made, numbers = _answered(self._store, write)
                rows = self._read_back(made[0], numbers)
                self._fold, self._hash, self._derived = made
            except EventError as error:
                self.sitting.settle(job, "let go", words=error.lines[0], at_once=True)
                raise
            self.sitting.settle(job, "recorded", rows=rows)
        return numbers

    def _attempt(
        self, admitted: Callable[[Fold, str], tuple[Fold, str, list[Row]]], job: str | None
    ) -> tuple[_Known, list[int]]:
        """Fold events and write them, unless others come in between; written before, they are found."""
        self._catch_up()
        try:
            fold, digest, added = admitted(self._fold, self._hash)
            with self._store.writing(job):
                for row in added:
                    self._store.append(row)
                derived = _derive(self._store, fold.progress(), self._derived, self._fold)
        except EventError:
            if job is None or (found := self._store.job(job)) is None:
                raise
        except Again as again:
            found = again.first, again.last
        else:
            return (fold, digest, derived), [row.number for row in added]
        self._catch_up()
        return (self._fold, self._hash, self._derived), list(range(found[0], found[1] + 1))

    def _read_back(self, fold: Fold, numbers: Sequence[int]) -> list[Row]:
        """The rows just written, as a fold has them; JournalError unless they are there: it is a promise."""
        rows = self.rows(numbers)
        wanted = fold.recorded[numbers[0] - 1 : numbers[-1]] if numbers else ()
        if tuple(unseal(row) for row in rows) != wanted:
            raise JournalError(f"{self._store.name}: event {numbers[-1]} was written, and is not there")
        return rows

    def rows(self, numbers: Sequence[int]) -> list[Row]:
        """The rows of some events that follow one another, as they stand in the store."""
        with self._turn:
            return self._store.rows(numbers[0] - 1)[: len(numbers)] if numbers else []

    def refresh(self) -> bool:
        """Take in what another process appended; whether there was anything. Cheap when there was not."""
        with self._turn:
            self._unread = self._store.changed() or self._unread
            news = self._unread and self._catch_up()
            self._unread = False
        return news

    def wait(self, seconds: float) -> None:
        """Let time pass until somebody may have written, at most so long."""
        self._store.wait(seconds)

    def progress(self, at: float | None = None, known: float | bool | None = None) -> Progress:
        """The progress that the events add up to.

        `at`: only events that happened by this PET. `known`: only those recorded by this PET, or by `at`
        when it is True.
        """
        known = at if known is True else None if known is False else known
        if at is None and known is None:
            return self._fold.progress()
        by = None if known is None else _instant(known, self._fold.progress().zero, self.name)
        return self._fold.until(at=at, known=by).progress()

    def warnings_of(self, number: int) -> tuple[str, ...]:
        """All that is unusual about an event, in words."""
        return tuple(text for event, text in self._fold.progress().warnings if event == number)

    def write_estimate(self, estimate: Mapping[str, Any], number: int) -> None:
        """Keep an estimate (as the contract's JSON) as it was shown after event `number`."""
        text = json.dumps(estimate, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        shown = format_instant(clock.utc_now())
        with self._turn, self._store.writing():
            self._store.show(Shown(number, float(estimate["at"]), shown, text))

    def estimates(self, after: int = 0) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""
        with self._turn:
            return self._store.shown(after)

    def close(self) -> None:
        """Let go of the store; a second call does nothing."""
        with self._turn:
            self.sitting.close()
            self._store.close()

    def __exit__(self, *_: object) -> None:
        self.close()

    def _catch_up(self) -> bool:
        """Fold in what the store has beyond what is known here."""
        rows = self._store.rows(self._fold.number)
        if rows:
            self._fold, self._hash = replay(self._fold, self._hash, rows, self._store.name)
            self.sitting.saw(rows)
            self._derived = None
        return bool(rows)


def _answered(store: Store, write: Callable[[], T]) -> T:
    """What writing comes to; where the answer was lost it is asked for once more, under the same name."""
    with contextlib.suppress(Lost):
        return _in_turn(store, write)
    return _in_turn(store, write)


def _in_turn(store: Store, write: Callable[[], T]) -> T:
    """What writing comes to, whoever else writes: who was raced twice gets a turn."""
    for _ in range(_RACES):
        with contextlib.suppress(Raced):
            return write()
    with store.turn():
        return write()


def _made(place: Place, genesis: Genesis, plan: Plan) -> Store:
    """A new store that holds what a plan comes to before its first event."""
    at_first = start_fold(genesis, str(place), plan).progress()

    def fill(new: Store) -> None:
        with new.writing():
            _derive(new, at_first)

    return create_store(place, genesis, fill)


def _instant(pet_s: float, zero: datetime | None, name: str) -> datetime:
    if zero is None:
        raise JournalError(f"{name}: the clock was never started, so no PET says what was known when")
    return instant_of(pet_s, zero)


def _admitted(
    fold: Fold,
    digest: str,
    *,
    events: Sequence[Parsed],
    found: Callable[[str], tuple[int, int] | None],
    now: datetime,
    sent: datetime | None,
    seat: str,
) -> tuple[Fold, str, list[Row]]:
    """The fold and the hash after some more events, and their rows; EventError says why they cannot be.

    `found` gives the numbers of what was written under a name.
    """
    check_together(fold, events)
    rows = []
    for event in (one for each in events for one in _numbered(each, found)):
        one, fold, _ = admit(fold, event, utc_now=now, sent=sent, seat=seat)
        rows.append(seal(one, digest))
        digest = rows[-1].hash
    return fold, digest, rows


def _numbered(event: Parsed, found: Callable[[str], tuple[int, int] | None]) -> list[Parsed]:
    """What takes back a press by its name, as what takes back each of its events, the last first."""
    if event.kind != "withdrawn" or "job" not in event.body:
        return [event]
    if (numbers := found(event.body["job"])) is None:
        raise EventError(f"withdrawn: no press {event.body['job']} is on record here")
    rest = {key: value for key, value in event.body.items() if key != "job"}
    first, last = numbers
    return [replace(event, body={**rest, "event": number}) for number in range(last, first - 1, -1)]


def _derive(
    store: Store, progress: Progress, known: Derived | None = None, fold: Fold | None = None
) -> dict[Table, Rows]:
    """Bring the derived tables up to date, touching only rows that changed; return them.

    `known` is what the store is known to hold, for the events of `fold`; without it the store is asked.
    """
    wanted = derived_rows(
        progress, (fold.progress(), known) if fold is not None and known is not None else None
    )
    for table, rows in wanted.items():
        put, gone = differences(store.derived(table) if known is None else known[table], rows)
        store.derive(table, put, gone)
    return wanted


def watched(place: Place) -> Journal:
    """A journal to look on at; what is asked of a server is shared with this machine's other watchers.

    Raises JournalError when it is none, damaged, or not to be reached.
    """
    store = watched_store(place)
    try:
        return Journal(store)
    except BaseException:
        store.close()
        raise


def open_again(place: Place, outboxes: Path) -> Journal:
    """The journal at a place; where its server does not answer, as this machine's outboxes know it."""
    try:
        return Journal.open(place)
    except Lost:
        known = list(known_rows([outboxes], (), resolved(place)))
        if not known or not isinstance(place, Address):
            raise
        return Journal(remembered_store(place, *max(known, key=lambda one: len(one[1]))))


def _seated(journal: Journal, outbox: str | Path | None) -> Journal:
    """A journal with somebody at it who keeps an outbox, where one is asked for."""
    if outbox is not None:
        sit(journal, Path(outbox))
    return journal
