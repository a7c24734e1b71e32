"""Reads journals for looking back: each once, without changing them, all faults in one run."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from tracker.foundation.errors import TrackerError
from tracker.foundation.waiting import Waiting
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress


def say(line: str) -> None:
    """Say something that is no result to whoever started the command, over a line of progress."""
    print(f"\r\x1b[K{line}" if sys.stderr.isatty() else line, file=sys.stderr)


def read_journals(paths: Sequence[str | Path]) -> Iterator[tuple[Path, Progress]]:
    """Yield each excursion with its journal's path; a second journal of the same one is left out.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    seen: dict[str, Path] = {}
    faults: list[str] = []
    waiting = Waiting()
    for i, path in enumerate(map(Path, paths), 1):
        waiting.share("journal", i, len(paths))
        try:
            with Journal.open(path, read_only=True) as journal:
                progress = journal.progress()
        except TrackerError as error:
            faults.extend(error.lines)
            continue
        if progress.uuid in seen:
            say(f"{path}: the same excursion as {seen[progress.uuid]}; left out")
            continue
        seen[progress.uuid] = path
        if not faults:
            yield path, progress
    waiting.clear()
    if faults:
        raise TrackerError(*faults)
