"""Promise: whatever is pressed, taken back, corrected, refused or killed, the record is what was meant.

A machine of rules drives journal and outbox; a plain list of what was meant says what must stand.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.journals import ZERO, plan
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.seat import sit
from tracker.journal.sqlite import SqliteStore
from tracker.journal.verify import verify

PLAN = plan()
START = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


@dataclass
class Entry:
    """What was meant by one press, and whether it still is."""

    step: str = ""
    at: int = 0
    corrects: Entry | None = None
    stands: bool = True
    number: int = 0


@dataclass
class Meant:
    """The plain list."""

    entries: list[Entry] = field(default_factory=list)
    undone: list[Entry] = field(default_factory=list)
    written: int = 1

    def done(self) -> dict[str, int]:
        """When each step was ticked off, as it is meant by now."""
        found = {entry.step: entry.at for entry in self.entries if entry.step and entry.stands}
        for entry in self.entries:
            if entry.corrects is not None and entry.stands and entry.corrects.stands:
                found[entry.corrects.step] = entry.at
        return found


class Rules(RuleBasedStateMachine):
    """One seat."""

    @initialize()
    def begin(self) -> None:
        """Start the clock."""
        self.place = tempfile.TemporaryDirectory()
        self.folder = Path(self.place.name)
        self.path, self.meant, self.at = self.folder / "one.sqlite", Meant(), 60
        with Journal.create(self.path, PLAN) as made:
            made.record(ZERO, seat="other")
        self._sit()

    def _sit(self) -> None:
        self.journal = Journal.open(self.path)
        sit(self.journal, self.folder / "out", "op")

    def _press(self, *events: dict[str, Any], entry: Entry | None = None) -> None:
        utc = START + timedelta(seconds=self.at)
        numbers = self.journal.record_all(events, utc_now=utc)
        self.meant.written += len(events)
        self.at += 7
        if entry is not None:
            entry.number = numbers[0]
            self.meant.entries.append(entry)
            self.meant.undone.clear()

    @rule(crew=st.sampled_from(["EV1", "EV2", "IV"]), ago=st.sampled_from([0, 0, 30]))
    def tick(self, crew: str, ago: int) -> None:
        """Tick what somebody is at by the plain list: the first of theirs that was not."""
        step = self._first(crew)
        if step is not None:
            self._press({"kind": "done", "step": step, "at": self.at - ago}, entry=Entry(step, self.at - ago))

    @rule()
    def note(self) -> None:
        """Write a note."""
        self._press({"kind": "noted", "text": "x"}, entry=Entry())

    @rule()
    @precondition(lambda self: any(one.step and one.stands for one in self.meant.entries))
    def correct(self) -> None:
        """Say of the last tick that it was a little earlier."""
        tick = [one for one in self.meant.entries if one.step and one.stands][-1]
        at = max(1, tick.at - 5)
        self._press({"kind": "amended", "event": tick.number, "at": at}, entry=Entry("", at, tick))

    @rule()
    def undo(self) -> None:
        """Take the last back that still stands."""
        back = self.journal.fold.undo("op")
        standing = [one for one in self.meant.entries if one.stands]
        assert [event.number for event in back] == [one.number for one in standing[-1:]]
        if back:
            self._press({"kind": "withdrawn", "event": back[0].number})
            standing[-1].stands = False
            self.meant.undone.append(standing[-1])

    @rule()
    def redo(self) -> None:
        """Bring back what was taken back last, unless something was written since."""
        again = self.journal.fold.redo("op")
        assert len(again) == min(1, len(self.meant.undone))
        if again:
            self._press({"kind": "withdrawn", "event": again[0].number})
            self.meant.undone.pop().stands = True

    @rule(killed=st.booleans())
    def come_again(self, killed: bool) -> None:
        """Leave, or be killed, and sit down again."""
        box = self.journal.sitting.outbox
        if killed and box is not None:
            box._db.close()
            os.close(box._lock)
            box._lock = -1
            self.journal._store.close()
        self.journal.close()
        self._sit()

    @rule(written=st.booleans())
    def refused(self, written: bool) -> None:
        """Have a note refused by the disk, before it is written or after; the next to sit down sends it."""
        write = SqliteStore.writing

        @contextlib.contextmanager
        def broken(store: SqliteStore, job: str | None = None) -> Any:
            if written:
                with write(store, job):
                    yield
            else:
                yield
            raise JournalError("the disk refuses")

        with mock.patch.object(SqliteStore, "writing", broken), contextlib.suppress(JournalError):
            self.journal.record_all(
                [{"kind": "noted", "text": "y"}], utc_now=START + timedelta(seconds=self.at)
            )
            raise AssertionError("it was told as written")
        self.at += 7
        self.come_again(killed=True)
        self.meant.written += 1
        self.meant.entries.append(Entry(number=self.journal.number))
        self.meant.undone.clear()

    def _first(self, crew: str) -> str | None:
        done = self.meant.done()
        steps = sorted(
            PLAN.step.values(), key=lambda step: next(t.closeout for t in PLAN.tasks if t.id == step.task)
        )
        return next((step.id for step in steps if crew in step.crew and step.id not in done), None)

    @invariant()
    def stands(self) -> None:
        """What is on record is what is meant."""
        if not hasattr(self, "journal"):
            return
        steps = self.journal.progress().steps.items()
        assert {name: one.done for name, one in steps if one.ended == "done"} == self.meant.done()
        assert self.journal.number == self.meant.written

    def teardown(self) -> None:
        """The file is sound."""
        if hasattr(self, "journal"):
            self.journal.close()
            assert verify(self.path, outboxes=self.folder / "out").fault is None
            self.place.cleanup()


def test_what_stands_is_what_was_meant() -> None:
    often = settings(
        max_examples=10, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck)
    )
    run_state_machine_as_test(Rules, settings=often)
