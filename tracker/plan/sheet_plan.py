"""Writes the plan that a sheet describes, as YAML, and says which of its faults is whose row."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from tracker.foundation.text import plain
from tracker.foundation.times import format_exact
from tracker.plan.faults import Fault, PlanError
from tracker.plan.read import parse_plan
from tracker.plan.sheet import EVERYBODY, Sheet, SheetStep, column_name
from tracker.plan.timeline import as_planned

_SPARE_S = 1800
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*", re.ASCII)
_RESERVED = {"true", "false", "null", "yes", "no", "on", "off", "home"}


@dataclass(slots=True)
class _Task:
    id: str
    title: str
    priority: str = ""
    value: str = ""
    steps: list[tuple[str, SheetStep]] = field(default_factory=list)


def plan_of_sheet(sheet: Sheet, *, excursion: str, limit: int | None, file: str) -> str:
    """Return the text of a plan; `limit` in seconds, by default half an hour past the end on paper.

    `file` is the plan's name. Raises PlanError with the sheet's rows and columns.
    """
    tasks = _tasks(sheet)
    first = _write(sheet, tasks, excursion, limit or 100 * 3600, "")
    try:
        plan = parse_plan(first, file=file, name=excursion)
    except PlanError as error:
        raise PlanError([_in_sheet(fault, sheet, tasks) for fault in error.faults]) from None
    if limit is not None:
        return first
    end = as_planned(plan).everybody_inside + _SPARE_S
    assumed = min(int(-(-end // 900) * 900), 100 * 3600)
    return _write(sheet, tasks, excursion, assumed, "   # assumed: half an hour past the end on paper")


def _tasks(sheet: Sheet) -> list[_Task]:
    tasks: list[_Task] = []
    title, taken = None, set[str]()
    for step in sheet.steps:
        if step.task != title or not tasks:
            title = step.task
            tasks.append(_Task(_fresh(_slug(title or "work", "task"), taken), title or "Work"))
        task = tasks[-1]
        task.priority = task.priority or step.priority
        task.value = task.value or step.text.get("value", "")
        used = {part for part, _ in task.steps}
        task.steps.append((_fresh(_slug(step.step, "", part=True), used) if step.step else "", step))
    return tasks


def _slug(text: str, otherwise: str, part: bool = False) -> str:
    """Return an id made of a text; a step's part may begin with a digit."""
    words = re.sub(r"[^A-Za-z0-9_]+", "-", text).strip("-_")[:32].rstrip("-_")
    if part:
        return words
    return words if words[:1].isalpha() else f"{otherwise}-{words}".rstrip("-")


def _fresh(wanted: str, taken: set[str]) -> str:
    """Return an id that is not taken, and take it; nothing stays nothing."""
    name, n = wanted, 1
    while name and name in taken:
        n += 1
        name = f"{wanted}-{n}"
    taken.add(name)
    return name


def _write(sheet: Sheet, tasks: list[_Task], excursion: str, limit: int, remark: str) -> str:
    crew = [
        f"  - {{id: {_text(name)}}}" if out else f"  - {{id: {_text(name)}, outside: false}}"
        for name, out in sheet.crew.items()
    ]
    sites = dict.fromkeys(_slug(s.text["site"], "site") for s in sheet.steps if "site" in s.text)
    lines = [
        "format: 1",
        f"excursion: {_text(excursion)}",
        f"limits: {{elapsed: {format_exact(limit)}}}{remark}",
        "crew:",
        *crew,
    ]
    if sites:
        lines += [
            "sites:   # the way home is not in the sheet",
            *(f"  {_text(site)}: {{home: 0:00}}" for site in sites),
        ]
    names = _names(tasks)
    lines.append("tasks:")
    for task in tasks:
        lines += _task(task, names, sheet)
    return "\n".join(lines) + "\n"


def _names(tasks: list[_Task]) -> dict[str, str]:
    """Return what the cells of a needs column may call a task or a step, in lower case, to its id."""
    names: dict[str, str] = {}
    for task in tasks:
        for n, (part, step) in enumerate(task.steps, 1):
            whole = f"{task.id}.{part or n}"
            for name in (whole, step.step, f"{step.task}.{step.step}" if step.step else ""):
                names.setdefault(name.lower(), whole)
    for task in tasks:
        for name in (task.id, task.title):
            names.setdefault(name.lower(), task.id)
    names.pop("", None)
    return names


