"""Places besides that of a desk's journal: the page for paper beside it, and where it goes on.

A journal whose place is gone, or refuses what is written, goes on in another once it is told to.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tracker.forecast.figures import Estimate
from tracker.foundation.clock import utc_now
from tracker.foundation.errors import TrackerError
from tracker.foundation.output import write_out
from tracker.journal.place import beside, place_of, resolved
from tracker.journal.progress import Progress

ELSEWHERE = "elsewhere"
"""Typed before the place in which it is to go on."""
OFFER = f"`{ELSEWHERE} PATH` goes on there"


@dataclass(frozen=True)
class Elsewhere:
    """The journal is to go on in this place."""

    place: str


def typed_place(text: str) -> str | None:
    """Return the place in which the journal is to go on; None where the text says no such thing."""
    word, _, place = text.strip().partition(" ")
    return place.strip() if word.lower() == ELSEWHERE and place.strip() else None


def go_on(journal: Any, place: str, refuses: str) -> tuple[Any, str]:
    """The journal as it is written from now on, and what is said of it.

    `refuses`: why its present place refuses what is written. One that does not, and is there, is not left.
    """
    from tracker.journal.rescue import go_on_in

    try:
        if not refuses:
            journal.refresh()
            return journal, f"{journal.name} takes what is written: it goes on there"
    except TrackerError as error:
        refuses = error.lines[0]
    try:
        before, there = journal.number, go_on_in(place_of(place), journal, refuses, utc_now())
    except TrackerError as error:
        return journal, f"it does not go on there: {error.lines[0]}"
    return there, f"goes on in {there.name} with all {before} entries, and a note on where it was"


def offered(journal: Any, outbox: Path | None) -> str:
    """What is said besides of a place that is gone: where somebody went on, or that it can be done."""
    from tracker.journal.outbox import gone_to

    place = resolved(journal.place)
    other = gone_to(outbox.parent, journal.genesis.uuid, place) if outbox is not None else None
    return f"; another seat goes on in {other}" if other is not None else f"; {OFFER}"


def write_page(journal: Any, progress: Progress, estimate: Estimate) -> None:
    """Write the page for paper beside the journal, or in this user's folder, all of it or none."""
    from tracker.forecast.report import page

    lines = page(progress, estimate, number=journal.number, digest=journal.hash)
    place = beside(journal.place, ".page.txt")
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    like = journal.place if isinstance(journal.place, Path) else None
    write_out(str(place), (f"{line}\n" for line in lines), beside=like)
