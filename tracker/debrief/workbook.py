"""A debrief as a workbook: a sheet a table, units in a second line of headings, no text a formula."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from tracker.debrief.excursion import Excursion
from tracker.debrief.tables import MOST_TEXT
from tracker.debrief.tabular import TABLES, Value
from tracker.foundation.text import ADVISORY, plain
from tracker.plan.workbook_out import SheetOut, workbook_bytes


def workbook(every: Sequence[Excursion], *, made: datetime) -> Iterator[bytes]:
    """Yield the bytes of an .xlsx with every table of these excursions, made at an instant."""
    sheets = {"Read me": SheetOut(("",), [(line,) for line in _first(every)], {})}
    for table in TABLES:
        rows = [tuple(map(_cell, row)) for one in every for row in table.of(one)]
        names = [column.name for column in table.columns]
        sheets[table.name] = SheetOut(names, rows, {}, units=[column.unit for column in table.columns])
    yield workbook_bytes(sheets, made=made)


def _first(every: Sequence[Excursion]) -> Iterator[str]:
    yield ADVISORY
    yield "Times are seconds since the excursion's zero; the second line of each sheet has the units."
    for one in every:
        yield plain(f"{one.journal}: {one.verdict}", most=MOST_TEXT)
        yield f"made by {one.tool} from event {one.events}, {one.last_hash}"


def _cell(value: Value) -> Value:
    return plain(value, most=MOST_TEXT) if isinstance(value, str) else value
