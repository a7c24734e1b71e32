"""One excursion on record: its plan and every event, appended, then applied, then shown."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tracker.foundation import clock
from tracker.foundation.errors import JournalError
from tracker.foundation.times import format_instant, instant_of
from tracker.journal.admission import admit, check_together
from tracker.journal.derived import derived_rows, differences
from tracker.journal.fold import Fold
from tracker.journal.origin import default_seat, new_genesis, replay, start_fold
from tracker.journal.progress import Progress
from tracker.journal.store import Genesis, Rows, Shown, Store, Table, seal
from tracker.plan.model import Plan


class Journal:
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
        store.changed()
        self._catch_up()

    @classmethod
    def create(
        cls,
        path: str | Path,
        plan: Plan,
        *,
        pace: str | Path | None = None,
        rehearsal: bool = False,
        uuid: str | None = None,
    ) -> Journal:
        """Start a journal in a new file.

        `pace` is a pace file's path, or its text where it holds a line break; `uuid` None is a fresh one.
        Raises JournalError when the file exists or cannot be made.
        """
        from tracker.journal.sqlite import SqliteStore

        genesis = new_genesis(plan, pace=pace, rehearsal=rehearsal)
        genesis = replace(genesis, uuid=uuid) if uuid else genesis
        at_first = start_fold(genesis, str(path), plan).progress()
        return cls(SqliteStore.create(Path(path), genesis, fill=lambda new: _derive(new, at_first)), plan)

    @classmethod
    def open(cls, path: str | Path, *, read_only: bool = False) -> Journal:
        """Open a journal's file; JournalError when it is none, damaged, locked, or not to be written."""
        from tracker.journal.sqlite import SqliteStore

        store = SqliteStore.open(Path(path), read_only=read_only)
        try:
            return cls(store)
        except BaseException:
            store.close()
            raise

    @classmethod
    def in_memory(
        cls, plan: Plan, *, pace: str | Path | None = None, rehearsal: bool = False, seed: str | None = None
    ) -> Journal:
        """Start a journal that no file keeps; `seed` stands in for its UUID."""
        from tracker.journal.memory import MemoryStore

        genesis = new_genesis(plan, pace=pace, rehearsal=rehearsal)
        return cls(MemoryStore(replace(genesis, uuid=seed) if seed else genesis), plan)

    @property
    def path(self) -> Path:
        """Where the journal lives."""
        return Path(self._store.name)

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
    ) -> list[int]:
        """Append events together, all or none, and return their numbers; errors as in `record`."""
        # Milliseconds, as the file keeps them: the fold in memory must equal the one read back.
        now, wanted = _milliseconds(utc_now or clock.utc_now()), list(events)
        seat = seat or default_seat()
        with self._turn:
            with self._store.writing():
                self._catch_up()
                fold, digest, added = self._fold, self._hash, []
                check_together(fold, wanted)
                for event in wanted:
                    one, fold, _ = admit(fold, event, utc_now=now, seat=seat)
                    row = seal(one, digest)
                    self._store.append(row)
                    digest = row.hash
                    added.append(row.number)
                derived = _derive(self._store, fold.progress(), self._derived)
            self._fold, self._hash, self._derived = fold, digest, derived
        return added

    def refresh(self) -> bool:
        """Take in what another process appended; whether there was anything. Cheap when there was not."""
        with self._turn:
            return self._store.changed() and self._catch_up()

    def progress(self, at: float | None = None, known: float | bool | None = None) -> Progress:
        """Return what the events add up to.

        `at`: only events that happened by this PET. `known`: only those recorded by this PET, or by `at`
        when it is True.
        """
        if known is True:
            known = at
        if at is None and (known is None or known is False):
            return self._fold.progress()
        by = None if known is None or known is False else self._instant(known)
        return self._fold.until(at=at, known=by).progress()

    def warnings_of(self, number: int) -> tuple[str, ...]:
        """Return what is unusual about an event."""
        return tuple(text for event, text in self._fold.progress().warnings if event == number)

    def write_estimate(self, estimate: Mapping[str, Any], number: int) -> None:
        """Keep an estimate (as the contract's JSON) as it was shown after event `number`."""
        text = json.dumps(estimate, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        shown = format_instant(clock.utc_now())
        with self._turn:
            with self._store.writing():
                self._store.show(Shown(number, float(estimate["at"]), shown, text))
            self._store.settle()

    def estimates(self) -> list[Shown]:
        """Return the estimates that were shown, oldest first."""
        with self._turn:
            return self._store.shown()

    def close(self) -> None:
        """Let go of the file; a second call does nothing."""
        with self._turn:
            self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _instant(self, pet_s: float) -> datetime:
        zero = self._fold.progress().zero
        if zero is None:
            raise JournalError(
                f"{self.path}: the clock was never started, so no PET says what was known when"
            )
        return instant_of(pet_s, zero)

    def _catch_up(self) -> bool:
        """Fold in what the store has beyond what is known here."""
        rows = self._store.rows(self._fold.number)
        if rows:
            self._fold, self._hash = replay(self._fold, self._hash, rows, self._store.name)
            self._derived = None
        return bool(rows)


def _derive(store: Store, progress: Progress, known: Mapping[Table, Rows] | None = None) -> dict[Table, Rows]:
    """Bring the derived tables up to date, touching only rows that changed; return them.

    `known` is what the store is known to hold; without it the store is asked.
    """
    wanted = derived_rows(progress)
    for table, rows in wanted.items():
        put, gone = differences(store.derived(table) if known is None else known[table], rows)
        store.derive(table, put, gone)
    return wanted


def _milliseconds(instant: datetime) -> datetime:
    return instant.replace(microsecond=instant.microsecond // 1000 * 1000)
