"""Reads journals for looking back: each once, without changing them, all faults in one run."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from tracker.foundation.errors import TrackerError
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress


def say(line: str) -> None:
    """Say something that is no result to whoever started the command."""
    print(line, file=sys.stderr)


def read_journals(paths: Sequence[str | Path]) -> Iterator[tuple[Path, Progress]]:
    """Yield each excursion with its journal's path; a second journal of the same one is left out.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    seen: dict[str, Path] = {}
    faults: list[str] = []
    for i, path in enumerate(map(Path, paths), 1):
        _show_share(i, len(paths))
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
    if faults:
        raise TrackerError(*faults)


def _show_share(i: int, of: int) -> None:
    """Say on a terminal how far a long reading has come."""
    if of > 20 and sys.stderr.isatty():
        end = "\n" if i == of else ""
        print(f"\rjournal {i} of {of}", end=end, file=sys.stderr, flush=True)
