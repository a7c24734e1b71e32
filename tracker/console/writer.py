"""Writes events in a thread of its own, so that the screen never waits for the disk.

What cannot be written stays first in the queue and is tried again every second; it is reported as
unsaved until it is on disk, or refused in words.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from tracker.foundation.errors import EventError, JournalError, TrackerError
from tracker.journal.progress import Progress

RETRY_S = 1.0
"""How often the journal is looked at for what other seats wrote, and a failed write is tried again."""


class Desk(Protocol):
    """What the writer needs of a journal."""

    def record_all(
        self, events: list[Mapping[str, Any]], *, seat: str | None, utc_now: datetime | None
    ) -> list[int]: ...
    def refresh(self) -> bool: ...
    def progress(self) -> Progress: ...
    def write_estimate(self, estimate: Mapping[str, Any], number: int) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True)
class Job:
    """Events to be written together."""

    token: int
    events: tuple[Mapping[str, Any], ...]
    utc: datetime
    """The instant of the key press: what the clock stamps."""


@dataclass(frozen=True)
class Opened:
    """The journal is open."""

    path: str
    progress: Progress
    seat: str
    """The name under which this seat writes."""


@dataclass(frozen=True)
class Failed:
    """The journal could not be opened; nothing more will come."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Written:
    """A job is on disk."""

    token: int
    numbers: tuple[int, ...]
    progress: Progress


@dataclass(frozen=True)
class Refused:
    """A job was refused: it contradicts what is on record."""

    token: int
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Unsaved:
    """A job could not be written and waits."""

    token: int
    words: str


@dataclass(frozen=True)
class Seen:
    """Another seat wrote something."""

    progress: Progress


Report = Opened | Failed | Written | Refused | Unsaved | Seen


@dataclass(frozen=True)
class _Estimate:
    figures: Mapping[str, Any]
    number: int


@dataclass(frozen=True)
class _Stop:
    pass


class Writer(threading.Thread):
    """Owns a journal; takes jobs, reports what became of them."""

    def __init__(self, open_journal: Callable[[], Any], seat: str | None, report: Callable[[Report], None]) -> None:
        super().__init__(name="writer", daemon=True)
        self._open, self._seat, self._report = open_journal, seat, report
        self._queue: queue.Queue[Job | _Estimate | _Stop] = queue.Queue()
        self._left: list[Job] = []

    def submit(self, job: Job) -> None:
        """Queue a job."""
        self._queue.put(job)

    def keep_estimate(self, figures: Mapping[str, Any], number: int) -> None:
        """Queue an estimate as it was shown after an event."""
        self._queue.put(_Estimate(figures, number))

    def stop(self, timeout_s: float = 5.0) -> tuple[Job, ...]:
        """Write what is queued, close the journal, and return the jobs that could not be written."""
        self._queue.put(_Stop())
        if self.is_alive():
            self.join(timeout_s)
        return tuple(self._left)

    def run(self) -> None:
        """Open the journal, then write and look until told to stop."""
        from tracker.journal.origin import default_seat

        try:
            journal = self._open()
        except TrackerError as error:
            self._report(Failed(error.lines))
            return
        except OSError as error:
            self._report(Failed((f"{error}",)))
            return
        self._seat = self._seat or default_seat()
        self._report(Opened(str(journal.path), journal.progress(), self._seat))
        try:
            self._serve(journal)
        finally:
            journal.close()

    def _serve(self, journal: Any) -> None:
        waiting: list[Job] = []
        while True:
            try:
                task = self._queue.get(timeout=RETRY_S)
            except queue.Empty:
                task = None
            if isinstance(task, Job):
                waiting.append(task)
            waiting = self._work_off(journal, waiting)
            if isinstance(task, _Stop):
                self._left = waiting
                return
            if isinstance(task, _Estimate):
                self._keep(journal, task)
            elif task is None:
                self._look(journal)

    def _work_off(self, journal: Any, waiting: list[Job]) -> list[Job]:
        """Write jobs in their order; return those that have to wait."""
        while waiting:
            job = waiting[0]
            try:
                numbers = journal.record_all(list(job.events), seat=self._seat, utc_now=job.utc)
            except EventError as error:
                self._report(Refused(job.token, error.lines))
            except (JournalError, OSError) as error:
                words = str(error).splitlines()[0] if str(error) else type(error).__name__
                for each in waiting:
                    self._report(Unsaved(each.token, words))
                return waiting
            else:
                self._report(Written(job.token, tuple(numbers), journal.progress()))
            waiting = waiting[1:]
        return waiting

    def _keep(self, journal: Any, task: _Estimate) -> None:
        """Keep an estimate; it can be worked out again, so a disk that refuses it is no alarm."""
        try:
            journal.write_estimate(task.figures, task.number)
        except (TrackerError, OSError):
            return

    def _look(self, journal: Any) -> None:
        try:
            changed = journal.refresh()
        except (TrackerError, OSError):
            return
        if changed:
            self._report(Seen(journal.progress()))
