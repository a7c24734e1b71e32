"""A world of seats around one journal, whose disk, clocks, line and power fail by a seed; all else is real.

An excursion is played in it: presses go through outbox, admission, fold and store as at a desk. Afterwards
every told number must be there once, in the order of its seat, whatever was kept must be on record or told
of, and the fold must be that of the plain list. A seed that breaks a promise breaks it again.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from uuid import UUID

from tests.disk import FULL, IO_ERROR, Deed, Disk, watched
from tests.journals import PLAN
from tracker.foundation.errors import EventError, JournalError
from tracker.journal.fold import Fold
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.journal.seat import sit
from tracker.journal.verify import verify
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
TURNS = 30
_PLANS: list[Plan] = []


@dataclass
class Press:
    """What was pressed at a seat."""

    job: str
    events: list[dict[str, Any]]
    utc: datetime
    kept: bool = False
    """Whether the outbox had it."""
    numbers: tuple[int, ...] = ()
    """Told, once recorded."""
    refused: bool = False
    noted: bool = False
    """Whether the disk let the outbox note that it was refused."""

    @property
    def words(self) -> str:
        """The text that tells it from every other press."""
        return str(self.events[0]["text"])


@dataclass
class Seat:
    """Somebody who sits at the journal, and the queue of what they pressed."""

    name: str
    journal: Journal
    ahead_s: float
    """By how much their clock is ahead of the world's."""
    presses: list[Press] = field(default_factory=list)
    waiting: list[Press] = field(default_factory=list)


class Cut:
    """The line to the store, which breaks before a write arrives or before its answer does."""

    def __init__(self, store: Any, random: Random) -> None:
        self._store, self._random = store, random
        self.breaks = 0.0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    @contextlib.contextmanager
    def writing(self, job: str | None = None) -> Iterator[None]:
        """Write, unless the line breaks; where it breaks afterwards, nobody here knows it was written."""
        broken = self._random.random() < self.breaks
        if broken and self._random.random() < 0.5:
            raise JournalError("the line broke before it")
        with self._store.writing(job):
            yield
        if broken:
            raise JournalError("the line broke after it")


