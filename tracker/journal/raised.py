"""What was raised, a question, reminder, deviation or message, and how it was settled: values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Settlement:
    """How something that was raised came to its end."""

    number: int
    """Number of the event that settled it: a `settled`, or the decision that answers a question."""
    kind: str
    at: float
    text: str
    by: str | None
    seat: str


@dataclass(frozen=True, slots=True)
class Raised:
    """A `raised` event: open until it is settled."""

    number: int
    at: float
    what: Literal["question", "reminder", "deviation", "message"]
    text: str
    about: str | None
    """A step, a task, a limit or a crew member."""
    due: float | None
    after: str | None
    """The step after which it is due."""
    owner: str | None
    to: str | None
    """Who is asked."""
    by: str | None
    seat: str
    settled: Settlement | None = None
    """None while it is open."""
