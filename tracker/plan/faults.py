"""What is wrong with a plan: each fault says where, what, and what would be right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.foundation.errors import TrackerError
from tracker.foundation.text import plain


@dataclass(frozen=True, slots=True)
class Fault:
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
