"""The debrief for scripts and spreadsheets: JSON as `schema.json` beside this file says, and CSV.

The CSV has one row a step, by RFC 4180: comma, CRLF, quotes doubled. Text never runs as a formula; numbers
stay numbers.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any

from tracker.debrief.excursion import Excursion
from tracker.debrief.journals import pool
from tracker.debrief.rows import StepRow, step_columns
from tracker.debrief.tables import MOST_TEXT
from tracker.foundation.text import ADVISORY, plain
from tracker.foundation.times import format_day_of_year, format_instant, format_pet, instant_of


def plain_values(value: Any) -> Any:
    """Return a value of the debrief as what JSON knows: no NaN, instants in RFC 3339."""
    kind: Any = type(value)
    if kind in _AS_IT_IS:
        return value
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if (names := _fields(kind)) is not None:
        return {name: plain_values(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): plain_values(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain_values(one) for one in value]
    return format_instant(value) if isinstance(value, datetime) else value


_AS_IT_IS = frozenset((str, int, bool, type(None)))


@lru_cache
def _fields(kind: Any) -> tuple[str, ...] | None:
    """Return the names of a dataclass's fields; None for anything else."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None


def json_chunks(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the JSON text in pieces, one an excursion, so that many of them need little memory."""
    yield f'{{"format": 1, "advisory": {json.dumps(ADVISORY)}, "excursions": ['
    for i, one in enumerate(every):
        yield (",\n" if i else "\n") + _json_text(one)
    yield f'\n], "pooled": {_json_text(pool(every))}}}\n'


def _json_text(value: Any) -> str:
    return json.dumps(plain_values(value), allow_nan=False)


MOMENTS = tuple(name for name, column in step_columns().items() if column.moment)
"""Columns in seconds that also appear as PET, in UTC and with the day of the year."""

_NAMES = tuple(step_columns())
_FIRST = 1 + next(i for i, column in enumerate(step_columns().values()) if column.notations_follow)
"""So many fields stand before those notations."""

FORMS = ("pet", "utc", "day_of_year")
"""Notations in which a moment stands once more, as ends of the columns' names."""
OF_THE_EXCURSION = {
    "limits_kept": "Whether every limit was kept and all must work done, as far as it can be judged.",
    "limits_broken": "In a line whether every limit was kept and all must work done, and what was not.",
    "uuid": "Of the excursion, whatever its journal's file is called.",
    "last_event": "Number of the last event of the journal.",
    "last_hash": "Hash of that event: what the file is made from, to the letter.",
    "tool": "What made the file, with its version.",
    "advisory": "What every export says.",
}
"""Columns that are the same in every row of an excursion, with a sentence each."""

COLUMNS = (
    *_NAMES[:_FIRST],
    *(f"{name}_{form}" for form in FORMS for name in MOMENTS),
    *_NAMES[_FIRST:],
    *OF_THE_EXCURSION,
)
"""Headings, in order; new ones are added before `advisory`."""

_at_names, _at_moments = attrgetter(*_NAMES), attrgetter(*MOMENTS)

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


def of_the_excursion(one: Excursion) -> tuple[object, ...]:
    """Return the values of the columns that are the same in every row of an excursion."""
    kept = [limit.kept for limit in one.limits if limit.kept is not None]
    told = "" if not kept else "yes" if all(kept) else "no"
    return told, one.verdict, one.uuid, one.events, one.last_hash, one.tool, ADVISORY


def csv_row(
    row: StepRow, zero: datetime | None, same: Sequence[str | int | float]
) -> list[str | int | float]:
    """Return the cells of one step in the order of `COLUMNS`.

    `zero` is the instant of PET 0; `same` are the cells that are the same in every row.
    """
    cells, moments = [*map(cell, _at_names(row))], _at_moments(row)
    known = [None if zero is None or at is None else instant_of(at, zero) for at in moments]
    return [
        *cells[:_FIRST],
        *("" if at is None else cell(format_pet(at, with_seconds=True)) for at in moments),
        # An instant begins with a digit and has nothing in it that a spreadsheet runs.
        *("" if at is None else format_instant(at) for at in known),
        *("" if at is None else format_day_of_year(at) for at in known),
        *cells[_FIRST:],
        *same,
    ]


def csv_chunks(every: Iterable[Excursion]) -> Iterator[str]:
    """Yield the CSV text in pieces: the headings, then the rows of each excursion."""
    yield _csv_text([COLUMNS])
    for one in every:
        same = [cell(value) for value in of_the_excursion(one)]
        yield _csv_text(csv_row(row, one.zero, same) for row in one.steps)


def _csv_text(rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue()
