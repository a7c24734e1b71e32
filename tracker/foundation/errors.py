"""The errors that a person is meant to read: each carries one plain line per fault."""

from __future__ import annotations


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
