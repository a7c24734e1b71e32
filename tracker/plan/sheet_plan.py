"""Writes the plan that a sheet describes, as YAML, and says which of its faults is whose row."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.times import format_exact
from tracker.plan.cells import UNITS
from tracker.plan.columns import Wishes
from tracker.plan.model import LONGEST_S
from tracker.plan.read import parse_plan
from tracker.plan.sheet import Sheet, SheetStep, read_rows
from tracker.plan.sheet_names import Names, id_words
from tracker.plan.sheet_table import Table
from tracker.plan.sheet_words import EVERYBODY, fold
from tracker.plan.timeline import as_planned
from tracker.plan.yaml_tree import yaml_text

_SPARE_S = 1800


@dataclass(slots=True)
class _Task:
    id: str
    title: str
    priority: str = ""
    value: str = ""
    steps: list[tuple[str, SheetStep]] = field(default_factory=list)


def plan_of_sheet(sheet: Sheet, *, excursion: str, limit: int | None, file: str) -> str:
    """The text of a plan; `limit` in seconds, by default half an hour past the end on paper.

    `file` is the plan's name. Raises PlanError with the sheet's rows and columns.
    """
    tasks = _tasks(sheet)
    names = Names((task.id, task.steps) for task in tasks)
    first = _write(sheet, tasks, names, excursion, limit or LONGEST_S, "")
    if unclear := _unclear(sheet, tasks, names):
        raise PlanError(unclear)
    try:
        plan = parse_plan(first, file=file, name=excursion)
    except PlanError as error:
        raise PlanError([_in_sheet(fault, sheet, tasks) for fault in error.faults]) from None
    if limit is not None:
        return first
    end = as_planned(plan).everybody_inside + _SPARE_S
    assumed = min(int(-(-end // 900) * 900), LONGEST_S)
    return _write(sheet, tasks, names, excursion, assumed, "   # assumed: half an hour past the end on paper")


def bare_unit(table: Table, file: str, wishes: Wishes, limit: int) -> str:
    """The unit of a sheet's bare numbers by the limit that its plan is for: `Wishes.bare`.

    The one unit by which the plan ends, on paper, between a fifth of the limit and four times it: units are
    24 or 60 apart, so there are never two. Where none does, `?` if minutes end later, else nothing.
    """
    late = ""
    for unit in UNITS:
        try:
            sheet = read_rows(table, file, replace(wishes, bare=unit))
            text = plan_of_sheet(sheet, excursion="sheet", limit=LONGEST_S, file=file)
            end = as_planned(parse_plan(text, file=file, name="sheet")).everybody_inside
        except PlanError:
            continue
        if not sheet.undecided:
            return ""
        if limit / 5 <= end <= 4 * limit:
            return unit
        late = "?" if unit == "min" and end > 4 * limit else late
    return late


def step_ids(sheet: Sheet) -> dict[str, SheetStep]:
    """The steps of a sheet by the ids that they get in its plan."""
    return {
        f"{task.id}.{part or n}": step
        for task in _tasks(sheet)
        for n, (part, step) in enumerate(task.steps, 1)
    }


def _tasks(sheet: Sheet) -> list[_Task]:
    tasks: list[_Task] = []
    before, taken = None, set[str]()
    for step in sheet.steps:
        if before is None or (before.named, before.rank) != (step.named, step.rank):
            title, own = step.task, step.task_id if step.task_id[:1].isalpha() else ""
            tasks.append(_Task(_fresh(_slug(own or title or "work", "task"), taken), title or "Work"))
        before, task = step, tasks[-1]
        task.priority = task.priority or step.priority
        task.value = task.value or step.text.get("value", "")
        used = {part for part, _ in task.steps}
        task.steps.append((_fresh(_slug(step.step, "", part=True), used) if step.step else "", step))
    return tasks


def _unclear(sheet: Sheet, tasks: list[_Task], names: Names) -> list[Fault]:
    """A fault for every need that more than one step answers to."""
    faults = []
    for task in tasks:
        for n, (part, step) in enumerate(task.steps, 1):
            for text, found in names.unclear(step.text.get("needs", ""), f"{task.id}.{part or n}"):
                what = f"{text!r} may be {' or '.join(found)}"
                faults.append(_fault(sheet, step.row, "needs", what, "write one of these"))
    return faults


def _slug(text: str, otherwise: str, part: bool = False) -> str:
    """An id made of a text; a step's part may begin with a digit."""
    words = id_words(text)[:32].rstrip("-_")
    if part:
        return words
    return words if words[:1].isalpha() else f"{otherwise}-{words}".rstrip("-")


def _fresh(wanted: str, taken: set[str]) -> str:
    """An id that is not taken, and take it; nothing stays nothing."""
    name, n = wanted, 1
    while name and name in taken:
        n += 1
        name = f"{wanted}-{n}"
    taken.add(name)
    return name


def _write(sheet: Sheet, tasks: list[_Task], names: Names, excursion: str, limit: int, remark: str) -> str:
    crew = [f"  - {{{', '.join(_member(sheet, member))}}}" for member in sheet.crew]
    sites = dict.fromkeys(_slug(s.text["site"], "site") for s in sheet.steps if "site" in s.text)
    lines = [
        "format: 1",
        f"excursion: {yaml_text(excursion)}",
        f"limits: {{elapsed: {format_exact(limit)}}}{remark}",
        "crew:",
        *crew,
    ]
    if sites:
        lines += [
            "sites:   # the way home is not in the sheet",
            *(f"  {yaml_text(site)}: {{home: 0:00}}" for site in sites),
        ]
    lines.append("tasks:")
    for task in tasks:
        lines += _task(task, names, sheet)
    return "\n".join(lines) + "\n"


