"""A spreadsheet saved as CSV, read as rows of a plan, with every fault by row and column.

Who does a step is read from ids, several of them, or people's names; what it needs from ids, numbers, names
or words of steps and tasks.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from tracker.foundation.errors import Fault, PlanError, WrongUsage
from tracker.foundation.text import count
from tracker.plan.cells import Cell, number_in, trouble
from tracker.plan.columns import NO_WISHES, Columns, Wishes, column_name, not_there
from tracker.plan.sheet_table import Table, read_table
from tracker.plan.sheet_times import SpanColumns
from tracker.plan.sheet_words import AND, EVERYBODY, NO, PRIORITIES, YES, fold

_INSIDE = re.compile(r"(iv|ivx|mcc|ground|control|base|deck|capcom|house|ship|surface)\d*", re.IGNORECASE)
_BETWEEN = re.compile(rf"\s*(?:[,;/+&\n]|\b(?:{'|'.join(AND)})\b)\s*")
_REMARK = re.compile(r"\([^()]*\)|\*+(?=\s|[,;/+&]|$)")
_NOBODY = {"", "-", "?", "n/a", "na", "none", "nobody", "tbd"}
_ID = re.compile(r"[A-Z]{1,6}|[A-Za-z]{1,6}[-_]?\d{1,3}", re.ASCII)
_NAME = re.compile(r"[^\W\d_][\w.' -]{0,60}")


class People:
    """The crew members of a sheet, each by the spelling that came first."""

    def __init__(self) -> None:
        self.names: dict[str, str] = {}
        """Id to the name as it was written, in order of appearance."""
        self._known: dict[str, str] = {}

    def add(self, name: str) -> str:
        """The id of somebody named so; capitals make no difference. Raises ValueError for no name."""
        found = self._known.get(name.lower())
        if found is None:
            found = self._known[name.lower()] = _id_of(name)
            if fold(name) not in EVERYBODY:
                self.names.setdefault(found, name)
        return found

    def crew(self) -> dict[str, bool]:
        """Everybody, and whether they go outside; those with a title of people inside do not."""
        inside = {name for name in self.names if _INSIDE.fullmatch(name)}
        if inside == set(self.names):
            inside = set()
        return {name: name not in inside for name in self.names}


def people_in(cell: str) -> list[str]:
    """The people in a cell: `EV1/EV2`, `EV1 and EV2`, `EV1 EV2`, `EV 1`, `EV1 (lead)`, `Ann Berg`."""
    bare = _REMARK.sub(" ", cell).strip()
    if bare.lower() in _NOBODY:
        return []
    return [name for part in _BETWEEN.split(bare) if part for name in _words(part.split())]


def _words(words: list[str]) -> list[str]:
    """The words of a part between separators: ids, an id written apart, or one name."""
    if len(words) > 1 and all(_ID.fullmatch(word) for word in words):
        return words
    if len(words) == 2 and _ID.fullmatch("".join(words)) and words[1].isdigit():
        return ["".join(words)]
    return [" ".join(words)]


def _id_of(name: str) -> str:
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,39}", name, re.ASCII):
        return name
    letters = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^A-Za-z0-9_]+", "-", letters).strip("-_")[:40]
    if not _NAME.fullmatch(name) or not words[:1].isalpha():
        raise ValueError(name)
    return words


_TOTAL = re.compile(r"((grand|over ?all)\s+)?(sub-?)?(total|sum)s?(\s+(time|duration))?\s*:?", re.IGNORECASE)
_NUMBERS = {"value", "count", "effort"}
"""Keys whose cells are numbers, or begin with one."""
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
    remarks: list[str]
    """What was read otherwise than row by row."""
    counted: str
    """Where the headings are, and what the rows below them were, in words."""
    said: dict[int, str]
    """Column of durations to its unit, range and sum, as words behind its key."""
    undecided: bool
    """Whether there are bare numbers whose unit nobody said."""


def read_sheet(text: str, file: str, wishes: Wishes = NO_WISHES) -> Sheet:
    """Read a sheet's text. Raises PlanError with every fault, each with its row and column."""
    return read_rows(read_table(text, file, wishes), file, wishes)


def read_rows(table: Table, file: str, wishes: Wishes = NO_WISHES) -> Sheet:
    """Read a sheet's table.

    Raises PlanError with every fault, each with its row and column, and WrongUsage for a column that somebody
    named and the sheet does not have.
    """
    if missing := list(not_there(wishes, table.columns.headings)):
        raise WrongUsage(*missing)
    reader = _Reader(file, table, wishes)
    reader.need_columns()
    if not reader.faults:
        reader.read(table.rows)
    if reader.faults:
        raise PlanError(sorted(reader.faults, key=lambda fault: fault.line))
    return Sheet(
        file,
        table.columns,
        reader.steps,
        reader.people.crew(),
        reader.people.names,
        reader.remarks,
        reader.counted(),
        reader.times.said,
        reader.times.undecided,
    )


