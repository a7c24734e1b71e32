"""The debrief as CSV: one row a step, for spreadsheets and scripts.

RFC 4180: comma, CRLF, quotes doubled. Text never runs as a formula; numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import fields
from datetime import datetime
from functools import lru_cache
from operator import attrgetter

from tracker.debrief.excursion import Excursion
from tracker.debrief.rows import StepRow
from tracker.debrief.words import MOST_TEXT
from tracker.foundation.text import ADVISORY, plain
from tracker.foundation.times import format_day_of_year, format_instant, format_pet, instant_of

MOMENTS = ("planned_start", "planned_finish", "actual_start", "actual_finish")
"""Columns in seconds that also appear as PET, in UTC and with the day of the year."""

_LATER = ("said",)
"""Fields of a row that came after the instants, where columns are added."""
_FIRST = tuple(field.name for field in fields(StepRow) if field.name not in _LATER)

COLUMNS = (
    *_FIRST,
    *(f"{name}_{form}" for form in ("pet", "utc", "day_of_year") for name in MOMENTS),
    *_LATER,
    "advisory",
)
"""Headings, in order; new ones are added before `advisory`."""

_at_first, _at_moments = attrgetter(*_FIRST), attrgetter(*MOMENTS)

# A cell that starts so is run by spreadsheets. After a separator or a quote the same holds where a file
# is opened with other separators than it was written with.
_RUNS = re.compile(r"(^|[,;|\"'])(\s*)([=+\-@\uff1d\uff0b\uff0d\uff20])")


def cell(value: object) -> str | int | float:
    """Return a value as a cell: numbers as they are, everything else as one line that no spreadsheet runs."""
    if isinstance(value, str):
        return _harmless(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, (int, float)):
        return _short(value)
    return _harmless(" ".join(map(str, value)) if isinstance(value, tuple | list) else str(value))


@lru_cache(maxsize=4096)
def _harmless(text: str) -> str:
    """Return text as one line that no spreadsheet runs; most of it stands in many rows."""
    return _RUNS.sub(r"\1\2'\3", plain(text, most=MOST_TEXT))


def _short(value: float) -> int | float:
    """Return a number without digits that say nothing."""
    rounded = round(value, 4)
    return int(rounded) if rounded == int(rounded) else rounded


def csv_row(row: StepRow, zero: datetime | None) -> list[str | int | float]:
    """Return the cells of one step in the order of `COLUMNS`; `zero` is the instant of PET 0."""
    moments = _at_moments(row)
    known = [None if zero is None or at is None else instant_of(at, zero) for at in moments]
    return [
        *map(cell, _at_first(row)),
        *("" if at is None else cell(format_pet(at, with_seconds=True)) for at in moments),
        # An instant begins with a digit and has nothing in it that a spreadsheet runs.
        *("" if at is None else format_instant(at) for at in known),
        *("" if at is None else format_day_of_year(at) for at in known),
        *(cell(getattr(row, name)) for name in _LATER),
        ADVISORY,
    ]


def csv_chunks(every: Iterable[Excursion]) -> Iterator[str]:
    """Yield the CSV text in pieces: the headings, then the rows of each excursion."""
    yield _text([COLUMNS])
    for one in every:
        yield _text(csv_row(row, one.zero) for row in one.steps)


def _text(rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue()
