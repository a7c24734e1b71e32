"""A press as it is kept until it is on record, and what is said of one that was refused meanwhile: values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import NAMESPACE_OID, uuid5

from tracker.foundation.text import plain
from tracker.foundation.times import format_instant

State = Literal["waiting", "sent", "recorded", "refused", "let go", "taken back", "replaced"]
"""What became of a press: those that wait or were sent are still to be on record."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One press that is not on record."""

    job: str
    pressed: datetime
    seat: str
    events: tuple[Mapping[str, Any], ...]
    state: State
    words: str = ""
    """Why it was refused, where it was."""


def refused_words(kept: Kept) -> str:
    """What is said of a press that was refused after it had been kept."""
    events = "; ".join(
        " ".join([str(event.get("kind")), *(f"{k}={v}" for k, v in event.items() if k != "kind")])
        for event in kept.events
    )
    said = f"pressed {format_instant(kept.pressed)} by {kept.seat}, refused since: {events}: {kept.words}"
    return plain(said, most=2000)


def taken_back_by(events: Iterable[Mapping[str, Any]]) -> frozenset[str]:
    """The names of the presses that some events take back before they have a number."""
    return frozenset(str(e["job"]) for e in events if e.get("kind") == "withdrawn" and "job" in e)


def undo_name(job: str) -> str:
    """The name of the press that takes one back which was just made: whoever sends it, it is written once."""
    return str(uuid5(NAMESPACE_OID, f"undo {job}"))


def withdrawals(numbers: Sequence[int]) -> tuple[Mapping[str, Any], ...]:
    """The events that take back some others, the last first."""
    return tuple({"kind": "withdrawn", "event": number} for number in reversed(numbers))


def is_moot(kept: Kept, waiting: Iterable[Kept]) -> bool:
    """Whether nobody has to decide on a refused press: it was taken back, or takes back what is not there."""
    return bool(taken_back_by(kept.events)) or any(kept.job in taken_back_by(one.events) for one in waiting)


def note_of(kept: Kept) -> dict[str, Any]:
    """The note that stands on record for a press that is left."""
    at = {"at": one} if (one := next((e["at"] for e in kept.events if "at" in e), None)) is not None else {}
    return {"kind": "noted", "text": refused_words(kept), **at}
