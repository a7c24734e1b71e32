"""A spreadsheet saved as CSV, read as rows of a plan, with every fault by row and column."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from tracker.plan.columns import Columns, match
from tracker.plan.faults import Fault, PlanError
from tracker.plan.spans import parse_span, unit_in

MOST_ROWS = 5000
MOST_COLUMNS = 200
_INSIDE = re.compile(r"(iv|ivx|mcc|ground|control|base|deck|capcom|house|ship|surface)\d*", re.IGNORECASE)
_PRIORITIES = {
    **dict.fromkeys(("must", "mandatory", "required", "m"), "must"),
    **dict.fromkeys(("should", "s"), "should"),
    **dict.fromkeys(
        ("get-ahead", "get ahead", "getahead", "ga", "optional", "if time", "could"), "get-ahead"
    ),
    **dict.fromkeys(("closeout", "close-out", "close out"), "closeout"),
}
_YES = {"yes", "y", "true", "x", "1", "✓"}
_NO = {"", "no", "n", "false", "0", "-"}


@dataclass(slots=True)
class SheetStep:
    """One row of a sheet that is a step."""

    row: int
    """Row of the sheet, from 1."""
    task: str
    step: str
    do: str
    crew: list[str]
    time: int
    """Seconds; -1 for the way home."""
    low: int | None = None
    high: int | None = None
    priority: str = ""
    fixed: bool = False
    text: dict[str, str] = field(default_factory=dict)
    """Further cells by key of a plan, as written."""


@dataclass(slots=True)
class Sheet:
    """A sheet that was read without a fault of its own."""

    file: str
    columns: Columns
    steps: list[SheetStep]
    crew: dict[str, bool]
    """Crew member to whether they go outside, in order of appearance."""


def column_name(index: int) -> str:
    """Return a column's letters, from 0: A, B, ... Z, AA."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(65 + rest) + name
    return name


def read_sheet(text: str, file: str) -> Sheet:
    """Read a sheet's text. Raises PlanError with every fault, each with its row and column."""
    header_row, table = _table(text, file)
    headings, rows = table[0], table[1:]
    columns = match(headings, rows)
    reader = _Reader(file, columns)
    reader.need_columns(header_row)
    if not reader.faults:
        for n, cells in enumerate(rows, header_row + 1):
            if any(cell.strip() for cell in cells):
                reader.row(n, cells)
        if not reader.steps and not reader.faults:
            reader.fault(header_row, 0, "no step stands below the headings", "write a row for each step")
    if reader.faults:
        raise PlanError(reader.faults)
    return Sheet(file, columns, reader.steps, _crew(reader.steps))


