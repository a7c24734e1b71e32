"""Presses that were kept here and have become impossible meanwhile: told, and decided by whoever sits here.

Nothing of them is dropped, and nothing is decided for anybody: each is left (a note tells of it), changed
(another press goes in its place), or put off, across restarts too. A decision is about the oldest that was
not put off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tracker.journal.kept_press import Kept, State, note_of, refused_words

LEAVE, CHANGE, LATER = "leave", "change", "later"
WAYS = f"Type `{LEAVE}`: a note tells of it; `{CHANGE} EVENT`: that goes in its place; `{LATER}`: it stays"


@dataclass(frozen=True, slots=True)
class Decision:
    """What was typed of a press."""

    press: Kept
    way: str
    rest: str
    """The event in its place, as typed."""

    @property
    def settles(self) -> tuple[str, State]:
        """The press, and what becomes of it once what is written for it is on record."""
        return self.press.job, "let go" if self.way == LEAVE else "replaced"

    @property
    def note(self) -> Mapping[str, Any]:
        """The note that stands for it where it is left."""
        return note_of(self.press)


@dataclass
class Refusals:
    """The presses of this seat that are to be decided on, the oldest first."""

    presses: tuple[Kept, ...] = ()
    _put_off: set[str] = field(default_factory=set)

    @property
    def told(self) -> tuple[str, ...]:
        """A line for each that was not put off."""
        return tuple(refused_words(one) for one in self.presses if one.job not in self._put_off)

    def decision(self, text: str) -> Decision | None:
        """What a typed line decides; None where it decides nothing."""
        way, _, rest = text.strip().partition(" ")
        way = way.lower()
        if not self.presses or way not in (LEAVE, CHANGE, LATER) or bool(rest.strip()) != (way == CHANGE):
            return None
        open_ones = [one for one in self.presses if one.job not in self._put_off]
        return Decision((open_ones or self.presses)[0], way, rest.strip())

    def put_off(self, press: Kept) -> None:
        """Tell no more of a press in this sitting; it stays."""
        self._put_off.add(press.job)