def _task(task: _Task, names: Mapping[str, str], sheet: Sheet) -> list[str]:
    lines = [f"  - id: {_text(task.id)}", f"    title: {_text(task.title)}"]
    if task.priority == "closeout":
        lines.append("    closeout: true")
    elif task.priority:
        lines.append(f"    priority: {task.priority}")
    if task.value:
        lines.append(f"    value: {_number(task.value)}")
    lines.append("    steps:")
    return lines + [f"      - {{{', '.join(_step(part, step, names, sheet))}}}" for part, step in task.steps]


def _step(part: str, step: SheetStep, names: Mapping[str, str], sheet: Sheet) -> Iterable[str]:
    if part:
        yield f"id: {_text(part)}"
    yield f"do: {_text(step.do)}"
    everybody = [name for name, outside in sheet.crew.items() if outside]
    crew = [m for name in step.crew for m in (everybody if name.lower() in EVERYBODY else [name])]
    yield f"crew: [{', '.join(_text(name) for name in dict.fromkeys(crew))}]"
    yield f"time: {_time(step)}"
    if step.fixed:
        yield "fixed: true"
    for key, write in _CELLS.items():
        if key in step.text:
            yield f"{key}: {write(step.text[key], names)}"


def _time(step: SheetStep) -> str:
    if step.time < 0:
        return "home"
    if step.low is None and step.high is None:
        return format_exact(step.time)
    low, high = step.low or step.time, step.high or step.time
    if low == high == step.time:
        return format_exact(step.time)
    return f"{{low: {format_exact(low)}, likely: {format_exact(step.time)}, high: {format_exact(high)}}}"


def _needs(text: str, names: Mapping[str, str]) -> str:
    if text.lower() in names:
        return f"[{_text(names[text.lower()])}]"
    parts = [part for part in re.split(r"\s*[,;]\s*", text) if part]
    found = [names.get(part.lower()) for part in parts]
    if None in found and len(parts) == 1:
        parts = text.split()
        found = [names.get(part.lower()) for part in parts]
    return f"[{', '.join(_text(name or part) for name, part in zip(found, parts, strict=True))}]"


def _ids(text: str, names: Mapping[str, str]) -> str:
    return f"[{', '.join(_text(_slug(part, 'item')) for part in re.split(r'[,;]', text) if part.strip())}]"


def _number(text: str) -> str:
    return text.replace(",", ".") if re.fullmatch(r"\d+([.,]\d+)?", text, re.ASCII) else _text(text)


def _effort(text: str, names: Mapping[str, str]) -> str:
    bare = re.sub(r"\s*[Ww]$", "", text)
    return _number(bare) if bare[:1].isdigit() else _text(text.lower())


_CELLS = {
    "count": lambda text, names: re.sub(r"[.,]0+$", "", text) if text[:1].isdigit() else _text(text),
    "effort": _effort,
    "work": lambda text, names: _text(_slug(text.lower(), "work")),
    "site": lambda text, names: _text(_slug(text, "site")),
    "needs": _needs,
    "hold_point": lambda text, names: _text(text),
    "opens": _ids,
    "closes": _ids,
}
"""How each further cell is written."""


def _text(text: str) -> str:
    clean = plain(text, most=500)
    safe = all(_WORD.fullmatch(word) for word in clean.split(" ")) and clean.lower() not in _RESERVED
    return clean if safe and clean else json.dumps(clean, ensure_ascii=False)


def _in_sheet(fault: Fault, sheet: Sheet, tasks: list[_Task]) -> Fault:
    """Return a fault of the written plan as one of the row and column that it came from."""
    found = re.match(r"tasks\[(\d+)\](?:\.steps\[(\d+)\])?(?:\.(\w+))?", fault.path)
    if found is None:
        return Fault(sheet.file, 0, 0, "", fault.what, fault.right)
    steps = tasks[int(found.group(1))].steps
    row = steps[int(found.group(2) or 0)][1].row
    column = sheet.columns.keys.get(found.group(3) or "task", 0)
    path = f"row {row}, column {column_name(column)} ({sheet.columns.headings[column].strip()})"
    return Fault(sheet.file, row, column + 1, path, fault.what, fault.right)
