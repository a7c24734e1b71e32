"""Reads journals for looking back: each once, without changing them, all faults in one run."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from tracker.foundation.errors import TrackerError
from tracker.foundation.waiting import Waiting
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress


class OfExcursion(Protocol):
    """Something that comes of one journal."""

    @property
    def uuid(self) -> str:
        """The excursion's own, which its copies share."""


T = TypeVar("T", bound=OfExcursion)


def say(line: str) -> None:
    """Say something that is no result to whoever started the command, over a line of progress."""
    print(f"\r\x1b[K{line}" if sys.stderr.isatty() else line, file=sys.stderr)


def read_journals(paths: Sequence[str | Path]) -> Iterator[tuple[Path, Progress]]:
    """Yield each excursion with its journal's path; a second journal of the same one is left out.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    return sifted(paths, map(read_journal, map(Path, paths)))


def read_journal(path: Path) -> Progress | TrackerError:
    """Return what a journal adds up to, or what is wrong with it."""
    try:
        with Journal.open(path, read_only=True) as journal:
            return journal.progress()
    except TrackerError as error:
        return TrackerError(*error.lines)


def sifted(paths: Sequence[str | Path], found: Iterable[T | TrackerError]) -> Iterator[tuple[Path, T]]:
    """Yield what was found with its journal's path; once for each excursion, and nothing after a fault.

    Raises TrackerError at the end, with a line for each journal that could not be read.
    """
    seen: dict[str, Path] = {}
    faults: list[str] = []
    waiting = Waiting()
    for i, (path, one) in enumerate(zip(map(Path, paths), found, strict=True), 1):
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
