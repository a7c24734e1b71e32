"""A sheet's bytes as text and its text as a table: encodings, separators, and where the headings stand."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracker.foundation.errors import Fault, PlanError, WrongUsage
from tracker.foundation.text import listed, meant
from tracker.plan.cells import Cell, text_cell, unguarded
from tracker.plan.columns import NO_WISHES, SPANS, Columns, Wishes, match
from tracker.plan.package import MOST_COLUMNS, MOST_ROWS
from tracker.plan.sheet_words import fold
from tracker.plan.workbook import Grid, is_workbook, read_workbook, shown_rows

_ABOVE = 20
"""Headings are looked for in so many rows; titles and remarks may stand above them."""
_SAMPLE = 100
_NO_TEXT = re.compile("[\x00-\x08\x0e-\x1a\x1c-\x1f]")


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet's headings and the rows below them, all equally long."""

    columns: Columns
    header_row: int
    """Row of the sheet, from 1."""
    rows: list[list[Cell]]
    sheet: str = ""
    """The sheet of a workbook that it is."""
    said: tuple[str, ...] = ()
    """How the file was read, in words."""
    faults: tuple[Fault, ...] = ()
    """What is wrong with the sheet as a whole."""


def read_table_of(raw: bytes, file: str, wishes: Wishes = NO_WISHES) -> Table:
    """The table in a file: of a workbook one of its sheets, else the text's.

    Raises PlanError, and WrongUsage for a sheet that somebody named and the workbook does not have.
    """
    if is_workbook(raw):
        return table_of_workbook(read_workbook(raw, file), file, wishes)
    text, encoding = sheet_text(raw, file)
    table = read_table(text, file, wishes)
    return replace(table, said=(f"the file is read as {encoding}",)) if encoding else table


def rows_of(raw: bytes, file: str) -> list[list[Cell]]:
    """All rows of a file, whatever stands in them: of a workbook those of its first visible sheet.

    Raises PlanError.
    """
    if is_workbook(raw):
        shown = [grid for grid in read_workbook(raw, file) if not grid.hidden and grid.rows]
        if not shown:
            raise _empty(file)
        return _square(shown[0].rows)
    text, _ = sheet_text(raw, file)
    if not text.strip():
        raise _empty(file)
    return _rows(text, _marks(text, None)[0], file)


def table_of_workbook(grids: Sequence[Grid], file: str, wishes: Wishes) -> Table:
    """The table in the one sheet that is meant."""
    grid, table = _chosen(grids, file, wishes)
    first, columns = table.header_row, table.columns
    filled = {n for n, row in enumerate(grid.rows, 1) if n > first and any(cell.strip() for cell in row)}
    rows = sorted(grid.hidden_rows & filled)
    hidden = sorted(
        at for at in grid.hidden_columns if at <= len(columns.headings) and columns.headings[at - 1].strip()
    )
    if wishes.hidden == "skip" and (rows or hidden):
        shown = [
            [
                cell if n not in grid.hidden_rows and at not in grid.hidden_columns else Cell()
                for at, cell in enumerate(row, 1)
            ]
            for n, row in enumerate(grid.rows, 1)
        ]
        table = _headed(shown, replace(wishes, header_row=first))
    faults = _merged(grid, table, file)
    if not wishes.hidden and (rows or hidden):
        right = "say --hidden read or --hidden skip"
        columns_said = ", ".join(map(columns.place, (at - 1 for at in hidden)))
        what = [f"{shown_rows(rows)} {'are' if rows[1:] else 'is'} hidden"] if rows else []
        what += [f"{columns_said} {'are' if hidden[1:] else 'is'} hidden"] if hidden else []
        faults += [Fault(file, (rows or [first])[0], 1, "", one, right) for one in what]
    said = [f"sheet {grid.name}", *filter(None, [grid.remark])]
    return replace(table, sheet=grid.name, said=("; ".join(said),), faults=tuple(faults))


def _merged(grid: Grid, table: Table, file: str) -> list[Fault]:
    """A fault for each time that stands in one cell over several rows."""
    timed = {table.columns.keys[key] for key in (*SPANS, "start", "end") if key in table.columns.keys}
    last = table.header_row + len(table.rows)
    return [
        Fault(
            file,
            a,
            b,
            f"{shown_rows(range(a, min(c, last) + 1))}, {table.columns.place(b - 1)}",
            "is one merged cell",
            "write a time in each row",
        )
        for a, b, c, _ in grid.merges
        if table.header_row < a < c
        and b - 1 in timed
        and a <= last
        and table.rows[a - table.header_row - 1][b - 1]
    ]


def _chosen(grids: Sequence[Grid], file: str, wishes: Wishes) -> tuple[Grid, Table]:
    """The sheet that is meant: the one named, else the only visible one with all headings."""
    filled = [grid for grid in grids if any(cell.strip() for row in grid.rows for cell in row)]
    if wishes.sheet:
        named = [grid for grid in grids if fold(grid.name) == fold(wishes.sheet)]
        if not named:
            names = [grid.name for grid in grids]
            hint = meant(wishes.sheet, names, f"sheets are {', '.join(names)}")
            raise WrongUsage(f"--sheet: the workbook has no sheet {wishes.sheet!r}; {hint}")
        if named[0] not in filled:
            raise _empty(file)
        return named[0], _headed(_square(named[0].rows), wishes)
    tables = [(grid, _headed(_square(grid.rows), wishes)) for grid in filled if not grid.hidden]
    complete = [(grid, table) for grid, table in tables if table.columns.complete]
    likely = complete or tables
    if len(likely) == 1:
        return likely[0]
    if not likely:
        raise _empty(file)
    names = [grid.name for grid, _ in likely]
    what = f"sheets {listed(names)} {'both' if len(names) == 2 else 'all'} hold steps" if complete else ""
    what = what or f"none of the sheets {listed(names)} has headings for what is done, by whom and how long"
    raise PlanError([Fault(file, 0, 0, "", what, f'say --sheet "{names[0]}"')])


def _square(rows: Sequence[Sequence[Cell]]) -> list[list[Cell]]:
    """Rows of equal length."""
    wide = max(map(len, rows))
    return [[*row, *[Cell()] * (wide - len(row))] for row in rows]


def sheet_text(raw: bytes, file: str) -> tuple[str, str]:
    """A sheet's text and, unless it is UTF-8, how it was read.

    Spreadsheets write UTF-8, UTF-16 with a byte-order mark, or the western code page of their system.
    Raises PlanError for what is no text.
    """
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
    return _square([[text_cell(unguarded(cell)) for cell in row] for row in rows])


def _headed(rows: Sequence[list[Cell]], wishes: Wishes, skipped: int = 0) -> Table:
    """The table below its headings: the first row that has all of them, else the first with text."""
    filled = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
    if wishes.header_row:
        filled = [min(wishes.header_row, len(rows)) - 1]
    complete = (i for i in filled[:_ABOVE] if match(rows[i], rows[i + 1 : i + 1 + _SAMPLE], wishes).complete)
    at = next(complete, filled[0])
    return Table(match(rows[at], rows[at + 1 :], wishes), at + skipped + 1, list(rows[at + 1 :]))


def _empty(file: str) -> PlanError:
    return PlanError([Fault(file, 1, 1, "", "is empty", "save a sheet with headings and a row a step")])
