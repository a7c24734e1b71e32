"""The debrief for scripts and spreadsheets: JSON as `schema.json` says, and back; CSV; a workbook.

The CSV has one row a step, by RFC 4180: comma, CRLF, quotes doubled. Text never runs as a formula; numbers
stay numbers. Beside it stands what its columns are and what it was made from, in the form of W3C, CSV on the
Web: Metadata Vocabulary for Tabular Data; a reader that knows it finds it by its name, `FILE-metadata.json`.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from functools import cache, lru_cache
from importlib.resources import files
from operator import attrgetter
from pathlib import PurePath
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from tracker.debrief.excursion import Excursion
from tracker.debrief.journals import pool
from tracker.debrief.rows import MOST_TEXT, StepRow, plain_type, step_columns
from tracker.debrief.tabular import TABLES, Value
from tracker.foundation.text import ADVISORY, plain
from tracker.foundation.times import (
    format_day_of_year,
    format_instant,
    format_pet_s,
    instant_of,
    parse_instant,
)
from tracker.plan.workbook_out import SheetOut, workbook_bytes


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


Read = Callable[[Any], Any]


def restored(value: Mapping[str, Any]) -> Excursion:
    """Return the debrief that was written so; KeyError or ValueError where it was written otherwise."""
    found: Excursion = _reader(Excursion)(value)
    return found


@cache
def _reader(hint: Any) -> Read:
    """Return what reads a value of a type."""
    if is_dataclass(hint):
        return _of_dataclass(hint)
    origin, of = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _reader(of[0])
    if origin in (Union, UnionType):
        (inner,) = (_reader(one) for one in of if one is not NoneType)
        return lambda value: None if value is None else inner(value)
    if origin is tuple:
        each = _reader(of[0])
        return lambda value: tuple(map(each, value))
    if origin is not None and isinstance(origin, type) and issubclass(origin, Mapping):
        each = _reader(of[1])
        return lambda value: {key: each(one) for key, one in value.items()}
    if hint is float:
        return lambda value: math.nan if value is None else value
    return parse_instant if hint is datetime else lambda value: value


def _of_dataclass(kind: Any) -> Read:
    # What an earlier version did not write has a default.
    hints = get_type_hints(kind, include_extras=True)
    readers = [(field.name, _reader(hints[field.name])) for field in fields(kind)]
    later = {field.name for field in fields(kind) if field.default is not MISSING}
    return lambda value: kind(
        **{name: read(value[name]) for name, read in readers if name in value or name not in later}
    )


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
    told = {None: "", True: "yes", False: "no"}[one.kept]
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
        *("" if at is None else cell(format_pet_s(at)) for at in moments),
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


_DATATYPES: Mapping[Any, Any] = {
    str: "string",
    int: "integer",
    float: "number",
    bool: {"base": "boolean", "format": "yes|no"},
    tuple: "list",
}
_FORMS: Mapping[str, tuple[Any, str, str]] = {
    "pet": ("string", "as H:MM:SS", "H:MM:SS"),
    "utc": ("dateTime", "as an instant in UTC", ""),
    "day_of_year": ("string", "in UTC with the day of the year", ""),
}
"""Of each notation its datatype, what it is, and its unit."""


def metadata_chunks(every: Sequence[Excursion], url: str) -> Iterator[str]:
    """Yield the JSON text; `url` is the CSV's name as it stands beside the metadata."""
    found = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": PurePath(url).name,
        "dc:title": "Steps as run against planned",
        "dc:description": ADVISORY,
        "dc:creator": every[0].tool if every else "",
        "dc:source": [_source(one) for one in every],
        "dialect": {"encoding": "utf-8", "delimiter": ",", "quoteChar": '"', "header": True},
        "tableSchema": {"columns": list(columns()), "primaryKey": ["uuid", "step"]},
    }
    yield json.dumps(found, ensure_ascii=True, indent=1) + "\n"


def _source(one: Excursion) -> dict[str, Any]:
    return {
        "dc:identifier": f"urn:uuid:{one.uuid}",
        "dc:title": plain(one.excursion, most=200),
        "dc:source": plain(one.journal, most=200),
        "dc:hasVersion": f"event {one.events}, {one.last_hash}",
    }


def columns() -> Iterator[dict[str, Any]]:
    """Yield every column in its order: name, title, datatype, unit and sentence."""
    said, hints = sentences("step"), get_type_hints(StepRow, include_extras=True)
    for name in COLUMNS:
        if name in OF_THE_EXCURSION:
            datatype = {"limits_kept": _DATATYPES[bool], "last_event": "integer"}.get(name, "string")
            yield _column(name, datatype, "1" if datatype == "integer" else "", OF_THE_EXCURSION[name])
        elif name in said:
            yield _column(name, _DATATYPES[plain_type(hints[name])], step_columns()[name].unit, said[name])
        else:
            of, form = next((of, form) for of in MOMENTS for form in FORMS if name == f"{of}_{form}")
            datatype, what, unit = _FORMS[form]
            yield _column(name, datatype, unit, f"`{of}` {what}.")


def _column(name: str, datatype: Any, unit: str, said: str) -> dict[str, Any]:
    found = {"name": name, "titles": name, "datatype": datatype, "dc:description": said}
    if datatype == "list":
        found |= {"datatype": "string", "separator": " "}
    return found | ({"schema:unitText": unit} if unit else {})


@cache
def sentences(part: str) -> Mapping[str, str]:
    """The sentence of each field of a part of the debrief, as the published schema has it."""
    schema = json.loads(files("tracker.debrief").joinpath("schema.json").read_text(encoding="utf-8"))
    properties: Mapping[str, Any] = schema["$defs"][part]["properties"]
    return {name: str(one.get("description", "")) for name, one in properties.items()}


def workbook(every: Sequence[Excursion], *, made: datetime) -> Iterator[bytes]:
    """Yield the bytes of an .xlsx with every table of these excursions, made at an instant."""
    sheets = {"Read me": SheetOut(("",), [(line,) for line in _read_me(every)], {})}
    for table in TABLES:
        rows = [tuple(map(_safe, row)) for one in every for row in table.of(one)]
        names = [column.name for column in table.columns]
        sheets[table.name] = SheetOut(names, rows, {}, units=[column.unit for column in table.columns])
    yield workbook_bytes(sheets, made=made)


def _read_me(every: Sequence[Excursion]) -> Iterator[str]:
    yield ADVISORY
    yield "Times are seconds since the excursion's zero; the second line of each sheet has the units."
    for one in every:
        yield plain(f"{one.journal}: {one.verdict}", most=MOST_TEXT)
        yield f"made by {one.tool} from event {one.events}, {one.last_hash}"


def _safe(value: Value) -> Value:
    return plain(value, most=MOST_TEXT) if isinstance(value, str) else value
