"""A journal that no file keeps, for tests of everything that stands on one."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from tracker.foundation.clock import pause
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal, new_genesis
from tracker.journal.store import Again, Genesis, Row, Rows, Shown, Table
from tracker.plan.model import Plan


def in_memory(
    plan: Plan, *, pace: str | Path | None = None, rehearsal: bool = False, seed: str | None = None
) -> Journal:
    """Start a journal in memory; `seed` stands in for its UUID."""
    genesis = new_genesis(plan, pace=pace, rehearsal=rehearsal)
    return Journal(MemoryStore(replace(genesis, uuid=seed) if seed else genesis), plan)


class MemoryStore:
    """One journal in memory; gone when let go."""

    def __init__(self, genesis: Genesis) -> None:
        self.genesis = genesis
        self._rows: list[Row] = []
        self._derived: dict[Table, Rows] = {"as_run": {}, "as_spent": {}}
        self._shown: list[Shown] = []
        self._jobs: dict[str | None, tuple[int, int]] = {}
        self.tell: Callable[[str], object] = lambda words: None
        self._looked = self._closed = self._writing = False

    @property
    def name(self) -> str:
        """What to call the store in a message."""
        return "journal in memory"

    @property
    def notice(self) -> str | None:
        """Nothing is ever amiss here."""
        return None

    def new_job(self) -> None:
        """Memory always answers."""

    @contextlib.contextmanager
    def turn(self) -> Iterator[None]:
        """Nobody else can write."""
        self._open()
        yield

    @contextlib.contextmanager
    def writing(self, job: str | None = None) -> Iterator[None]:
        """Keep all that is written in the block, or nothing."""
        self._open()
        if job in self._jobs:
            raise Again(*self._jobs[job])
        kept = list(self._rows), dict(self._derived), list(self._shown)
        self._writing = True
        try:
            yield
        except BaseException:
            self._rows, self._derived, self._shown = kept
            raise
        finally:
            self._writing = False
        if job is not None and len(self._rows) > len(kept[0]):
            self._jobs[job] = len(kept[0]) + 1, len(self._rows)

    def job(self, job: str) -> tuple[int, int] | None:
        """Return the first and the last number of what was written under a name."""
        return self._jobs.get(job)

    def rows(self, after: int = 0) -> list[Row]:
        """Return the events with greater numbers, in order."""
        self._open()
        return self._rows[after:]

    def append(self, row: Row) -> None:
        """Add one event, inside `writing`; refused unless its number is the next."""
        self._must_write()
        if row.number != len(self._rows) + 1:
            raise JournalError(f"{self.name}: events are numbered without a gap")
        self._rows.append(row)

    def derived(self, table: Table) -> Rows:
        """Return the rows of a derived table."""
        self._open()
        return dict(sorted(self._derived[table].items()))

    def derive(self, table: Table, put: Rows, gone: Iterable[int]) -> None:
        """Put rows into their places in a derived table and take others out, inside `writing`."""
        self._must_write()
        out = set(gone)
        kept = {place: cells for place, cells in self._derived[table].items() if place not in out}
        self._derived[table] = {**kept, **put}

    def show(self, estimate: Shown) -> None:
        """Keep an estimate that was shown, inside `writing`."""
        self._must_write()
        json.loads(estimate.estimate)
        self._shown.append(estimate)

    def shown(self, after: int = 0) -> list[Shown]:
        """Return the estimates that were shown, oldest first, without the first so many."""
        return self._shown[after:]

    def changed(self) -> bool:
        """Whether somebody else may have written: only the first time, since nobody else can."""
        self._open()
        looked, self._looked = self._looked, True
        return not looked

    def wait(self, seconds: float) -> None:
        """Nobody else can write."""
        pause(seconds)

    def close(self) -> None:
        """Let go of the store."""
        self._closed = True

    def _open(self) -> None:
        if self._closed:
            raise JournalError(f"{self.name}: is closed")

    def _must_write(self) -> None:
        self._open()
        if not self._writing:
            raise JournalError(f"{self.name}: nothing is written outside a `writing` block")
