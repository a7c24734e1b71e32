"""Workbooks (.xlsx, .ods, .xls, .xlsb) as plain cells, read by libraries in a process with bounds of its own.

No library that reads workbooks is safe from every file: one value in the last cell there is ends the
interpreter. So a child reads, with little memory and time, and hands back kinds and values; what kills,
stalls or confuses it is one line. Run as a module it is that child.
"""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from tracker.foundation.errors import Fault, PlanError, parted
from tracker.foundation.text import listed
from tracker.plan.cells import Cell, Kind, typed_cell
from tracker.plan.package import (
    LOCKED,
    MOST_COLUMNS,
    MOST_ROWS,
    Look,
    check_package,
    look_at_ods,
    look_at_xlsx,
    xlsx_sheets,
)

MEMORY = 300 * 2**20
CPU_S = 20
AGAIN = "save it again as .xlsx"


_UNKNOWN = "this kind of file does not say which rows are hidden"


@dataclass(frozen=True, slots=True)
class Grid:
    """One sheet of a workbook."""

    name: str
    hidden: bool
    """Whether the sheet itself is."""
    rows: list[list[Cell]]
    hidden_rows: frozenset[int]
    """From 1."""
    hidden_columns: frozenset[int]
    merges: tuple[tuple[int, int, int, int], ...]
    """First row and column, last row and column, from 1."""
    remark: str = ""
    """What could not be told of it."""