def _table(text: str, file: str) -> tuple[int, list[list[str]]]:
    """Return the row of the headings, from 1, and the cells from there on, all rows equally long."""
    first, _, rest = text.partition("\n")
    hint = re.fullmatch(r'"?sep=(.)"?\s*', first, re.IGNORECASE)
    body, skipped = (rest, 1) if hint else (text, 0)
    if not body.strip():
        raise PlanError([Fault(file, 1, 1, "", "is empty", "save a sheet with headings and a row a step")])
    delimiter = hint.group(1) if hint else _delimiter(body)
    try:
        rows = list(csv.reader(io.StringIO(body, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        what = f"is not CSV: {error}"
        raise PlanError([Fault(file, 0, 0, "", what, "save the sheet as CSV, UTF-8")]) from None
    blank = next((i for i, row in enumerate(rows) if any(cell.strip() for cell in row)), len(rows))
    rows = rows[blank:]
    if not rows:
        raise PlanError([Fault(file, 1, 1, "", "is empty", "save a sheet with headings and a row a step")])
    wide = max(len(row) for row in rows)
    if len(rows) > MOST_ROWS or wide > MOST_COLUMNS:
        what = f"has {len(rows):,} rows and {wide:,} columns"
        raise PlanError([Fault(file, 0, 0, "", what, f"at most {MOST_ROWS:,} and {MOST_COLUMNS} are read")])
    return blank + skipped + 1, [row + [""] * (wide - len(row)) for row in rows]


def _delimiter(text: str) -> str:
    """Return what separates the cells of the first line that has any: most often wins."""
    line = next(line for line in text.splitlines() if line.strip())
    outside_quotes = re.sub(r'"[^"]*"', "", line)
    return max(",;\t|", key=lambda mark: outside_quotes.count(mark))


class _Reader:
    """Reads row by row and gathers faults."""

    def __init__(self, file: str, columns: Columns) -> None:
        self.file = file
        self.columns = columns
        self.faults: list[Fault] = []
        self.steps: list[SheetStep] = []
        self._task = ""
        time = columns.keys.get("time")
        self._unit = unit_in(columns.headings[time]) if time is not None else None

    def fault(self, row: int, column: int, what: str, right: str) -> None:
        """Note a fault at a row (from 1) and column (from 0)."""
        heading = self.columns.headings[column].strip() if column < len(self.columns.headings) else ""
        path = f"row {row}, column {column_name(column)}" + (f" ({heading})" if heading else "")
        self.faults.append(Fault(self.file, row, column + 1, path, what, right))

    def need_columns(self, row: int) -> None:
        """Note a fault for each column that a plan cannot do without."""
        keys = self.columns.keys
        found = ", ".join(repr(name) for name in self.columns.headings if name.strip())[:200]
        if "time" not in keys:
            self.fault(row, 0, f"no column holds the planned time among {found}", "head one Duration")
        if "crew" not in keys and not self.columns.crew:
            right = "head one Crew, or one with each crew member's id and x in its cells"
            self.fault(row, 0, f"no column says who does a step among {found}", right)
        if not {"task", "step", "do"} & set(keys):
            self.fault(row, 0, f"no column says what is done among {found}", "head one Step or Description")

    def row(self, n: int, cells: Sequence[str]) -> None:
        """Read one row as a step; a row with only a task begins that task."""

        def get(key: str) -> str:
            at = self.columns.keys.get(key)
            return "" if at is None else " ".join(cells[at].split())

        self._task = get("task") or self._task
        if set(self._filled(cells)) <= {"task"} and get("task"):
            return
        step = SheetStep(
            row=n,
            task=self._task,
            step=get("step"),
            do=get("do") or get("step") or self._task,
            crew=self._who(n, cells),
            time=self._time(n, "time", cells) or 0,
            low=self._time(n, "low", cells),
            high=self._time(n, "high", cells),
            priority=self._priority(n, cells),
            fixed=self._flag(n, "fixed", cells),
        )
        for key in ("value", "needs", "site", "work", "count", "effort", "hold_point", "opens", "closes"):
            if get(key):
                step.text[key] = get(key)
        self.steps.append(step)

    def _filled(self, cells: Sequence[str]) -> list[str]:
        marked = any(cells[i].strip() for i in self.columns.crew.values())
        keys = [key for key, i in self.columns.keys.items() if cells[i].strip()]
        return [*keys, *(["crew"] if marked else [])]

    def _time(self, n: int, key: str, cells: Sequence[str]) -> int | None:
        if key not in self.columns.keys:
            return None
        at = self.columns.keys[key]
        text = cells[at].strip()
        if not text:
            if key == "time":
                self.fault(n, at, "is empty", "write how long the step takes, such as 0:08")
            return None
        if key == "time" and text.lower() == "home":
            return -1
        try:
            seconds = parse_span(text, self._unit or "min")
        except ValueError as error:
            what, _, right = str(error).partition("; ")
            self.fault(n, at, what, right)
            return None
        if not 0 < seconds <= 100 * 3600:
            self.fault(
                n, at, f"{text!r} is no time for a step", "write more than nothing and at most 100 hours"
            )
        return seconds

    def _who(self, n: int, cells: Sequence[str]) -> list[str]:
        own = [name for name, i in self.columns.crew.items() if cells[i].strip()]
        if "crew" not in self.columns.keys:
            if not own:
                self.fault(
                    n, next(iter(self.columns.crew.values())), "nobody is marked", "put x below who does it"
                )
            return own
        at = self.columns.keys["crew"]
        names = [name for name in re.split(r"\s*(?:[,;/+&\n]|\band\b)\s*|\s+", cells[at].strip()) if name]
        if not names:
            self.fault(n, at, "is empty", "write who does the step, such as EV1")
        for name in names:
            if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,39}", name, re.ASCII):
                self.fault(
                    n, at, f"{name!r} is no name for a crew member", "write letters and digits, such as EV1"
                )
        return list(dict.fromkeys(names))

    def _priority(self, n: int, cells: Sequence[str]) -> str:
        if self._flag(n, "closeout", cells):
            return "closeout"
        at = self.columns.keys.get("priority")
        text = cells[at].strip().lower() if at is not None else ""
        if not text or at is None:
            return ""
        if text not in _PRIORITIES:
            self.fault(n, at, f"{text!r} is no priority", "write must, should, get-ahead or closeout")
        return _PRIORITIES.get(text, "")

    def _flag(self, n: int, key: str, cells: Sequence[str]) -> bool:
        at = self.columns.keys.get(key)
        text = cells[at].strip().lower() if at is not None else ""
        if at is not None and text not in _YES | _NO:
            self.fault(n, at, f"{text!r} is neither yes nor no", "write yes, or leave it empty")
        return text in _YES


def _crew(steps: Sequence[SheetStep]) -> dict[str, bool]:
    names = dict.fromkeys(name for step in steps for name in step.crew if name.lower() not in EVERYBODY)
    inside = {name for name in names if _INSIDE.fullmatch(name)}
    if inside == set(names):
        inside = set()
    return {name: name not in inside for name in names}


EVERYBODY = {"both", "all", "everybody", "everyone"}
"""Words that stand for all who go outside."""
