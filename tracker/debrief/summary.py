"""The debrief in a screenful of plain lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tracker.debrief import tables
from tracker.debrief.excursion import Excursion
from tracker.debrief.pooled import pool
from tracker.debrief.words import Table, pet, signed
from tracker.foundation.text import ADVISORY, plain

MOST_OVERRUNS = 8


def summary(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the lines: one excursion with its largest overruns, or several with a row each."""
    if len(every) == 1:
        yield from _one(every[0])
    else:
        together = pool(every)
        for table in (
            tables.excursions(every),
            tables.groups("Kinds of work", together.work),
            tables.groups("Crew", together.crew),
            tables.scores(together.judgement),
        ):
            yield from _lines(table)
    yield ADVISORY + "\n"


def _one(one: Excursion) -> Iterator[str]:
    yield f"Debrief: {plain(one.excursion)}\n\n"
    for table in (
        tables.overview(one),
        tables.waterfall(one),
        tables.spent(one),
        tables.groups("Kinds of work", one.totals.work),
        _overruns(one),
        tables.consumables(one),
        tables.decisions(one),
        tables.scores(one.judgement),
    ):
        if table.rows:
            yield from _lines(table)


def _overruns(one: Excursion) -> Table:
    worst = sorted((r for r in one.steps if (r.variance or 0) > 0), key=lambda r: -(r.variance or 0))
    rows = tuple(
        (
            row.step,
            row.do,
            pet(row.planned_duration),
            pet(row.actual_duration),
            signed(row.variance),
        )
        for row in worst[:MOST_OVERRUNS]
    )
    return Table(
        "Largest overruns", ("step", "do", "planned", "actual", "difference"), rows, frozenset({2, 3, 4})
    )


def _lines(table: Table) -> Iterator[str]:
    """Yield a table in columns."""
    cells = [[plain(cell, most=48) for cell in row] for row in (table.headings, *table.rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(table.headings))]
    yield f"{table.title}\n"
    for row in cells if any(table.headings) else cells[1:]:
        padded = (
            cell.rjust(width) if i in table.right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  " + "  ".join(padded).rstrip() + "\n"
    yield "\n"