def is_workbook(raw: bytes) -> bool:
    """Whether a file is a workbook by its first bytes: a zip archive, or a compound file."""
    return raw.startswith((b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0"))


_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
"""Name of the stream in which a compound file holds an encrypted workbook. Source: MS-OFFCRYPTO 2.3.4.4."""


def read_workbook(raw: bytes, file: str) -> list[Grid]:
    """The sheets of a workbook. Raises PlanError in one line."""
    command = [sys.executable, "-P", "-m", "tracker.plan.workbook"]
    paths = os.pathsep.join(path for path in sys.path if path)
    try:
        done = subprocess.run(
            command,
            input=raw,
            capture_output=True,
            timeout=3 * CPU_S,
            env={**os.environ, "PYTHONPATH": paths},
            check=False,
        )
        said = json.loads(done.stdout)
    except (OSError, subprocess.TimeoutExpired, ValueError):
        said = {"fault": f"cannot be read (its reader gave up); {AGAIN}"}
    if "fault" in said:
        raise PlanError([Fault(file, 0, 0, "", *parted(said["fault"]))])
    return [_grid(sheet) for sheet in said["sheets"]]


def read_here(raw: bytes) -> list[Grid]:
    """The sheets of a workbook that this program wrote, read without a process of its own."""
    return [_grid(sheet) for sheet in _read(raw)]


def _grid(said: Mapping[str, Any]) -> Grid:
    rows = [[typed_cell(*cell) if cell else Cell() for cell in row] for row in said["rows"]]
    merges = tuple((a, b, c, d) for a, b, c, d in said["merges"])
    hidden = frozenset(said["hidden_rows"]), frozenset(said["hidden_columns"])
    return Grid(said["name"], said["hidden"], rows, *hidden, merges, said["remark"])


def main() -> None:
    """Read a workbook from standard input and write its sheets as JSON, within bounds."""
    _bound()
    try:
        sheets = list(_read(sys.stdin.buffer.read()))
        said: dict[str, Any] = {"sheets": sheets} if sheets else {"fault": "has no sheet; save a sheet in it"}
    except MemoryError:
        said = {"fault": f"cannot be read (it takes more than {MEMORY >> 20} MB); {AGAIN}"}
    except ValueError as error:
        said = {"fault": str(error) if "; " in str(error) else _confused(error)}
    except Exception as error:
        # Whatever a library stumbles over in a file is the file's fault here, and one line.
        said = {"fault": _confused(error)}
    json.dump(said, sys.stdout)


def _confused(error: BaseException) -> str:
    why = " ".join(str(error).split())[:120].replace("; ", ", ")
    return f"cannot be read ({type(error).__name__}{': ' if why else ''}{why}); {AGAIN}"


def _bound() -> None:
    """Take away what a bad file could use up; where a system has no such limits there is the clock."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))


def _read(raw: bytes) -> Iterator[dict[str, Any]]:
    """Yield each sheet as JSON has it. Raises ValueError in words, or what a library raises."""
    if not raw.startswith(b"PK"):
        if _ENCRYPTED in raw:
            raise ValueError(LOCKED)
        yield from _by_calamine(raw, {}, _UNKNOWN)
        return
    try:
        package = zipfile.ZipFile(io.BytesIO(raw))
    except zipfile.BadZipFile:
        raise ValueError(f"is damaged, or cut off; {AGAIN}") from None
    check_package(package)
    if "content.xml" in package.namelist():
        # A time of this format is a duration.
        yield from _by_calamine(raw, look_at_ods(package), "", "span")
        return
    if any(name.endswith(".bin") and "worksheets" in name for name in package.namelist()):
        # No XML in there to look at.
        yield from _by_calamine(raw, {}, _UNKNOWN)
        return
    looks = {name: look_at_xlsx(package, member) for name, member in xlsx_sheets(package).items()}
    try:
        yield from list(_by_openpyxl(raw, looks))
    except MemoryError:
        raise
    except Exception:
        # Files that one library stumbles over another often reads, all but failed formulas.
        yield from _by_calamine(raw, looks, "")


def _sheet(name: str, hidden: bool, rows: list[list[Any]], look: Look, remark: str = "") -> dict[str, Any]:
    failed = {at: ("error", text) for at, text in look.errors.items()}
    for (row, column), cell in {**failed, **dict.fromkeys(look.uncomputed, ("uncomputed", ""))}.items():
        rows += [[] for _ in range(row - len(rows))]
        rows[row - 1] += [None] * (column - len(rows[row - 1]))
        rows[row - 1][column - 1] = cell
    return {
        "name": name,
        "hidden": hidden,
        "rows": rows,
        "hidden_rows": sorted(look.hidden_rows),
        "hidden_columns": sorted(look.hidden_columns),
        "merges": look.merges,
        "remark": remark,
    }


def _by_openpyxl(raw: bytes, looks: Mapping[str, Look]) -> Iterator[dict[str, Any]]:
    import warnings

    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
        for sheet in book.worksheets:
            look = looks[sheet.title]
            sheet.reset_dimensions()
            found = sheet.iter_rows(max_row=look.rows, max_col=look.columns) if look.rows else ()
            rows = [
                [_openpyxl_cell(cell, look, (n, i), book.epoch) for i, cell in enumerate(row, 1)]
                for n, row in enumerate(found, 1)
            ]
            yield _sheet(sheet.title, sheet.sheet_state != "visible", rows, look)


def _openpyxl_cell(cell: Any, look: Look, at: tuple[int, int], epoch: datetime) -> tuple[Kind, Any] | None:
    """A cell's kind and value; None for nothing."""
    value = cell.value
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "yes/no", value
    if at in look.numbers:
        return numeric(look.numbers[at], cell.number_format or "General", epoch)
    if isinstance(value, datetime | date):
        return "instant", _iso(value)
    if isinstance(value, int | float):
        return "number", value
    # The library resolves escapes in the table of shared texts alone.
    return "text", _ESCAPED.sub(lambda found: chr(int(found[1], 16)), value) if at in look.inline else str(
        value
    )


_ESCAPED = re.compile("_x([0-9A-Fa-f]{4})_")
"""Source: ECMA-376 Part 1, 22.9.2.19."""


def numeric(value: float, number_format: str, epoch: datetime) -> tuple[Kind, Any]:
    """A number as what its format shows it to be: a span, a clock, an instant, a percentage, or a number."""
    kind = kind_of_format(number_format)
    if kind != "instant":
        return kind, value
    from openpyxl.utils.datetime import from_excel

    found = from_excel(value, epoch)
    return ("instant", _iso(found)) if isinstance(found, datetime) else ("clock", value)


_NOT_PARTS = re.compile(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', re.IGNORECASE)
"""What a number format shows as it stands: text, spaces, colours, currencies, conditions."""


def kind_of_format(number_format: str) -> Kind:
    """What a number format makes of a number. Source: ECMA-376 Part 1, 18.8.31."""
    bare = _NOT_PARTS.sub("", number_format).split(";")[0].lower()
    if "general" in bare or "@" in bare:
        return "number"
    if re.search(r"\[[hms]+\]", bare):
        return "span"
    if re.search("[dy]", bare):
        return "instant"
    if re.search("[hs]", bare):
        return "clock"
    if "m" in bare:
        return "instant"
    return "percent" if "%" in bare else "number"


def _iso(value: datetime | date) -> str:
    """An instant to the second, a day from its midnight on, in UTC."""
    whole = value if isinstance(value, datetime) else datetime(value.year, value.month, value.day)
    rounded = whole + timedelta(microseconds=500_000)
    return rounded.replace(microsecond=0, tzinfo=None).isoformat() + "Z"


def _by_calamine(
    raw: bytes, looks: Mapping[str, Look], remark: str, clocks: Kind = "clock"
) -> Iterator[dict[str, Any]]:
    from python_calamine import CalamineWorkbook, PasswordError, SheetTypeEnum, SheetVisibleEnum

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(raw))
    except PasswordError:
        raise ValueError(LOCKED) from None
    for said in book.sheets_metadata:
        if said.typ != SheetTypeEnum.WorkSheet:
            continue
        sheet, look = book.get_sheet_by_name(said.name), looks.get(said.name, Look())
        if sheet.total_height > MOST_ROWS or sheet.total_width > MOST_COLUMNS:
            look.value(sheet.total_height, sheet.total_width)
        rows = [
            [_calamine_cell(value, clocks) for value in row] for row in sheet.to_python(skip_empty_area=False)
        ]
        yield _sheet(said.name, said.visible != SheetVisibleEnum.Visible, rows, look, remark)


_FIRST = datetime(1899, 12, 30)
_LEAP = datetime(1900, 3, 1)
"""Before it serials count from a day later, since spreadsheets take 1900 for a leap year."""


def _calamine_cell(value: Any, clock: Kind) -> tuple[Kind, Any] | None:
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "yes/no", value
    if isinstance(value, int | float):
        return "number", value
    if isinstance(value, timedelta):
        return "span", value / timedelta(days=1)
    if isinstance(value, time):
        return clock, (datetime.combine(_FIRST, value) - _FIRST) / timedelta(days=1)
    if isinstance(value, datetime) and value < _LEAP:
        # A time of day that runs on over midnight: day 1 is the first of January.
        return "clock", (value - _FIRST) / timedelta(days=1) - 1
    if isinstance(value, datetime | date):
        return "instant", _iso(value)
    return "text", str(value)


def shown_rows(rows: Sequence[int]) -> str:
    """Rows in words: `row 7`, `rows 11 to 13`, `rows 4, 6 and 9 to 11`."""
    runs: list[list[int]] = []
    for row in sorted(rows):
        if runs and runs[-1][-1] == row - 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    parts = [f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs]
    return f"row{'s' if len(rows) > 1 else ''} {listed(parts)}"


if __name__ == "__main__":
    main()
