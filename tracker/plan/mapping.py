"""A mapping file: how somebody's sheets are read, written by one import and mended for the next.

A plan's steps can be written in the columns that it names. Its keys are `sheet`, `header_row`, `columns`
(HEADING: KEY or KEY:UNIT), `units` (HEADING: UNIT), `decimal`, `crew` (name: id), `priorities` (word:
priority), `hidden` (read or skip) and `only_columns`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from tracker.foundation.errors import WrongUsage, parted
from tracker.foundation.text import meant, plain
from tracker.foundation.times import format_exact
from tracker.plan.book import COLUMNS, Form, cell_text, sheets_of
from tracker.plan.cells import UNITS
from tracker.plan.columns import SPANS, Named, Wishes, column_name, named
from tracker.plan.model import Plan, Step
from tracker.plan.scalars import is_id
from tracker.plan.sheet import Sheet
from tracker.plan.sheet_words import PRIORITIES, fold
from tracker.plan.timeline import Timeline, as_planned
from tracker.plan.workbook_out import Span
from tracker.plan.yaml_tree import Node, Tree, read_tree, yaml_text

_KEYS = ("sheet", "header_row", "columns", "units", "decimal", "crew", "priorities", "hidden", "only_columns")
_ONE_OF = {"decimal": (".", ","), "hidden": ("read", "skip"), "only_columns": ("true", "false")}
_RANKS = tuple(dict.fromkeys(PRIORITIES.values()))


def read_mapping(text: str, file: str) -> Wishes:
    """What a mapping file says. Raises PlanError with every fault, each with its place."""
    tree = read_tree(text, file)
    for key in tree.root.entries:
        if key not in _KEYS:
            right = meant(key, _KEYS, f"write {', '.join(_KEYS)}")
            tree.report_key((key,), "is not a key of a mapping", right)
    for key, words in _ONE_OF.items():
        if _text(tree, key) not in ("", *words):
            tree.report((key,), f"{_text(tree, key)!r} is not known here", f"write {' or '.join(words)}")
    row = _text(tree, "header_row")
    number = int(row) if row.isascii() and row.isdigit() and len(row) < 5 else 0
    if row and not 0 < number <= 5000:
        tree.report(("header_row",), f"{plain(row, most=40)!r} is no row", "write a whole number from 1")
    wishes = Wishes(
        named=tuple(_columns(tree)),
        only=_text(tree, "only_columns") == "true",
        decimal=_text(tree, "decimal"),
        sheet=_text(tree, "sheet"),
        header_row=number,
        hidden=_text(tree, "hidden"),
        crew=_pairs(tree, "crew", is_id, "write the id of a crew member, such as EV1"),
        priorities=_pairs(tree, "priorities", lambda text: text in _RANKS, f"write {', '.join(_RANKS)}"),
    )
    tree.finish()
    return wishes


def _text(tree: Tree, key: str) -> str:
    node = tree.root.entries.get(key)
    return node.text if node is not None and node.kind == "scalar" and not node.null else ""


def _entries(tree: Tree, key: str) -> Iterator[tuple[str, Node]]:
    node = tree.root.entries.get(key)
    if node is not None and node.kind != "map":
        tree.report((key,), "is no mapping", "write lines of NAME: VALUE")
    elif node is not None:
        yield from node.entries.items()


def _columns(tree: Tree) -> Iterator[Named]:
    units = {fold(name): node.text for name, node in _entries(tree, "units")}
    for name, unit in units.items():
        if unit not in {*UNITS, "m:ss", "h:mm"}:
            tree.report(
                ("units",), f"{unit!r} is no unit of {name}", f"write {', '.join(UNITS)}, m:ss or h:mm"
            )
    for heading, node in _entries(tree, "columns"):
        try:
            one = named(heading, node.text)
        except WrongUsage as error:
            tree.report(("columns", heading), *parted(error.lines[0].removeprefix("--columns: ")))
        else:
            yield replace(one, unit=one.unit or units.get(fold(heading), ""))


def _pairs(tree: Tree, key: str, holds: Callable[[str], bool], right: str) -> Mapping[str, str]:
    found = {}
    for name, node in _entries(tree, key):
        found[name] = node.text
        if not holds(node.text):
            tree.report((key, name), f"{node.text!r} is not known here", right)
    return found


def joined(said: Wishes, file: Wishes) -> Wishes:
    """What a mapping file says, and what the command line says over it."""
    own = {one.key + one.member for one in said.named} | {fold(one.column) for one in said.named}
    kept = [
        one for one in file.named if one.key + one.member not in own - {"-"} and fold(one.column) not in own
    ]
    return replace(
        file,
        named=(*said.named, *kept),
        only=said.only or file.only,
        decimal=said.decimal or file.decimal,
        sheet=said.sheet or file.sheet,
        hidden=said.hidden or file.hidden,
    )


def mapping_of(sheet: Sheet, wishes: Wishes, name: str) -> str:
    """The text of a mapping file that reads such a sheet as this one was read; `name`: that of the sheet."""
    columns = sheet.columns
    keys = {at: key for key, at in columns.keys.items()}
    keys |= {at: f"crew:{sheet.ids.get(member, member)}" for member, at in columns.crew.items()}
    keys |= {at: f"does:{member}" for member, at in columns.does.items()} | dict.fromkeys(
        columns.skipped, "-"
    )
    lines = ["# How a sheet is read: `tracker import SHEET --mapping` this file."]
    lines += [f"sheet: {yaml_text(name)}"] if name else []
    lines += [f"header_row: {sheet.header_row}", "columns:"]
    for at in sorted(keys):
        unit = columns.units.get(at) or sheet.units.get(at, "")
        heading = " ".join(columns.headings[at].split())
        twice = [" ".join(other.split()) for other in columns.headings].count(heading) > 1
        column = f"@{column_name(at)}" if twice or not heading else heading
        first = f"   # the first is {sheet.began}" if keys[at] == "start" and sheet.began else ""
        lines.append(f"  {yaml_text(column)}: {yaml_text(keys[at] + (f':{unit}' if unit else ''))}{first}")
    lines += [f'decimal: "{wishes.decimal}"'] if wishes.decimal else []
    lines += [f"hidden: {wishes.hidden}"] if wishes.hidden else []
    crew = {name: member for member, name in sheet.names.items() if name != member}
    for key, pairs in (("crew", crew), ("priorities", wishes.priorities)):
        lines += (
            [f"{key}:", *(f"  {yaml_text(a)}: {yaml_text(b)}" for a, b in pairs.items())] if pairs else []
        )
    return "\n".join(lines) + "\n"


Value = str | float | Span | None
_OF_A_TASK = ("task", "task_id", "priority", "optional", "value", "closeout")


@dataclass(frozen=True, slots=True)
class OwnSheet:
    """A sheet as somebody lays theirs out."""

    name: str
    headings: list[str]
    rows: list[list[Value]]
    left: tuple[str, ...] = field(default=())
    """Keys of steps that are said and have no column."""


def own_sheet(plan: Plan, wishes: Wishes) -> OwnSheet:
    """The steps of a plan under the columns that `wishes` names."""
    course, names = as_planned(plan), {member: name for name, member in wishes.crew.items()}
    words = {rank: word for word, rank in wishes.priorities.items()}
    rows = {str(row["task"]) + "." + str(row["id"]): row for row in sheets_of(plan)["Steps"]}
    keys = {one.key for one in wishes.named}
    writer = _Writer(plan, course, names, words, "do" in keys)
    made = [[writer.value(one, step, rows[step.id]) for one in wishes.named] for step in plan.step.values()]
    said = {
        key for row in rows.values() for key, value in row.items() if value not in (None, "", (), False, {})
    }
    known = keys | {"id", "task"} | ({"do"} if keys & {"step", "does"} else set())
    known |= {"crew"} if any(one.member for one in wishes.named) else set()
    headings = [one.key if one.column.startswith("@") else one.column for one in wishes.named]
    return OwnSheet(wishes.sheet or "Steps", headings, made, tuple(sorted(said - known)))


@dataclass(frozen=True, slots=True)
class _Writer:
    plan: Plan
    course: Timeline
    names: Mapping[str, str]
    """Crew member to the name in the sheet."""
    words: Mapping[str, str]
    """Priority to its word in the sheet."""
    worded: bool
    """Whether a column says what is done."""

    def value(self, one: Named, step: Step, row: Mapping[str, object]) -> Value:
        """What stands in one column for a step."""
        key = one.key
        if key == "-":
            return None
        if one.member:
            said = step.do if key == "does" else "x"
            return said if one.member in step.crew else None
        if key == "crew":
            return ", ".join(self.names.get(member, member) for member in step.crew)
        if key in (*SPANS, "start", "end"):
            return self._time(one, step)
        if key in _OF_A_TASK:
            return self._of_task(key, step)
        if key == "step":
            # A column of steps without another for words holds the words.
            return step.id.partition(".")[2] if self.worded else step.do
        value = row.get(key)
        if key in ("count", "value") and isinstance(value, int | float):
            return float(value)
        form: Form = COLUMNS["Steps"].get(key, "text")
        return cell_text(value, form)  # type: ignore[arg-type]

    def _of_task(self, key: str, step: Step) -> Value:
        task = self.plan.task[step.task]
        if key == "priority":
            rank = "closeout" if task.closeout else task.priority
            return self.words.get(rank, rank)
        if key in ("optional", "closeout"):
            return "yes" if getattr(task, key) else None
        if key == "value":
            return None if task.value == 1 else task.value
        return task.title if key == "task" else task.id

    def _time(self, one: Named, step: Step) -> Value:
        if one.key in ("start", "end"):
            lost = step.id in self.course.lost
            at = self.course.start if one.key == "start" else self.course.finish
            return None if lost else Span(round(at[step.id]))
        if step.time.home:
            return "home" if one.key == "time" else None
        seconds = step.time.likely if one.key == "time" else getattr(step.time, one.key)
        if seconds is None:
            return None
        if one.unit in UNITS:
            return float(f"{seconds / UNITS[one.unit]:.15g}")
        if one.unit == "m:ss" and seconds < 36_000:
            return f"{seconds // 60}:{seconds % 60:02d}"
        return Span(seconds)


def as_text(rows: list[list[Value]]) -> Iterator[list[str]]:
    """Yield the rows as a CSV has them."""
    for row in rows:
        yield [_cell(value) for value in row]


def _cell(value: Value) -> str:
    if isinstance(value, Span):
        return format_exact(value.seconds)
    return "" if value is None else f"{value:.15g}" if isinstance(value, float | int) else value
