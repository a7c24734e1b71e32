"""A sheet's bytes as text and its text as a table: encodings, separators, and where the headings stand."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.foundation.errors import Fault, PlanError
from tracker.plan.cells import Cell, text_cell
from tracker.plan.columns import NO_WISHES, Columns, Wishes, match

MOST_ROWS = 5000
MOST_COLUMNS = 200
_ABOVE = 20
"""Headings are looked for in so many rows; titles and remarks may stand above them."""
_SAMPLE = 100
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of the usual workbooks: zip archives and compound files."""
_NO_TEXT = re.compile("[\x00-\x08\x0e-\x1a\x1c-\x1f]")


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet's headings and the rows below them, all equally long."""

    columns: Columns
    header_row: int
    """Row of the sheet, from 1."""
    rows: list[list[Cell]]


def sheet_text(raw: bytes, file: str) -> tuple[str, str]:
    """A sheet's text and, unless it is UTF-8, how it was read.

    Spreadsheets write UTF-8, UTF-16 with a byte-order mark, or the western code page of their system.
    Raises PlanError for what is no text.
    """
    if raw.startswith(_WORKBOOKS):
        raise PlanError([Fault(file, 0, 0, "", "is a workbook, not CSV", "save its sheet as CSV, UTF-8")])
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text, said = raw.decode("utf-16"), "UTF-16"
        else:
            text, said = raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        text, said = raw.decode("cp1252", "replace"), "Windows-1252, for it is not UTF-8"
    if _NO_TEXT.search(text):
        raise PlanError([Fault(file, 0, 0, "", "is no text", "save the sheet as CSV, UTF-8")])
    return text, said


def read_table(text: str, file: str, wishes: Wishes = NO_WISHES) -> Table:
    """The table in a sheet's text, by the separator and the headings that make sense of it.

    Raises PlanError when it is empty, too large or no CSV.
    """
    first, _, rest = text.partition("\n")
    hint = re.fullmatch(r'"?sep=(.)"?\s*', first, re.IGNORECASE)
    body, skipped = (rest, 1) if hint else (text, 0)
    if not body.strip():
        raise _empty(file)
    found: list[Table | PlanError] = []
    for mark in _marks(body, hint):
        try:
            found.append(_headed(_rows(body, mark, file), wishes, skipped))
        except PlanError as error:
            found.append(error)
    likeliest = next((one for one in found if isinstance(one, Table) and one.columns.complete), found[0])
    if isinstance(likeliest, PlanError):
        raise likeliest
    return likeliest


def _marks(body: str, hint: re.Match[str] | None) -> list[str]:
    """The marks that may separate cells, the likeliest first: most often in the first line that has any."""
    if hint:
        return [hint.group(1)]
    line = next(line for line in body.splitlines() if line.strip())
    outside_quotes = re.sub(r'"[^"]*"', "", line)
    return sorted(
        (mark for mark in ",;\t|" if mark in body), key=lambda mark: -outside_quotes.count(mark)
    ) or [","]


def _rows(body: str, mark: str, file: str) -> list[list[Cell]]:
    rows: list[list[str]] = []
    try:
        rows.extend(csv.reader(io.StringIO(body, newline=""), delimiter=mark, strict=True))
    except csv.Error as error:
        n = len(rows) + 1
        what, right = f"is not CSV: {error}", "close every quotation mark, and save the sheet as CSV, UTF-8"
        raise PlanError([Fault(file, n, 1, f"row {n}", what, right)]) from None
    if not any(cell.strip() for row in rows for cell in row):
        raise _empty(file)
    wide = max(len(row) for row in rows)
    if len(rows) > MOST_ROWS or wide > MOST_COLUMNS:
        what = f"has {len(rows):,} rows and {wide:,} columns"
        raise PlanError([Fault(file, 0, 0, "", what, f"at most {MOST_ROWS:,} and {MOST_COLUMNS} are read")])
    return [[text_cell(cell) for cell in row] + [Cell()] * (wide - len(row)) for row in rows]


def _headed(rows: Sequence[list[Cell]], wishes: Wishes, skipped: int = 0) -> Table:
    """The table below its headings: the first row that has all of them, else the first with text."""
    filled = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
    complete = (i for i in filled[:_ABOVE] if match(rows[i], rows[i + 1 : i + 1 + _SAMPLE], wishes).complete)
    at = next(complete, filled[0])
    return Table(match(rows[at], rows[at + 1 :], wishes), at + skipped + 1, list(rows[at + 1 :]))


def _empty(file: str) -> PlanError:
    return PlanError([Fault(file, 1, 1, "", "is empty", "save a sheet with headings and a row a step")])
