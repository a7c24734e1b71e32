"""A spreadsheet read as rows of a plan, with every fault by row and column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tracker.foundation.errors import Fault, PlanError, WrongUsage, parted
from tracker.foundation.text import count
from tracker.foundation.times import format_exact
from tracker.plan.cells import Cell, number_in, trouble
from tracker.plan.columns import LINES, NO_WISHES, Columns, Wishes, column_name, not_there
from tracker.plan.sheet_durations import SpanColumns, between
from tracker.plan.sheet_names import People, people_in
from tracker.plan.sheet_starts import StartColumns
from tracker.plan.sheet_table import Table
from tracker.plan.sheet_words import NO, PRIORITIES, YES, fold

_TOTAL = re.compile(r"((grand|over ?all)\s+)?(sub-?)?(total|sum)s?(\s+(time|duration))?\s*:?", re.IGNORECASE)
_FURTHER = ("value", "needs", "site", "work", "count", "effort", "hold_point", "opens", "closes", *LINES)
"""Keys whose cells are kept as they are written."""
_NUMBERS = {"value", "count", "effort"}
"""Keys whose cells are numbers, or begin with one."""
_PROSE = {"task", "do", *LINES}
"""Keys whose cells are sentences."""
_NEEDED = {
    "time": ("no column holds the planned time", "head one Duration"),
    "crew": (
        "no column says who does a step",
        "head one Crew, or one with each crew member's id and x in its cells",
    ),
    "do": ("no column says what is done", "head one Step or Description"),
}
"""Of what a plan cannot do without what is wrong where no column holds it, and what would be right."""
_OF_A_TASK = {"task", "task_id", "priority", "optional", "value", "closeout"}
"""Keys of a row that begins a task and is no step."""


@dataclass(slots=True)
class SheetStep:
    """One row of a sheet that is a step."""

    row: int
    """Row of the sheet, from 1."""
    task: str
    task_id: str
    step: str
    do: str
    crew: list[str]
    time: int = 0
    """Seconds; -1 for the way home."""
    start: float | None = None
    """When it begins by the sheet, in seconds from whatever its starts are counted from."""
    low: int | None = None
    high: int | None = None
    priority: str = ""
    fixed: bool = False
    text: dict[str, str] = field(default_factory=dict)
    """Further cells by key of a plan, as written."""

    @property
    def named(self) -> tuple[str, str]:
        """The task as the sheet names it, and its id there."""
        return self.task, self.task_id

    @property
    def rank(self) -> str:
        """The priority, also where none is given."""
        return self.priority or "must"


@dataclass(slots=True)
class Sheet:
    """A sheet that was read without a fault of its own."""

    file: str
    columns: Columns
    steps: list[SheetStep]
    crew: dict[str, bool]
    """Crew member to whether they go outside, in order of appearance."""
    names: dict[str, str]
    """Crew member to the name as the sheet writes it."""
    header_row: int
    """From 1."""
    units: dict[int, str]
    """Column of durations to the unit of its bare numbers, where it has any."""
    remarks: list[str]
    """What was read otherwise than row by row."""
    counted: str
    """Where the headings are, and what the rows below them were, in words."""
    said: dict[int, str]
    """Column of durations to its unit, range and sum, as words behind its key."""
    undecided: bool
    """Whether there are bare numbers whose unit nobody said."""
    began: str
    """The first start as it was read; empty where there are no starts."""

    @property
    def ids(self) -> dict[str, str]:
        """The id of each crew member by the name as the sheet writes it."""
        return {name: member for member, name in self.names.items()}


def read_rows(table: Table, file: str, wishes: Wishes = NO_WISHES) -> Sheet:
    """Read a sheet's table.

    Raises PlanError with every fault, each with its row and column, and WrongUsage for a column that somebody
    named and the sheet does not have.
    """
    if missing := list(not_there(wishes, table.columns.headings)):
        raise WrongUsage(*missing)
    reader = _Reader(file, table, wishes)
    if reader.need_columns():
        reader.read(table.rows)
    if reader.faults:
        raise PlanError(sorted(reader.faults, key=lambda fault: fault.line))
    return Sheet(
        file,
        table.columns,
        reader.steps,
        reader.people.crew(),
        reader.people.names,
        table.header_row,
        reader.times.units,
        reader.remarks,
        reader.counted(),
        reader.times.said,
        reader.times.undecided,
        reader.starts.first,
    )


class _Reader:
    """Reads row by row and gathers faults."""

    def __init__(self, file: str, table: Table, wishes: Wishes) -> None:
        self.file = file
        self.columns = table.columns
        self.faults: list[Fault] = list(table.faults)
        self.remarks: list[str] = []
        self.steps: list[SheetStep] = []
        self.people = People(wishes.crew)
        self._priorities = {**PRIORITIES, **{fold(word): rank for word, rank in wishes.priorities.items()}}
        self.starts = StartColumns(table.columns, wishes, self.fault, self.remarks.append)
        self.times = SpanColumns(table.columns, wishes, self.fault, self.remarks.append)
        self._decimal = wishes.decimal
        self._header = table.header_row
        self._task = self._task_id = self._given = ""
        self._begun: list[tuple[int, str]] = []
        self._unknown: dict[str, list[int]] = {}
        """Word in the column of priorities that is none, to its rows."""
        columns = table.columns
        self._mapped = {*columns.keys.values(), *columns.crew.values(), *columns.does.values()}
        self._rows = {"step": 0, "total": 0, "blank row": 0}

    def fault(self, row: int, column: int, what: str, right: str, where: str = "") -> None:
        """Note a fault at a row (from 1; 0 for a column as a whole) and column (from 0), or `where`."""
        where = where or self.columns.place(column)
        path = f"row {row}, {where}" if row else where
        self.faults.append(Fault(self.file, row or self._header, column + 1, path, what, right))

    def need_columns(self) -> bool:
        """Note a fault for each column that a plan cannot do without, and for each that two could be."""
        row, before = self._header, len(self.faults)
        found = ", ".join(repr(str(name)) for name in self.columns.headings if name.strip())[:200]
        for key in self.columns.lacking:
            at, meant = self.columns.misspelt(key) or (0, "")
            what, right = _NEEDED[key]
            self.fault(row, at, f"{what} among {found}", f"did you mean {meant}?" if meant else right)
        for key, first, second in self.columns.equal:
            names = f"columns {column_name(first)} and {column_name(second)}"
            right = f'say which: --columns "@{column_name(first)}={key}"'
            self.faults.append(Fault(self.file, row, first + 1, names, f"are both read as {key}", right))
        return len(self.faults) == before

    def read(self, rows: Sequence[Sequence[Cell]]) -> None:
        """Read all rows below the headings."""
        filled = [(n, row) for n, row in enumerate(rows, self._header + 1) if any(map(str.strip, row))]
        self._rows["blank row"] = len(rows) - len(filled)
        for (n, cells), (_, below) in zip(filled, [*filled[1:], (0, [])], strict=False):
            self.row(n, cells, below)
        self.finish()
        if not self.steps and not self.faults:
            self.fault(self._header, 0, "no step stands below the headings", "write a row for each step")

    def counted(self) -> str:
        """Where the headings are, and what the rows below them were, in words."""
        kinds = ", ".join(count(number, kind) for kind, number in self._rows.items())
        return f"headings in row {self._header}, below them {kinds}"

    def finish(self) -> None:
        """Look at all rows together: times, everybody has a name, and what begins a task has steps."""
        self.times.settle()
        self.starts.settle()
        lasting = [step.time for step in self.steps if step.time > 0]
        if "time" not in self.columns.keys and lasting:
            said = f"{between(min(lasting), max(lasting))}, {format_exact(sum(lasting))} in all"
            self.remarks.append(f"times are from each start to the end, or to the next start: {said}")
        if began := self.starts.first:
            self.remarks.append(f"the first start is {began}")
        self._rows["step"] = len(self.steps)
        if self._unknown:
            first = min(rows[0] for rows in self._unknown.values())
            at, right = self.columns.keys["priority"], "write must, should, get-ahead or closeout"
            self.fault(first, at, _no_priorities(self._unknown), right)
        named = {step.task for step in self.steps}
        self.remarks += [
            f"row {n} has no step below it: not read" for n, task in self._begun if task not in named
        ]
        if self.steps and not self.people.names and not self.faults:
            at = self.columns.keys.get("crew", 0)
            what = "names no crew member, and no other row does"
            self.fault(self.steps[0].row, at, what, "write who it is, such as EV1")

    def _get(self, key: str, cells: Sequence[Cell]) -> str:
        at = self.columns.keys.get(key)
        return "" if at is None or at >= len(cells) else _text(key, cells[at])

    def row(self, n: int, cells: Sequence[Cell], below: Sequence[Cell]) -> None:
        """Read one row as a step, as the beginning of a task, or as a total; `below` is the next one."""
        if self.columns.does:
            self._each_does(n, cells)
            return
        filled = self._filled(cells)
        if filled == {"start"}:
            self.starts.ends(self.people.names, n, cells)
            return
        if self._is_total(n, filled, cells):
            return
        self._enter_task(cells)
        if self._begins_task(n, filled, cells, below):
            return
        self._troubles(n, cells)
        step = SheetStep(
            row=n,
            task=self._task,
            task_id=self._task_id,
            step=self._get("step", cells),
            do=self._get("do", cells) or self._get("step", cells) or self._task,
            crew=self._who(n, cells),
            priority=self._ranked(n, cells),
            fixed=self._flag(n, "fixed", cells),
        )
        for key in _FURTHER:
            if text := self._get(key, cells):
                step.text[key] = self._number(n, key, text) if key in _NUMBERS else text
        self._remark_parted(step)
        self._timed(step, cells)

    def _timed(self, step: SheetStep, cells: Sequence[Cell]) -> None:
        by_itself = self.starts.take(step, cells)
        self.times.take(step, cells, needed=not by_itself)
        self.steps.append(step)

    def _each_does(self, n: int, cells: Sequence[Cell]) -> None:
        """Read a row that says below each crew member what they do; the same text is a joint step."""
        self._troubles(n, cells)
        self._enter_task(cells)
        crew: dict[str, list[str]] = {}
        for member, at in self.columns.does.items():
            text = " ".join(cells[at].split())
            if text not in ("", "-") and trouble(cells[at]) is None:
                crew.setdefault(text, []).append(self.people.add(member))
        if not crew:
            self.starts.ends(self.columns.does, n, cells)
        for text, members in crew.items():
            self._timed(SheetStep(n, self._task, self._task_id, "", text, members), cells)

    def _troubles(self, n: int, cells: Sequence[Cell]) -> None:
        """Note what no column can take; where nothing is read it is a remark."""
        for at, cell in enumerate(cells):
            found = trouble(cell)
            if found is not None and at in self._mapped:
                self.fault(n, at, *found)
            elif found is not None and at not in self.columns.skipped:
                self.remarks.append(f"row {n}, {self.columns.place(at)} {found[0]}: not read")

    def _number(self, n: int, key: str, text: str) -> str:
        """A number as a plan writes it; what is none is left to the plan's own rules."""
        bare, unit = (text[:-1].rstrip(), " W") if key == "effort" and text[-1] in "Ww" else (text, "")
        if not bare[:1].isdigit():
            return text
        try:
            return f"{number_in(bare, self._decimal):.15g}{unit}"
        except ValueError as error:
            self.fault(n, self.columns.keys[key], *parted(error))
            return text

    def _enter_task(self, cells: Sequence[Cell]) -> None:
        """Go over to the task that a row names; a blank cell leaves the one above."""
        name, key = self._get("task", cells), self._get("task_id", cells)
        if (name and name.split() != self._task.split()) or (key and key != self._task_id):
            self._task, self._task_id, self._given = name or self._task, key, ""

    def _begins_task(self, n: int, filled: set[str], cells: Sequence[Cell], below: Sequence[Cell]) -> bool:
        """Whether a row is a task's own line; what holds for all of its steps is taken from it."""
        if "task" not in self.columns.keys and filled in ({"do"}, {"step"}):
            self._task, self._given = self._get(next(iter(filled)), cells), ""
            self._begun.append((n, self._task))
            return True
        sums = {"time", "start", "end"} & filled
        summed = bool(sums) and not self._get("task", below) and "crew" in self._filled(below)
        if "task" not in filled or not filled <= _OF_A_TASK | (sums if summed else set()):
            return False
        self._given = self._priority(n, cells)
        self._begun.append((n, self._task))
        if summed:
            self.remarks.append(f"row {n} is the line of task {self._task}: its time is not read")
        return True

    def _is_total(self, n: int, filled: set[str], cells: Sequence[Cell]) -> bool:
        named = filled & {"task", "step", "do", "crew"}
        keys = {key for key in named if _TOTAL.fullmatch(self._get(key, cells))}
        if not keys or "crew" in filled - keys:
            return False
        self._rows["total"] += 1
        self.remarks.append(f"row {n} is a total: not read")
        return True

    def _remark_parted(self, step: SheetStep) -> None:
        before = self.steps[-1] if self.steps else step
        if before.named == step.named and before.rank != step.rank:
            self.remarks.append(
                f"row {step.row} is {step.rank}, above it task {step.task or 'Work'} is {before.rank}: "
                "from here it is a task of its own"
            )

    def _filled(self, cells: Sequence[Cell]) -> set[str]:
        """The keys under which something stands in a row."""
        marked = any(fold(cells[i].strip()) not in NO for i in self.columns.crew.values() if i < len(cells))
        keys = {key for key in self.columns.keys if self._get(key, cells)}
        return keys | {"crew"} if marked else keys

    def _who(self, n: int, cells: Sequence[Cell]) -> list[str]:
        if "crew" in self.columns.keys:
            at = self.columns.keys["crew"]
            names = people_in(cells[at])
        else:
            at = next(iter(self.columns.crew.values()))
            names = [name for name, i in self.columns.crew.items() if fold(cells[i].strip()) not in NO]
        if trouble(cells[at]) is not None:
            return []
        if not names and self.columns.crew:
            self.fault(n, at, "nobody is marked", "put x below who does it")
        elif not names:
            self.fault(n, at, "is empty", "write who does the step, such as EV1")
        found: dict[str, None] = {}
        for name in names:
            try:
                found[self.people.add(name)] = None
            except ValueError:
                right = "write letters and digits, such as EV1"
                self.fault(n, at, f"{name!r} is no name for a crew member", right)
        return list(found)

    def _ranked(self, n: int, cells: Sequence[Cell]) -> str:
        """A step's priority; a blank cell, as below a merged one, is that of the row above."""
        own = self._priority(n, cells) or self._given
        if self._get("priority", cells):
            self._given = own
        return own

    def _priority(self, n: int, cells: Sequence[Cell]) -> str:
        optional = self._flag(n, "optional", cells)
        if self._flag(n, "closeout", cells):
            return "closeout"
        text = self._get("priority", cells)
        if text and fold(text) not in self._priorities:
            self._unknown.setdefault(text, []).append(n)
        return self._priorities.get(fold(text), "get-ahead" if optional else "")

    def _flag(self, n: int, key: str, cells: Sequence[Cell]) -> bool:
        at = self.columns.keys.get(key)
        text = fold(cells[at].strip()) if at is not None and trouble(cells[at]) is None else ""
        if at is not None and text not in YES | NO:
            self.fault(n, at, f"{text!r} is neither yes nor no", "write yes, or leave it empty")
        return text in YES


def _text(key: str, cell: str) -> str:
    """What a cell says, without blanks that mean nothing: in prose they are as written, but around a line.

    Lines count where a key has room for them.
    """
    lines = [line.strip() if key in _PROSE else " ".join(line.split()) for line in cell.splitlines()]
    return ("\n" if key in LINES else " ").join(filter(None, lines))


def _no_priorities(unknown: Mapping[str, Sequence[int]]) -> str:
    """Unknown words of a column with their rows; a single one stands where the fault says."""
    if len(unknown) == 1 and len(next(iter(unknown.values()))) == 1:
        return f"{next(iter(unknown))!r} is no priority"
    listed = ", ".join(f"{word!r} in row {', '.join(map(str, rows))}" for word, rows in unknown.items())
    return f"{listed} {'are no priorities' if unknown.keys() - {next(iter(unknown))} else 'is no priority'}"
