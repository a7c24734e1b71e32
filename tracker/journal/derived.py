"""The derived tables of a journal, `as_run` and `as_spent`, as a function of its progress."""

from __future__ import annotations

from operator import attrgetter

from tracker.journal.asrun import AsRunRow, as_run, as_spent
from tracker.journal.progress import Progress
from tracker.journal.schema import AS_RUN, AS_SPENT
from tracker.journal.store import Cell, Rows, Table

_PER_CREW = 1_000_000
"""Places kept for each crew member in `as_spent`, so that a new interval moves no other row."""

_run_values = attrgetter(*AS_RUN)
_spent_values = attrgetter(*AS_SPENT)
_CREW = AS_RUN.index("crew")


def derived_rows(progress: Progress) -> dict[Table, Rows]:
    """Return every row of both tables by place, up to the last event."""
    run = {place: _run_cells(row) for place, row in enumerate(as_run(progress), 1)}
    spent: dict[int, tuple[Cell, ...]] = {}
    places = {member.id: n * _PER_CREW for n, member in enumerate(progress.plan.crew, 1)}
    for row in as_spent(progress, progress.at):
        spent[places[row.crew]] = _spent_values(row)
        places[row.crew] += 1
    return {"as_run": run, "as_spent": spent}


def differences(before: Rows, after: Rows) -> tuple[Rows, list[int]]:
    """Return the rows to put and the places to clear to come from one table to another."""
    put = {place: cells for place, cells in after.items() if before.get(place) != cells}
    return put, [place for place in before if place not in after]


def _run_cells(row: AsRunRow) -> tuple[Cell, ...]:
    """Return a row as the file holds it: the crew as one text."""
    values = _run_values(row)
    return (*values[:_CREW], " ".join(row.crew), *values[_CREW + 1 :])
