"""What a place for journals must be able to do, and the chain of hashes that every one keeps.

The hash of an event is SHA-256, in hexadecimal, over the hash before it, a line feed, and the row as a JSON
array `[number, kind, at, stated, recorded, seat, body]` in UTF-8 without spaces, `body` being the stored
text. Event 1 follows the hash of the genesis: the same over what the journal was created with.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal, Protocol

from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.times import format_instant
from tracker.journal.progress import Recorded

APPLICATION_ID = 0x54524B4A
"""Marks a SQLite file as a journal of ours (the letters TRKJ)."""


FORMAT = 1
"""The format of journals that this program writes, and the newest that it reads."""

# Encoders are kept: making one costs as much as a row.
_compact = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
_canonical = json.JSONEncoder(
    ensure_ascii=False, separators=(",", ":"), allow_nan=False, sort_keys=True
).encode

Table = Literal["as_run", "as_spent"]
"""The tables that are derived from the events."""

AS_RUN = [
    *("task", "step", "do", "crew", "work", "status"),
    *("planned_start", "planned_finish", "planned_duration"),
    *("actual_start", "actual_finish", "actual_duration", "variance", "waited", "held"),
    *("begin_kind", "entry_lag", "seat"),
]
"""Columns of `as_run`; times in seconds."""

AS_SPENT = ["crew", "start", "finish", "kind", "step", "cause"]
"""Columns of `as_spent`; times in seconds."""

COLUMNS: Mapping[Table, Sequence[str]] = {"as_run": AS_RUN, "as_spent": AS_SPENT}
"""Columns of the derived tables."""

Cell = str | int | float | None
Rows = Mapping[int, tuple[Cell, ...]]
"""Rows of a derived table by their place in it."""


@dataclass(frozen=True, slots=True)
class Genesis:
    """What a journal was created with; never changes."""

    uuid: str
    """Seeds the scenarios; a copy keeps it."""
    created: str
    """RFC 3339 instant."""
    rehearsal: bool
    plan_name: str
    plan: str
    """The plan file as read."""
    pace_name: str | None = None
    pace: str | None = None
    """The pace file as read."""
    format: int = FORMAT

    @property
    def hash(self) -> str:
        """The hash that event 1 follows."""
        values = [self.format, self.uuid, self.created, self.rehearsal]
        return _hash("tracker journal", [*values, self.plan_name, self.plan, self.pace_name, self.pace])


@dataclass(frozen=True, slots=True)
class Row:
    """One row of `events`."""

    number: int
    kind: str
    at: float
    stated: bool
    recorded: str
    seat: str
    body: str
    hash: str

    def sealed_after(self, before: str) -> bool:
        """Whether the hash is that of this row after the hash `before`."""
        try:
            return self.hash == _row_hash(before, self)
        except ValueError:
            # An infinite `at` is in no row that was ever sealed.
            return False


class History:
    """What was read and written at a place so far, as the hash of every event by its number."""

    def __init__(self) -> None:
        self.hashes: dict[int, str] = {}
        self.last = 0
        """The greatest number."""

    def note(self, rows: Sequence[Row]) -> None:
        """Take in what was read or written."""
        self.hashes.update((row.number, row.hash) for row in rows)
        self.last = max(self.last, rows[-1].number if rows else 0)

    def behind(self, who: str, after: int, read: Callable[[int], list[Row]]) -> list[Row]:
        """What is there behind an event; Forked where that one is another than it was, or gone."""
        before = self.hashes.get(after)
        rows = read(after if before is None else after - 1)
        if before is not None and (not rows or rows.pop(0).hash != before):
            raise self.forked(who, {row.number: row.hash for row in read(0)})
        self.note(rows)
        return rows

    def forked(self, who: str, there: Mapping[int, str]) -> Forked:
        """What is said of a place that has these hashes instead of those known."""
        wrong = next((n for n in sorted(self.hashes) if there.get(n) != self.hashes[n]), self.last)
        return Forked(
            f"{who} holds another history from event {wrong} on; nothing is written there, and what was "
            f"recorded up to event {self.last} is kept here"
        )


@dataclass(frozen=True, slots=True)
class Shown:
    """One row of `estimates`: an estimate as it was shown."""

    event: int
    """Number of the last event it took in."""
    at: float
    shown: str
    """RFC 3339 instant."""
    estimate: str
    """The estimate as JSON."""

    @property
    def digest(self) -> str:
        """SHA-256 over the row; estimates are in no chain, since they can be made again."""
        return _hash("tracker estimate", [self.event, self.at, self.shown, self.estimate])


@dataclass(frozen=True, slots=True)
class Listed:
    """One of the journals of a database."""

    name: str
    uuid: str
    created: str
    rehearsal: bool
    plan_name: str
    events: int
    hash: str
    """Of the last event."""


class Held(JournalError):
    """Somebody else holds the journal and does not let go; nothing was written, and a later try may do."""


class Raced(JournalError):
    """Somebody else wrote in between: what was to be written does not follow what is there."""


class Lost(JournalError):
    """The server does not answer: whether what was sent to it is there is not known; a later try tells."""


class Forked(JournalError):
    """The place holds another history than what was read and written there: nobody may go on as if not."""


class Again(JournalError):
    """A job was written before; `first` and `last` are its numbers."""

    def __init__(self, first: int, last: int) -> None:
        super().__init__(f"written before, as events {first} to {last}")
        self.first, self.last = first, last


class Store(Protocol):
    """Where one journal lives. Every method raises JournalError when the store fails it."""

    @property
    def genesis(self) -> Genesis:
        """What the journal was created with."""

    @property
    def name(self) -> str:
        """What to call the store in a message."""

    tell: Callable[[str], object]
    """Is told for whom a seat waits, once it has waited for a second."""

    @property
    def notice(self) -> str | None:
        """What whoever writes here should know of the store; None where all is as it should be."""

    def new_job(self) -> str | None:
        """A name for what nobody named, where an answer may be lost; None where none is needed."""

    def turn(self) -> AbstractContextManager[None]:
        """Hold the only right to write; when the block ends all of it is durable, or nothing is there."""

    def writing(self, job: str | None = None) -> AbstractContextManager[None]:
        """Collect what is to be written; when the block ends all of it is durable, or nothing is there.

        `job` names what is written: written once already it raises Again. Raises Raced when events of others
        came in between, and Held when somebody does not let go of the store.
        """

    def job(self, job: str) -> tuple[int, int] | None:
        """The first and the last number of what was written under a name; None where nothing was."""

    def rows(self, after: int = 0) -> list[Row]:
        """The events with greater numbers, in order."""

    def append(self, row: Row) -> None:
        """Add one event, inside `writing`; refused unless its number is the next."""

    def derived(self, table: Table) -> Rows:
        """The rows of a derived table."""

    def derive(self, table: Table, put: Rows, gone: Iterable[int]) -> None:
        """Put rows into their places in a derived table and take others out, inside `writing`."""

    def show(self, estimate: Shown) -> None:
        """Keep an estimate that was shown, inside `writing`."""

    def shown(self, after: int = 0) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""

    def changed(self) -> bool:
        """Whether somebody else may have written since the last call; cheap, and true the first time."""

    def wait(self, seconds: float) -> None:
        """Let time pass until somebody may have written, at most so long."""

    def close(self) -> None:
        """Let go of the store; a second call does nothing."""


class LastingStore(Store, Protocol):
    """A store that outlives the program, and so can be looked through for damage."""

    stored_hash: str
    """The hash of the genesis as it was stored."""

    def snapshot(self) -> LastingStore:
        """All of it as it stands at one instant, whoever writes meanwhile; to be closed."""

    def faults(self) -> Iterator[str]:
        """Yield what is wrong with its tables and with what guards them."""

    def estimate_faults(self) -> Iterator[str]:
        """Yield which estimates are not as they were written."""


def seal(event: Recorded, before: str) -> Row:
    """An event as the row that follows the hash `before`.

    Raises EventError for text that no file can hold.
    """
    body = _canonical(dict(event.body))
    recorded = format_instant(event.recorded)
    row = Row(event.number, event.kind, event.at + 0.0, event.stated, recorded, event.seat, body, "")
    try:
        digest = _row_hash(before, row)
    except UnicodeEncodeError as error:
        raise EventError(f"{event.kind}: text with half a character (a lone surrogate)") from error
    return replace(row, hash=digest)


def unseal(row: Row) -> Recorded:
    """The event that a row holds; ValueError when it holds none."""
    body = json.loads(row.body)
    if not isinstance(body, dict):
        raise ValueError("the body is not a JSON object")
    recorded = datetime.fromisoformat(row.recorded)
    if recorded.tzinfo is None:
        raise ValueError(f"{row.recorded!r} has no zone")
    return Recorded(row.number, row.kind, row.at, row.stated, recorded, row.seat, body)


def _row_hash(before: str, row: Row) -> str:
    return _hash(before, [row.number, row.kind, row.at, row.stated, row.recorded, row.seat, row.body])


def _hash(before: str, values: list[Any]) -> str:
    text = before + "\n" + _compact(values)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