class _Reader:
    """Reads row by row and gathers faults."""

    def __init__(self, file: str, table: Table, wishes: Wishes) -> None:
        self.file = file
        self.columns = table.columns
        self.faults: list[Fault] = []
        self.remarks: list[str] = []
        self.steps: list[SheetStep] = []
        self.people = People()
        self.times = SpanColumns(table.columns, wishes, self.fault)
        self._decimal = wishes.decimal
        self._header = table.header_row
        self._task = self._task_id = self._given = ""
        self._begun: list[tuple[int, str]] = []
        self._unknown: dict[str, list[int]] = {}
        """Word in the column of priorities that is none, to its rows."""
        self._mapped = sorted({*table.columns.keys.values(), *table.columns.crew.values()})
        self._rows = {"step": 0, "total": 0, "blank row": 0}

    def fault(self, row: int, column: int, what: str, right: str) -> None:
        """Note a fault at a row (from 1; 0 for a column as a whole) and column (from 0)."""
        path = f"row {row}, {self.columns.place(column)}" if row else self.columns.place(column)
        self.faults.append(Fault(self.file, row or self._header, column + 1, path, what, right))

    def need_columns(self) -> None:
        """Note a fault for each column that a plan cannot do without, and for each that two could be."""
        keys, row = self.columns.keys, self._header
        found = ", ".join(repr(str(name)) for name in self.columns.headings if name.strip())[:200]
        if "time" not in keys:
            self.fault(row, 0, f"no column holds the planned time among {found}", "head one Duration")
        if "crew" not in keys and not self.columns.crew:
            right = "head one Crew, or one with each crew member's id and x in its cells"
            self.fault(row, 0, f"no column says who does a step among {found}", right)
        if not {"task", "step", "do"} & set(keys):
            self.fault(row, 0, f"no column says what is done among {found}", "head one Step or Description")
        for key, first, second in self.columns.equal:
            names = f"columns {column_name(first)} and {column_name(second)}"
            right = f'say which: --columns "@{column_name(first)}={key}"'
            self.faults.append(Fault(self.file, row, first + 1, names, f"are both read as {key}", right))

    def read(self, rows: Sequence[Sequence[Cell]]) -> None:
        """Read all rows below the headings."""
        filled = [(n, row) for n, row in enumerate(rows, self._header + 1) if any(map(str.strip, row))]
        self._rows["blank row"] = len(rows) - len(filled)
        for (n, cells), (_, below) in zip(filled, [*filled[1:], (0, [])], strict=False):
            self.row(n, cells, below)
        self.finish()
        if not self.steps and not self.faults:
            what = "no step stands below the headings"
            self.fault(self._header, 0, what, "write a row for each step")

    def counted(self) -> str:
        """Where the headings are, and what the rows below them were, in words."""
        kinds = ", ".join(count(number, kind) for kind, number in self._rows.items())
        return f"headings in row {self._header}, below them {kinds}"

    def finish(self) -> None:
        """Look at all rows together: times, everybody has a name, and what begins a task has steps."""
        self.times.settle()
        self._rows["step"] = len(self.steps)
        if self._unknown:
            self._unknown_priorities()
        named = {step.task for step in self.steps}
        self.remarks += [
            f"row {n} has no step below it: not read" for n, task in self._begun if task not in named
        ]
        if self.steps and not self.people.names and not self.faults:
            at = self.columns.keys.get("crew", 0)
            what = "names no crew member, and no other row does"
            self.fault(self.steps[0].row, at, what, "write who it is, such as EV1")

    def _unknown_priorities(self) -> None:
        """Note all unknown words of the column once, with their rows where there are several."""
        first = min(rows[0] for rows in self._unknown.values())
        what = ", ".join(f"{word!r} in row {', '.join(map(str, at))}" for word, at in self._unknown.items())
        if what.count(",") == 0:
            what = f"{next(iter(self._unknown))!r}"
        what += " is no priority" if len(self._unknown) == 1 else " are no priorities"
        self.fault(first, self.columns.keys["priority"], what, "write must, should, get-ahead or closeout")

    def _get(self, key: str, cells: Sequence[Cell]) -> str:
        at = self.columns.keys.get(key)
        return "" if at is None or at >= len(cells) else " ".join(cells[at].split())

    def row(self, n: int, cells: Sequence[Cell], below: Sequence[Cell]) -> None:
        """Read one row as a step, as the beginning of a task, or as a total; `below` is the next one."""
        filled = self._filled(cells)
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
        for key in ("value", "needs", "site", "work", "count", "effort", "hold_point", "opens", "closes"):
            if text := self._get(key, cells):
                step.text[key] = self._number(n, key, text) if key in _NUMBERS else text
        self.times.take(step, cells)
        self._remark_parted(step)
        self.steps.append(step)

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
            what, _, right = str(error).partition("; ")
            self.fault(n, self.columns.keys[key], what, right)
            return text

    def _enter_task(self, cells: Sequence[Cell]) -> None:
        """Go over to the task that a row names; a blank cell leaves the one above."""
        name, key = self._get("task", cells), self._get("task_id", cells)
        if (name and name != self._task) or (key and key != self._task_id):
            self._task, self._task_id, self._given = name or self._task, key, ""

    def _begins_task(self, n: int, filled: set[str], cells: Sequence[Cell], below: Sequence[Cell]) -> bool:
        """Whether a row is a task's own line; what holds for all of its steps is taken from it."""
        if "task" not in self.columns.keys and filled in ({"do"}, {"step"}):
            self._task, self._given = self._get(next(iter(filled)), cells), ""
            self._begun.append((n, self._task))
            return True
        summed = "time" in filled and not self._get("task", below) and "crew" in self._filled(below)
        if "task" not in filled or not filled <= _OF_A_TASK | ({"time"} if summed else set()):
            return False
        self._given = self._priority(n, cells)
        self._begun.append((n, self._task))
        if summed:
            self.remarks.append(f"row {n} is the line of task {self._task}: its time is not read")
        return True

    def _is_total(self, n: int, filled: set[str], cells: Sequence[Cell]) -> bool:
        keys = {
            key for key in filled & {"task", "step", "do", "crew"} if _TOTAL.fullmatch(self._get(key, cells))
        }
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
        if text and fold(text) not in PRIORITIES:
            self._unknown.setdefault(text, []).append(n)
        return PRIORITIES.get(fold(text), "get-ahead" if optional else "")

    def _flag(self, n: int, key: str, cells: Sequence[Cell]) -> bool:
        at = self.columns.keys.get(key)
        text = fold(cells[at].strip()) if at is not None and trouble(cells[at]) is None else ""
        if at is not None and text not in YES | NO:
            self.fault(n, at, f"{text!r} is neither yes nor no", "write yes, or leave it empty")
        return text in YES


