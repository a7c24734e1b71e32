"""The derived tables of a journal, `as_run` and `as_spent`, as a function of its progress."""

from __future__ import annotations

from typing import Any

from tracker.journal.asrun import as_run, as_spent
from tracker.journal.progress import Progress
from tracker.journal.schema import COLUMNS
from tracker.journal.store import Cell, Rows, Table

_PER_CREW = 1_000_000
"""Places kept for each crew member in `as_spent`, so that a new interval moves no other row."""


def derived_rows(progress: Progress) -> dict[Table, Rows]:
    """Return every row of both tables by place, up to the last event."""
    run = {place: _cells("as_run", row) for place, row in enumerate(as_run(progress), 1)}
    spent: dict[int, tuple[Cell, ...]] = {}
    places = {member.id: n * _PER_CREW for n, member in enumerate(progress.plan.crew, 1)}
    for row in as_spent(progress, progress.at):
        spent[places[row.crew]] = _cells("as_spent", row)
        places[row.crew] += 1
    return {"as_run": run, "as_spent": spent}


def differences(before: Rows, after: Rows) -> tuple[Rows, list[int]]:
    """Return the rows to put and the places to clear to come from one table to another."""
    put = {place: cells for place, cells in after.items() if before.get(place) != cells}
    return put, [place for place in before if place not in after]


def _cells(table: Table, row: Any) -> tuple[Cell, ...]:
    return tuple(_cell(getattr(row, name)) for name in COLUMNS[table])


def _cell(value: Any) -> Cell:
    if isinstance(value, tuple | list):
        return " ".join(value)
    return float(value) if isinstance(value, int | float) else value
