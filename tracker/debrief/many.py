"""The debriefs of many journals: shared out among processes where there are enough of them to pay for it."""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Generator, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from tracker.debrief.excursion import Excursion, Scoring, debriefed
from tracker.debrief.journals import read_journal, read_journals, sifted
from tracker.foundation.errors import TrackerError

ENOUGH = 40
"""With fewer journals a second process gains nothing that anybody notices."""
MOST_PROCESSES = 4
"""Each takes memory of its own."""

Job = tuple[Path, str, Scoring | None]
"""A journal, what to call it, and how to score it."""


def debriefs(
    paths: Sequence[str | Path], named: Callable[[Path], str], scoring: Scoring | None
) -> list[Excursion]:
    """Return the debrief of every excursion in the order of the journals; errors as in `read_journals`.

    `named` says what to call a journal. How many processes there are changes nothing in the result.
    """
    processes = _processes(len(paths))
    if processes == 1:
        return [debriefed(progress, named(path), scoring) for path, progress in read_journals(paths)]
    jobs = [(path, named(path), scoring) for path in map(Path, paths)]
    return [one for _, one in sifted(paths, shared_out(jobs, processes))]


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
    return found if isinstance(found, TrackerError) else debriefed(found, name, scoring)