class Named(Protocol):
    """What a row says of the names of its step and task."""

    task: str
    task_id: str
    step: str
    do: str


class Names:
    """Finds tasks and steps by what a cell calls them."""

    def __init__(self, tasks: Iterable[tuple[str, Iterable[tuple[str, Named]]]]) -> None:
        self._kinds: tuple[dict[str, set[str]], ...] = ({}, {}, {}, {})
        """By full ids; by a step's own id; tasks; by a step's words. The first that knows a name decides."""
        full, own, titles, words = self._kinds
        for task, steps in tasks:
            for n, (part, step) in enumerate(steps, 1):
                whole = f"{task}.{part or n}"
                _put(full, whole, whole)
                for above in (step.task, step.task_id):
                    if step.step and above:
                        _put(full, f"{above}.{step.step}", whole)
                    _put(titles, above, task)
                _put(titles, task, task)
                _put(own, step.step, whole)
                _put(words, step.do, whole)

    def needs(self, text: str, whole: str) -> list[str]:
        """The ids that a cell of step `whole` asks for; a name that nothing has stays as it is."""
        return [next(iter(found), name) for name, found in self._read(text, whole)]

    def unclear(self, text: str, whole: str) -> Iterator[tuple[str, list[str]]]:
        """Yield each name in a cell that more than one may be meant by, with their ids."""
        return ((name, found) for name, found in self._read(text, whole) if len(found) > 1)

    def _read(self, text: str, whole: str) -> list[tuple[str, list[str]]]:
        if not text or (found := self._find(text, whole)):
            return [(text, found)] if text else []
        parts = [part for part in re.split(r"\s*[,;\n]\s*", text) if part]
        if len(parts) == 1 and not self._find(parts[0], whole):
            words = [part for part in re.split(r"\s*[/+&]\s*|\s+and\s+|\s+", text) if part]
            # Words that mean nothing are one unknown name.
            parts = words if any(self._find(word, whole) for word in words) else parts
        return [(part, self._find(part, whole)) for part in parts]

    def _find(self, name: str, whole: str) -> list[str]:
        """The steps that a name may mean: of several, those in the same task; never the step itself."""
        for kind in self._kinds:
            found = sorted(kind.get(name.lower(), set()) - {whole})
            if found:
                task = whole.partition(".")[0]
                near = [one for one in found if one.startswith(f"{task}.")]
                return near if len(near) == 1 else found
        return []


def _put(names: dict[str, set[str]], name: str, meant: str) -> None:
    if name:
        names.setdefault(name.lower(), set()).add(meant)
