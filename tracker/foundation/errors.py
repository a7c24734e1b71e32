"""The errors that a person is meant to read: one plain line a fault, with place, kind and remedy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from tracker.foundation.text import plain


class TrackerError(Exception):
    """Something in the input is at fault; `lines` says what, one line a fault.

    Commands print the lines to standard error and end with status 1.
    """

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


class JournalError(TrackerError):
    """A journal cannot be opened, read, written or trusted."""


class EventError(TrackerError):
    """An event was refused: malformed, unknown ids, or contradicting what is on record."""


class WrongUsage(TrackerError):
    """The command itself was called wrongly; commands end with status 2."""


def parted(error: object) -> tuple[str, str]:
    """What is wrong and what would be right, of an error that says `what is wrong; what would be right`."""
    what, _, right = str(error).partition("; ")
    return what, right


class Fault(NamedTuple):
    """One fault or warning of a plan file."""

    file: str
    line: int
    """From 1; 0 for a fault of the file as a whole, or of something that came from no file."""
    column: int
    path: str
    """As `tasks[3].steps[1].crew`; empty for the file as a whole."""
    what: str
    right: str

    def __str__(self) -> str:
        """Return `file:line:column: path: what is wrong; what would be right` on one line."""
        where = f"{self.file}:{self.line}:{self.column}: " if self.line else f"{self.file}: "
        path = f"{self.path}: " if self.path else ""
        right = f"; {self.right}" if self.right else ""
        return plain(f"{where}{path}{self.what}{right}", most=600)


class PlanError(TrackerError):
    """A plan with faults; `faults` holds every one, in file order."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__(*(str(fault) for fault in faults))
        self.faults = tuple(faults)
