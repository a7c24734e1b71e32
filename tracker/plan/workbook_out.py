"""Tables as the sheets of an .xlsx: texts stay texts, times are spans, headings repeat on paper.

No cell is ever a formula: a text that begins like one is stored as a text.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from tracker.plan.cells import DAY_S

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
"""Source: ECMA-376 Part 1, 22.9.2.19."""
LONGEST = 32_000
"""Characters of a cell; the format allows 32,767."""


@dataclass(frozen=True, slots=True)
class Span:
    """A duration or a PET in seconds, as a cell that shows H:MM, or H:MM:SS where the seconds count."""

    seconds: float


@dataclass(frozen=True, slots=True)
class SheetOut:
    """One sheet: headings, rows below them, and what may be chosen in a column."""

    headings: Sequence[str | float | Span | None]
    rows: Sequence[Sequence[str | float | Span | None]]
    choices: Mapping[str, Sequence[str]]
    """Heading to the words offered below it; others may be written."""
    grey: frozenset[str] = frozenset()
    """Headings of columns that are for people and not read."""
    units: Sequence[str] = ()
    """The unit of each column, in a second, grey line of headings; without any there is no such line."""


def workbook_bytes(sheets: Mapping[str, SheetOut], *, made: datetime) -> bytes:
    """The bytes of an .xlsx; `made`: the instant that it names as that of its making.

    Raises ValueError for a text that is too long for a cell.
    """
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    book.properties.created = book.properties.modified = made.replace(tzinfo=None)
    for name, out in sheets.items():
        _fill(book.create_sheet(name), out)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _fill(sheet: Worksheet, out: SheetOut) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for at, heading in enumerate(out.headings, 1):
        _put(sheet, 1, at, heading)
        sheet.cell(1, at).font = Font(bold=True, color="808080" if heading in out.grey else "000000")
    top = 2 if out.units else 1
    for at, unit in enumerate(out.units, 1):
        _put(sheet, 2, at, unit)
        sheet.cell(2, at).font = Font(color="808080")
    for n, row in enumerate(out.rows, top + 1):
        for at, value in enumerate(row, 1):
            _put(sheet, n, at, value)
            if out.headings[at - 1] in out.grey:
                sheet.cell(n, at).font = Font(color="808080")
    for at, heading in enumerate(out.headings, 1):
        shown = (_width(row[at - 1]) for row in out.rows)
        sheet.column_dimensions[get_column_letter(at)].width = min(60, max([_width(heading), *shown]) + 2)
        words = ",".join(out.choices.get(str(heading), ()))
        if words and len(words) < 250 and '"' not in words:
            offered = DataValidation(
                type="list", formula1=f'"{words}"', allow_blank=True, showErrorMessage=False
            )
            offered.add(f"{get_column_letter(at)}2:{get_column_letter(at)}{len(out.rows) + 200}")
            sheet.add_data_validation(offered)
    sheet.freeze_panes = f"A{top + 1}"
    sheet.print_title_rows = f"1:{top}"
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _width(value: str | float | Span | None) -> int:
    return 8 if isinstance(value, Span) else max(map(len, str(value or "").split("\n")))


def _put(sheet: Worksheet, row: int, column: int, value: str | float | Span | None) -> None:
    if value is None or value == "":
        return
    cell: Any = sheet.cell(row, column)
    if isinstance(value, Span):
        cell.value = value.seconds / DAY_S
        cell.number_format = "[h]:mm:ss" if value.seconds % 60 else "[h]:mm"
    elif isinstance(value, str):
        if len(value) > LONGEST:
            raise ValueError(
                f"a text of {len(value):,} characters is too long for a cell; write at most {LONGEST:,}"
            )
        # What looks like an escaped character to a reader is written as one that stands for itself.
        cell.value = _ESCAPE.sub("_x005F_", value)
        cell.data_type, cell.number_format = "s", "@"
    else:
        cell.value = value
