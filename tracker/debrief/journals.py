"""The debriefs of several journals, and what they add up to.

Hides that each journal is read once and never changed, that all faults are told in one run, that the
second journal of the same excursion is left out, and that many journals are shared out among processes.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import TypeVar

from tracker.debrief.excursion import Excursion, Scoring, debriefed
from tracker.debrief.forecast_scores import Judgement, judgement
from tracker.debrief.rows import Group, pooled_crew, pooled_tasks, pooled_work
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import plain
from tracker.foundation.waiting import Waiting
from tracker.journal.journal import Journal
from tracker.journal.place import Place, place_of
from tracker.journal.progress import Progress


@dataclass(frozen=True, slots=True)
class Read:
    """What a journal adds up to, and the hash of its last event."""

    progress: Progress
    hash: str

    @property
    def uuid(self) -> str:
        """Of the excursion."""
        return self.progress.uuid


T = TypeVar("T", Read, Excursion)


def say(line: str) -> None:
    """Say something that is no result to whoever started the command, over a line of progress."""
    shown = plain(line)
    print(f"\r\x1b[K{shown}" if sys.stderr.isatty() else shown, file=sys.stderr)


def read_journals(paths: Sequence[str | Place]) -> Iterator[tuple[Place, Read]]:
    """Yield each excursion with its journal's place; a second journal of the same one is left out.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    return sifted(paths, map(read_journal, map(place_of, paths)))


def read_journal(path: Place) -> Read | TrackerError:
    """Return what a journal adds up to, or what is wrong with it."""
    try:
        with Journal.open(path, read_only=True) as journal:
            return Read(journal.progress(), journal.hash)
    except TrackerError as error:
        return TrackerError(*error.lines)


def sifted(paths: Sequence[str | Place], found: Iterable[T | TrackerError]) -> Iterator[tuple[Place, T]]:
    """Yield what was found with its journal's place; once for each excursion, and nothing after a fault.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    seen: dict[str, Place] = {}
    faults: list[str] = []
    waiting = Waiting()
    for i, (path, one) in enumerate(zip(map(place_of, paths), found, strict=True), 1):
        waiting.share("journal", i, len(paths))
        if isinstance(one, TrackerError):
            faults.extend(one.lines)
        elif one.uuid in seen:
            say(f"{path}: the same excursion as {seen[one.uuid]}; left out")
        else:
            seen[one.uuid] = path
            if not faults:
                yield path, one
    waiting.clear()
    if faults:
        raise TrackerError(*faults)


ENOUGH = 40
"""With fewer journals a second process gains nothing that anybody notices."""
MOST_PROCESSES = 4
"""Each takes memory of its own."""

Job = tuple[Place, str, Scoring | None]
"""A journal, what to call it, and how to score it."""


def debriefs(
    paths: Sequence[str | Place], named: Callable[[Place], str], scoring: Scoring | None
) -> list[Excursion]:
    """Return the debrief of every excursion in the order of the journals; errors as in `read_journals`.

    `named` says what to call a journal. How many processes there are changes nothing in the result.
    """
    processes = _processes(len(paths))
    if processes == 1:
        return [
            debriefed(read.progress, named(path), scoring, last_hash=read.hash)
            for path, read in read_journals(paths)
        ]
    jobs = [(path, named(path), scoring) for path in map(place_of, paths)]
    return [one for _, one in sifted(paths, shared_out(jobs, processes))]


def debriefs_of(jobs: Sequence[Job]) -> Iterator[tuple[Job, Excursion | TrackerError]]:
    """Yield each job with what comes of it, in their order."""
    processes, waiting = _processes(len(jobs)), Waiting()
    found = map(_done, jobs) if processes == 1 else shared_out(jobs, processes)
    for i, (job, one) in enumerate(zip(jobs, found, strict=True), 1):
        waiting.share("journal", i, len(jobs))
        yield job, one
    waiting.clear()


def _processes(journals: int) -> int:
    """Return among how many processes to share so many journals out.

    A fork is safe where nothing else runs in this process; elsewhere than on Linux it may never be.
    """
    if journals < ENOUGH or sys.platform != "linux" or threading.active_count() > 1:
        return 1
    return min(len(os.sched_getaffinity(0)), MOST_PROCESSES)


def shared_out(jobs: Sequence[Job], processes: int) -> Generator[Excursion | TrackerError]:
    """Yield what comes of each job, in their order; every process takes each so-manieth of them.

    What a process that ended before its time leaves undone is done here.
    """
    context = get_context("fork")
    lines, workers = [], []
    try:
        for k in range(processes):
            ours, theirs = context.Pipe(duplex=False)
            lines.append(ours)
            worker = context.Process(target=_work, args=(ours, theirs, jobs[k::processes]), daemon=True)
            with warnings.catch_warnings():
                # Later versions of Python warn of threads; those of the linear algebra are made for forks.
                warnings.filterwarnings("ignore", category=DeprecationWarning)
                worker.start()
            workers.append(worker)
            theirs.close()
        for i, job in enumerate(jobs):
            yield _received(lines[i % processes]) or _done(job)
    finally:
        for worker in workers:
            worker.terminate()
            worker.join()
        for line in lines:
            line.close()


def _work(theirs: Connection, ours: Connection, jobs: Sequence[Job]) -> None:
    """Send what comes of each job, in another process; it ends when nobody is left to read."""
    # An interrupt at the keyboard reaches every process; the first one ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    theirs.close()
    try:
        for job in jobs:
            ours.send(_done(job))
    except Exception:
        # The first process does the rest itself, and says what is wrong with it.
        os._exit(1)


def _received(line: Connection) -> Excursion | TrackerError | None:
    """Return what a process sent next; None where it has ended."""
    try:
        found: Excursion | TrackerError = line.recv()
    except (EOFError, OSError):
        return None
    return found


def _done(job: Job) -> Excursion | TrackerError:
    """Return the debrief of one journal, or what is wrong with it."""
    path, name, scoring = job
    found = read_journal(path)
    if isinstance(found, TrackerError):
        return found
    return debriefed(found.progress, name, scoring, last_hash=found.hash)


@dataclass(frozen=True, slots=True)
class Pooled:
    """What several excursions have in common; seconds."""

    excursions: int
    tasks: tuple[Group, ...]
    crew: tuple[Group, ...]
    work: tuple[Group, ...]
    judgement: Judgement | None


def pool(every: Sequence[Excursion]) -> Pooled:
    """Return the sums over excursions: tasks of one plan family, crew by id and name, kinds of work."""
    rows = [(one.steps, one.totals.crew) for one in every]
    judged = [(o.judgement, o.inside) for o in every if o.judgement is not None and o.inside is not None]
    moments = [(moment, end) for scores, end in judged for moment in scores.moments]
    return Pooled(
        excursions=len(every),
        tasks=pooled_tasks(rows),
        crew=pooled_crew(rows),
        work=pooled_work(rows),
        judgement=judgement(
            [moment for moment, _ in moments],
            [end for _, end in moments],
            min((scores.scenarios for scores, _ in judged), default=0),
        ),
    )