def _member(sheet: Sheet, member: str) -> Iterable[str]:
    yield f"id: {yaml_text(member)}"
    if sheet.names[member] != member:
        yield f"name: {yaml_text(sheet.names[member])}"
    if not sheet.crew[member]:
        yield "outside: false"


def _task(task: _Task, names: Names, sheet: Sheet) -> list[str]:
    lines = [f"  - id: {yaml_text(task.id)}", f"    title: {yaml_text(task.title)}"]
    if task.priority == "closeout":
        lines.append("    closeout: true")
    elif task.priority:
        lines.append(f"    priority: {task.priority}")
    if task.value:
        lines.append(f"    value: {_number(task.value)}")
    lines.append("    steps:")
    for n, (part, step) in enumerate(task.steps, 1):
        cells = [*_step(part, step, sheet), *_further(step, names, f"{task.id}.{part or n}")]
        lines.append(f"      - {{{', '.join(cells)}}}")
    return lines


def _step(part: str, step: SheetStep, sheet: Sheet) -> Iterable[str]:
    if part:
        yield f"id: {yaml_text(part)}"
    yield f"do: {yaml_text(step.do)}"
    everybody = [name for name, outside in sheet.crew.items() if outside]
    crew = [m for name in step.crew for m in (everybody if fold(name) in EVERYBODY else [name])]
    yield f"crew: [{', '.join(yaml_text(name) for name in dict.fromkeys(crew))}]"
    yield f"time: {_time(step)}"
    if step.fixed:
        yield "fixed: true"


def _further(step: SheetStep, names: Names, whole: str) -> Iterable[str]:
    """Yield the keys that not every step has; `whole` is the step's id."""
    if "needs" in step.text:
        yield f"needs: [{', '.join(map(yaml_text, names.needs(step.text['needs'], whole)))}]"
    for key, write in _CELLS.items():
        if key in step.text:
            yield f"{key}: {write(step.text[key])}"


def _time(step: SheetStep) -> str:
    if step.time < 0:
        return "home"
    if step.low is None and step.high is None:
        return format_exact(step.time)
    low, high = step.low or step.time, step.high or step.time
    if low == high == step.time:
        return format_exact(step.time)
    return f"{{low: {format_exact(low)}, likely: {format_exact(step.time)}, high: {format_exact(high)}}}"


def _ids(text: str) -> str:
    return (
        f"[{', '.join(yaml_text(_slug(part, 'item')) for part in re.split(r'[,;]', text) if part.strip())}]"
    )


def _number(text: str) -> str:
    return text.replace(",", ".") if re.fullmatch(r"\d+([.,]\d+)?", text, re.ASCII) else yaml_text(text)


def _effort(text: str) -> str:
    if re.fullmatch(r"[\w-]+ [\w.-]+(, [\w-]+ [\w.-]+)+", text, re.ASCII):
        return f"{{{', '.join(': '.join(pair.split()) for pair in text.split(', '))}}}"
    bare = re.sub(r"\s*[Ww]$", "", text)
    return _number(bare) if bare[:1].isdigit() else yaml_text(text.lower())


def _named(text: str) -> str:
    """Numbers by name: `torque 12 N m` or `torque: 12 N m` on each line, or `;` between them."""
    lines = text.splitlines() if "\n" in text else text.split(";")
    pairs = (re.split(r"\s*[:=]\s*|\s+", line.strip(), maxsplit=1) for line in lines if line.strip())
    return f"{{{', '.join(f'{yaml_text(pair[0])}: {yaml_text(chr(32).join(pair[1:]))}' for pair in pairs)}}}"


_CELLS = {
    "count": lambda text: re.sub(r"[.,]0+$", "", text) if text[:1].isdigit() else yaml_text(text),
    "effort": _effort,
    "work": lambda text: yaml_text(_slug(text.lower(), "work")),
    "site": lambda text: yaml_text(_slug(text, "site")),
    "hold_point": lambda text: yaml_text(text),
    "opens": _ids,
    "closes": _ids,
    "cautions": lambda text: f"[{', '.join(map(yaml_text, text.splitlines()))}]",
    "numbers": _named,
}
"""How each further cell is written."""


def _in_sheet(fault: Fault, sheet: Sheet, tasks: list[_Task]) -> Fault:
    """A fault of the written plan as one of the row and column that it came from."""
    found = re.match(r"tasks\[(\d+)\](?:\.steps\[(\d+)\])?(?:\.(\w+))?", fault.path)
    if found is None:
        return Fault(sheet.file, 0, 0, "", fault.what, fault.right)
    steps = tasks[int(found.group(1))].steps
    row = steps[int(found.group(2) or 0)][1].row
    return _fault(sheet, row, found.group(3) or "task", fault.what, fault.right)


def _fault(sheet: Sheet, row: int, key: str, what: str, right: str) -> Fault:
    column = sheet.columns.keys.get(key, 0)
    path = f"row {row}, {sheet.columns.place(column)}"
    return Fault(sheet.file, row, column + 1, path, what, right)