class World:
    """One excursion."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.random, self.folder, self.path = Random(seed), folder, folder / "one.sqlite"
        self.seats: list[Seat] = []
        self.gone: list[Seat] = []
        self.passed_s, self._presses = 1400.0, 0
        self.disk: Disk | None = None
        self._refuse_at = 0

    def play(self) -> str | None:
        """Play an excursion; what it broke, or None."""
        if not _PLANS:
            _PLANS.append(parse_plan(PLAN, file="p", name="p"))
        with Journal.create(self.path, _PLANS[0], uuid=str(UUID(int=self.random.getrandbits(128)))) as made:
            made.record({"kind": "zero", "utc": ZERO.isoformat(), "text": "start"}, utc_now=ZERO)
        todo = [self._press] * 10 + [self._sit, self._leave, self._killed, self._look]
        todo += [self._disk_fails, self._line_fails, self._clock_is_set, self._power_goes]
        with contextlib.ExitStack() as self._running:
            self.disk = self._running.enter_context(watched(self.folder))
            for _ in range(TURNS):
                self.passed_s += self.random.choice((0.001, 1, 20, 60))
                self.random.choice(todo)()
            return self._end()

    # What happens

    def _sit(self) -> None:
        if len(self.seats) == 3:
            return
        name = f"op@desk{self.random.randrange(2)}"
        with contextlib.suppress(JournalError):
            journal = Journal.open(self.path)
            try:
                sit(journal, self.folder / "out", name)
            except JournalError:
                journal.close()
                return
            journal._store = Cut(journal._store, self.random)
            self.seats.append(Seat(journal.sitting.seat, journal, 0.0))

    def _press(self) -> None:
        if not self.seats:
            return self._sit()
        seat = self.random.choice(self.seats)
        events = self._events(seat)
        utc = ZERO + timedelta(seconds=self.passed_s + seat.ahead_s)
        press = Press(str(UUID(int=self.random.getrandbits(128))), events, utc)
        seat.presses.append(press)
        seat.waiting.append(press)
        seat.journal.sitting.keep(press.job, utc, events, seat.journal.number)
        press.kept = seat.journal.sitting.keeps(press.job)
        self._work_off(seat)

    def _events(self, seat: Seat) -> list[dict[str, Any]]:
        """A tick, an undo, a note or several."""
        self._presses += 1
        progress, text = seat.journal.progress(), f"p{self._presses}"
        steps = [s for s in progress.current.values() if s is not None and not progress.missing(s)]
        back = seat.journal.fold.undo(seat.name)
        chance = self.random.random()
        if chance < 0.4 and steps:
            events: list[dict[str, Any]] = [{"kind": "done", "step": self.random.choice(steps)}]
        elif chance < 0.5 and back:
            events = [{"kind": "withdrawn", "event": one.number} for one in back]
        else:
            events = [{"kind": "noted"} for _ in range(self.random.choice((1, 1, 1, 3)))]
        return [{**event, "text": text} for event in events]

    def _work_off(self, seat: Seat) -> None:
        """Send what waits at a seat, in its order, as a desk's writer does."""
        while seat.waiting:
            press = seat.waiting[0]
            try:
                made = seat.journal.record_all(press.events, seat=seat.name, utc_now=press.utc, job=press.job)
            except EventError:
                press.refused, press.noted = True, seat.journal.sitting.trouble is None
            except JournalError:
                return
            else:
                press.numbers = tuple(made)
            seat.waiting.pop(0)

    def _look(self) -> None:
        for seat in self.seats:
            with contextlib.suppress(JournalError):
                seat.journal.refresh()
            self._work_off(seat)

    def _leave(self) -> None:
        if self.seats:
            seat = self.seats.pop(self.random.randrange(len(self.seats)))
            seat.journal.close()
            self.gone.append(seat)

    def _killed(self) -> None:
        """Somebody's program ends without a word: nothing more is written by it."""
        if self.seats:
            self._drop(self.seats.pop(self.random.randrange(len(self.seats))))

    def _drop(self, seat: Seat) -> None:
        box = seat.journal.sitting.outbox
        if box is not None and box._lock >= 0:
            box._db.close()
            os.close(box._lock)
            box._lock = -1
        seat.journal._store.close()
        self.gone.append(seat)

    def _disk_fails(self) -> None:
        """From one of the next deeds on the disk refuses a few, or is full for a while."""
        assert self.disk is not None
        code, kinds = self.random.choice(((FULL, ("write",)), (IO_ERROR, ("write", "sync", "delete", "cut"))))
        left, wait = self.random.randint(1, 12), self.random.randrange(60)

        def refuses(deed: Deed) -> int:
            nonlocal left, wait
            wait -= 1
            if wait > 0 or left <= 0 or deed.kind not in kinds:
                return 0
            left -= 1
            return code

        self.disk.refuses = refuses

    def _line_fails(self) -> None:
        for seat in self.seats:
            store: Any = seat.journal._store
            store.breaks = self.random.choice((0.0, 0.0, 0.5, 1.0))

    def _clock_is_set(self) -> None:
        if self.seats:
            self.random.choice(self.seats).ahead_s = self.random.choice((0.0, 30.0, -30.0, 0.5))

    def _power_goes(self) -> None:
        """Everything ends; of what was not synced anything may be lost."""
        assert self.disk is not None
        disk, self.disk.refuses = self.disk, lambda deed: IO_ERROR
        deeds = len(disk.deeds)
        while self.seats:
            self._drop(self.seats.pop())
        files = disk.after(deeds, self.random)
        for path in self.folder.rglob("*.sqlite*"):
            path.unlink()
        for name, data in files.items():
            Path(name).write_bytes(data)
        self._running.pop_all().close()
        self.disk = self._running.enter_context(watched(self.folder))

    # What must be true

    def _end(self) -> str | None:
        """Let everything work again, have somebody sit down for each seat, and look."""
        assert self.disk is not None
        self.disk.refuses = lambda deed: 0
        for seat in self.seats:
            store: Any = seat.journal._store
            store.breaks = 0.0
            self._work_off(seat)
            seat.journal.close()
        seats = [*self.gone, *self.seats]
        with Journal.open(self.path) as journal:
            sit(journal, self.folder / "out", "op@desk0")
            return self._broken(journal, seats) or _unsound(self.path, journal)

    def _broken(self, journal: Journal, seats: list[Seat]) -> str | None:
        recorded = journal.fold.recorded
        found: dict[str, list[int]] = {}
        undecided = {kept.job for kept in journal.sitting.refused()}
        for event in recorded:
            found.setdefault(str(event.body.get("text")), []).append(event.number)
        for seat in seats:
            last = 0
            for press in seat.presses:
                numbers = found.get(press.words, [])
                if press.numbers and tuple(numbers) != press.numbers:
                    return f"{press.words} was told as {press.numbers} and is {numbers}"
                if numbers and len(numbers) != len(press.events):
                    return f"{press.words} of {len(press.events)} events is {numbers}"
                if press.kept and not (numbers or press.refused or press.job in undecided):
                    return f"{press.words} was kept and is nowhere"
                if press.noted and numbers:
                    return f"{press.words} was refused and is {numbers}"
                if numbers and numbers[0] <= last:
                    return f"{press.words} of {seat.name} is {numbers}, behind {last}"
                last = numbers[-1] if numbers else last
        return None


def _unsound(path: Path, journal: Journal) -> str | None:
    """What is wrong with the file, or with the fold that was made bit by bit."""
    if fault := verify(path).fault:
        return fault
    plain = Fold.start(journal.plan, uuid=journal.genesis.uuid).add_all(journal.fold.recorded).progress()
    mine = journal.progress()
    differs = (f.name for f in fields(Progress) if f.name != "fold")
    wrong = [name for name in differs if getattr(plain, name) != getattr(mine, name)]
    return f"the fold differs from that of the plain list in {', '.join(wrong)}" if wrong else None


def first_broken(folder: Path, seeds: Iterable[int]) -> tuple[int, str] | None:
    """The first seed whose world breaks a promise, and which; None where none does."""
    for seed in seeds:
        place = folder / str(seed)
        place.mkdir(parents=True)
        try:
            broken = World(seed, place).play()
        except JournalError as error:
            broken = f"at the end nobody can sit down: {error.lines[0]}"
        if broken:
            return seed, broken
        shutil.rmtree(place)
    return None
