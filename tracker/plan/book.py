"""A whole plan as the sheets of a workbook and back: one table of columns that both ways go by.

Every field of a plan is carried but where it was read from; comments, layout, the order of keys and names
for what is said twice are not. Times are spans, names and sentences are texts, whatever they look like, and
a number that fifteen digits do not hold is a text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.text import meant
from tracker.foundation.times import format_exact
from tracker.plan.build import step_data, task_data
from tracker.plan.cells import DAY_S, Cell, trouble
from tracker.plan.columns import column_name
from tracker.plan.model import Consumable, Plan, Step, Task, Window
from tracker.plan.read import parse_plan
from tracker.plan.rules import USUAL_EFFORT
from tracker.plan.workbook import Grid
from tracker.plan.yaml_tree import yaml_exact

Form = Literal["text", "number", "when", "list", "flag", "pairs", "level", "lines", "named"]
"""How a cell is written: `when` is a PET, a duration, an instant or `home`; `pairs` are `gas 2.4, lamp 2`;
`level` is an effort's name, watts, or pairs of a crew member and one of them; `lines` are texts one below
the other, `named` a name and a text on each line."""

_TEXT: Form = "text"
COLUMNS: Mapping[str, Mapping[str, Form]] = {
    "Plan": {"key": _TEXT, "value": _TEXT},
    "Limits": {"name": _TEXT, "at": "when", "crew": "list"},
    "Crew": {"id": _TEXT, "name": _TEXT, "outside": "flag"},
    "Efforts": {"name": _TEXT, "watts": "number"},
    "Consumables": {
        **dict.fromkeys(("id", "unit"), _TEXT),
        **dict.fromkeys(("start", "reserve", "per_hour", "per_megajoule"), "number"),
        **{"model": _TEXT, "reading_sd": "number", "crew": "list", "shared": "flag"},
    },
    "Windows": {
        **{"id": _TEXT, "from": "when", "to": "when"},
        **{"altitude": "number", "beta": "number", "first_sunrise": "when", "kind": _TEXT},
    },
    "Sites": {"name": _TEXT, "home": "when", "assisted": "when"},
    "Rounds": {"id": _TEXT, "every": "when", "ask": "list"},
    "Hardware": {"id": _TEXT, "title": _TEXT, "from": _TEXT},
    "Tasks": {
        **{"id": _TEXT, "title": _TEXT, "priority": _TEXT, "value": "number"},
        **{"needs": "list", "closeout": "flag"},
    },
    "Steps": {
        **{"task": _TEXT, "id": _TEXT, "do": _TEXT, "crew": "list", "time": "when", "low": "when"},
        **{"high": "when", "fixed": "flag", "count": "number", "effort": "level", "use": "pairs"},
        **{"work": _TEXT, "site": _TEXT, "needs": "list", "window": "list", "whole": "flag"},
        **{"hold_point": _TEXT, "opens": "list", "closes": "list"},
        **{"within of": _TEXT, "within time": "when", "cautions": "lines", "numbers": "named"},
        **{"takes": "list", "leaves": "pairs", "brings": "list"},
    },
}
"""Per sheet its headings, the keys of a plan, and how their cells are written."""

Value = str | float | int | bool | datetime | Sequence[str] | Mapping[str, Any] | None
Row = Mapping[str, Value]


def sheets_of(plan: Plan) -> dict[str, list[Row]]:
    """The rows of each sheet: times as seconds (`home` as that word), instants as datetimes."""
    steps = [_step_row(plan, step) for task in plan.tasks for step in task.steps]
    return {
        "Plan": [{"key": key, "value": value} for key, value in _head(plan)],
        "Limits": [
            {"name": x.name, "at": x.at, "crew": None if x.crew == plan.outside else x.crew}
            for x in plan.limits
        ],
        "Crew": [{"id": x.id, "name": x.name, "outside": "yes" if x.outside else "no"} for x in plan.crew],
        "Efforts": [{"name": name, "watts": watts} for name, watts in plan.efforts.items()],
        "Consumables": [_store_row(plan, store) for store in plan.consumables],
        "Windows": [row for window in plan.windows for row in _window_rows(window)],
        "Sites": [
            {"name": name, "home": home, "assisted": plan.assisted.get(name)}
            for name, home in plan.sites.items()
        ],
        **_asked_and_carried(plan),
        "Tasks": [_task_row(task) for task in plan.tasks],
        "Steps": steps,
    }


def _asked_and_carried(plan: Plan) -> dict[str, list[Row]]:
    """The sheets that only a plan with something in them has."""
    rounds: list[Row] = [{"id": one.id, "every": one.every, "ask": one.ask} for one in plan.rounds]
    carried: list[Row] = [{"id": one.id, "title": one.title, "from": one.origin} for one in plan.hardware]
    return {name: rows for name, rows in (("Rounds", rounds), ("Hardware", carried)) if rows}


def _head(plan: Plan) -> Iterator[tuple[str, Value]]:
    yield "format", 1
    yield "excursion", plan.excursion
    yield "zero", plan.zero
    if plan.zero_planned is not None:
        yield "zero_planned", plan.zero_planned
    if plan.confidence.joint:
        yield "confidence", plan.confidence.elapsed
    else:
        yield "confidence elapsed", plan.confidence.elapsed
        yield "confidence consumables", plan.confidence.consumables
    if plan.emergency is not None:
        yield "emergency supply", format_exact(plan.emergency.supply)
        yield "emergency lock", format_exact(plan.emergency.lock)


def _store_row(plan: Plan, store: Consumable) -> Row:
    names = ("id", "unit", "start", "reserve", "model", "reading_sd")
    own = {name: getattr(store, name) for name in names}
    # A model stands for its figure.
    energy = None if store.model else store.per_megajoule or None
    crew = None if store.crew == plan.outside else store.crew
    return {
        **own,
        "per_hour": store.per_hour or None,
        "per_megajoule": energy,
        "crew": crew,
        "shared": store.shared,
    }


def _window_rows(window: Window) -> Iterator[Row]:
    """Yield a row an interval; an orbit has one of its own."""
    kind = None if window.kind == ("light" if window.orbit else "other") else window.kind
    for start, end in window.open:
        yield {"id": window.id, "from": start, "to": end, "kind": kind}
    if window.orbit is not None:
        orbit = window.orbit
        course = {"altitude": orbit.altitude_km, "beta": orbit.beta_deg, "first_sunrise": orbit.first_sunrise}
        yield {"id": window.id, **course, "kind": kind}


def _task_row(task: Task) -> Row:
    return {key: value for key, value in task_data(task).items() if key != "steps"}


def _step_row(plan: Plan, step: Step) -> Row:
    """A step as a plan file has it, with its times and its clock in cells of their own."""
    within = {"within of": step.within.of, "within time": step.within.time} if step.within else {}
    return {
        **{key: value for key, value in step_data(step).items() if key != "within"},
        "task": step.task,
        "time": "home" if step.time.home else step.time.likely,
        "low": step.time.low,
        "high": step.time.high,
        "effort": _effort(plan, step),
        **within,
    }


def _effort(plan: Plan, step: Step) -> Value:
    """A step's effort: a name or watts for all, else by crew member; nothing where it is the usual one."""
    names = {watts: name for name, watts in reversed(list(plan.efforts.items()))}
    usual = plan.efforts[USUAL_EFFORT]
    levels = {member: step.effort_of(member) for member in step.crew}
    if set(levels.values()) <= {step.default_effort}:
        return None if step.default_effort == usual else names.get(step.default_effort, step.default_effort)
    return {member: names.get(watts, watts) for member, watts in levels.items()}


def cell_text(value: Value, form: Form) -> str:
    """A value as the text of a cell; empty for nothing."""
    if value is None or value is False or value == ():
        return ""
    if value is True:
        return "yes"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, Mapping):
        pairs = (f"{name} {cell_text(one, 'number')}" for name, one in value.items())
        return ("\n" if form == "named" else ", ").join(pairs)
    if isinstance(value, str):
        return value
    if isinstance(value, float | int):
        return format_exact(value) if form == "when" else number_text(value)
    return ("\n" if form == "lines" else ", ").join(value)


def number_text(value: float) -> str:
    """A number so that reading it gives the same."""
    short = f"{value:.15g}"
    return short if float(short) == value else repr(value)


_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]|x005F_")
"""What the XML of a workbook cannot hold, and the escape that its readers take away."""


def check_texts(rows: Mapping[str, Sequence[Mapping[str, Any]]], file: str) -> None:
    """Refuse texts that no workbook holds. Raises PlanError with all of them."""
    faults = [
        Fault(
            file,
            0,
            0,
            f"sheet {sheet}, row {n}, {key}",
            "holds a character that no workbook can",
            "take it out",
        )
        for sheet, found in rows.items()
        for n, row in enumerate(found, 2)
        for key, value in row.items()
        if isinstance(value, str | Sequence | Mapping) and _UNSAFE.search(cell_text(value, "text"))
    ]
    if faults:
        raise PlanError(faults)


def is_plan_book(grids: Iterable[Grid]) -> bool:
    """Whether a workbook is a plan as `export` writes it: a sheet `Plan` with a `format`."""
    plan = next((grid for grid in grids if grid.name == "Plan"), None)
    return plan is not None and any(row[:1] == ["format"] for row in plan.rows)


@dataclass(slots=True)
class _Found:
    """One row as it was read."""

    sheet: str
    row: int
    cells: dict[str, Cell]

    def place(self, key: str) -> tuple[int, str]:
        """The column of a key, from 1, and where it is in words."""
        at = list(COLUMNS[self.sheet]).index(key) if key in COLUMNS[self.sheet] else 0
        return at + 1, f"sheet {self.sheet}, row {self.row}, column {column_name(at)} ({key})"


class _Reader:
    """Reads all sheets of a plan and writes it as YAML; `rows` are those behind each part of it."""

    def __init__(self, grids: Sequence[Grid], file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        named = {grid.name: grid for grid in grids}
        self.rows = {sheet: list(self._rows(named[sheet])) if sheet in named else [] for sheet in COLUMNS}

    def _rows(self, grid: Grid) -> Iterator[_Found]:
        known = COLUMNS[grid.name]
        heads = [" ".join(cell.split()) for cell in grid.rows[0]] if grid.rows else []
        if grid.name == "Plan":
            heads = ["key", "value"]
        for at, head in enumerate(heads):
            if head and head not in known and not head.startswith("("):
                right = meant(head, known, f"headings are {', '.join(known)}")
                self.fault(grid.name, 1, at + 1, head, "is not a heading here", right)
        for n, row in enumerate(grid.rows, 1):
            cells = {
                head: cell for head, cell in zip(heads, row, strict=False) if cell.strip() and head in known
            }
            if cells and (n > 1 or grid.name == "Plan"):
                for head, cell in cells.items():
                    if (found := trouble(cell)) is not None:
                        self.fault(grid.name, n, heads.index(head) + 1, head, *found)
                yield _Found(grid.name, n, cells)

    def fault(self, sheet: str, row: int, column: int, head: str, what: str, right: str) -> None:
        """Note a fault at a row and column of a sheet, both from 1."""
        path = f"sheet {sheet}, row {row}, column {column_name(column - 1)}" + (f" ({head})" if head else "")
        self.faults.append(Fault(self.file, row, column, path, what, right))

    def yaml(self) -> str:
        """The plan as YAML."""
        lines = list(self._head())
        for sheet, name in (("Limits", "limits"), ("Efforts", "efforts"), ("Sites", "sites")):
            if self.rows[sheet]:
                lines += [f"{name}:", *(self._named(found) for found in self.rows[sheet])]
        for sheet in ("Crew", "Consumables", "Rounds", "Hardware"):
            if self.rows[sheet]:
                entries = (f"  - {{{self._pairs(found)}}}" for found in self.rows[sheet])
                lines += [f"{sheet.lower()}:", *entries]
        windows = {str(found.cells.get("id", "")): found for found in self.rows["Windows"]}
        if windows:
            lines += ["windows:", *map(self._window, windows)]
        lines.append("tasks:" if self.rows["Tasks"] else "tasks: []")
        for found in self.rows["Tasks"]:
            lines += self._task(found)
        return "\n".join(lines) + "\n"

    def _head(self) -> Iterator[str]:
        parted: dict[str, list[str]] = {}
        for found in self.rows["Plan"]:
            key, cell = str(found.cells.get("key", "")), found.cells.get("value", Cell())
            whole, _, part = key.partition(" ")
            if part and whole in ("confidence", "emergency"):
                parted.setdefault(whole, []).append(f"{part}: {_yaml(cell, 'when')}")
            else:
                plain_value = key in ("format", "confidence", "zero_planned")
                yield f"{yaml_exact(key)}: {cell if plain_value else yaml_exact(cell)}"
        for whole, parts in parted.items():
            yield f"{whole}: {{{', '.join(parts)}}}"

    def _named(self, found: _Found) -> str:
        """An entry of a mapping: its name, and the rest as pairs; watts stand alone."""
        name = yaml_exact(found.cells.pop("name", Cell()))
        if found.sheet == "Efforts":
            return f"  {name}: {found.cells.get('watts', '')}"
        return f"  {name}: {{{self._pairs(found)}}}"

    def _pairs(self, found: _Found, but: Sequence[str] = ()) -> str:
        return ", ".join(
            f"{key}: {_yaml(cell, COLUMNS[found.sheet][key])}"
            for key, cell in found.cells.items()
            if key not in but
        )

    def _window(self, name: str) -> str:
        spans, orbit, kind = [], "", ""
        for found in self.rows["Windows"]:
            if str(found.cells.get("id", "")) == name:
                ends = [_yaml(found.cells[key], "when") for key in ("from", "to") if key in found.cells]
                spans += [f"[{', '.join(ends)}]"] if ends else []
                orbit = orbit or self._pairs(found, ("id", "from", "to", "kind"))
                kind = kind or str(found.cells.get("kind", ""))
        parts = [f"kind: {_bare(kind)}"] if kind else []
        parts += [f"open: [{', '.join(spans)}]"] if spans else []
        parts += [f"orbit: {{{orbit}}}"] if orbit else []
        return f"  - {{id: {yaml_exact(name)}, {', '.join(parts)}}}"

    def _task(self, found: _Found) -> Iterator[str]:
        task = str(found.cells.get("id", ""))
        yield f"  - {self._pairs(found)}".replace("  - ", "  - {", 1) + ", steps: ["
        for step in self.steps_of(task):
            yield f"      {{{self._step(step)}}},"
        yield "    ]}"

    def steps_of(self, task: str) -> list[_Found]:
        """The rows of a task's steps, in order."""
        return [found for found in self.rows["Steps"] if str(found.cells.get("task", "")) == task]

    def _step(self, found: _Found) -> str:
        parts = [self._pairs(found, ("task", "time", "low", "high", "within of", "within time"))]
        times = {
            key: _yaml(found.cells[key], "when") for key in ("low", "time", "high") if key in found.cells
        }
        if set(times) == {"time"}:
            parts.append(f"time: {times['time']}")
        elif times:
            spread = ", ".join(
                f"{'likely' if key == 'time' else key}: {value}" for key, value in times.items()
            )
            parts.append(f"time: {{{spread}}}")
        within = {
            key: found.cells[f"within {key}"] for key in ("of", "time") if f"within {key}" in found.cells
        }
        if within:
            ends = ", ".join(
                f"{key}: {_yaml(cell, 'when' if key == 'time' else 'text')}" for key, cell in within.items()
            )
            parts.append(f"within: {{{ends}}}")
        return ", ".join(filter(None, parts))

    def behind(self, path: str) -> tuple[_Found, str] | None:
        """The row behind a place of the plan, and the key in it; None for the plan as a whole."""
        found = re.match(
            r"(tasks|consumables|crew|windows|rounds|hardware)\[(\d+)\](?:\.steps\[(\d+)\])?(?:\.(\w+))?",
            path,
        )
        if found is None:
            return None
        sheet, place, key = found.group(1).capitalize(), int(found.group(2)), found.group(4) or ""
        rows = self.rows[sheet]
        if sheet == "Windows":
            rows = list({str(row.cells.get("id", "")): row for row in rows}.values())
        if place >= len(rows):
            return None
        if found.group(3) is None:
            return rows[place], key or "id"
        return self.steps_of(str(rows[place].cells.get("id", "")))[int(found.group(3))], key or "do"


def _yaml(cell: Cell, form: Form) -> str:
    """A cell as YAML writes it; what fits no form stays a text, for the plan's own rules to refuse."""
    text = str(cell).strip() if form != "text" else str(cell)
    if form == "when" and cell.kind in ("span", "clock", "instant"):
        return text if cell.kind == "instant" else format_exact(round(cell.value * DAY_S))
    if form == "lines":
        return f"[{', '.join(yaml_exact(line) for line in str(cell).split(chr(10)))}]"
    if form == "named":
        named = (line.partition(" ") for line in str(cell).split("\n"))
        return f"{{{', '.join(f'{yaml_exact(name)}: {yaml_exact(rest)}' for name, _, rest in named)}}}"
    if form == "list":
        return f"[{', '.join(yaml_exact(part.strip()) for part in text.split(',') if part.strip())}]"
    if form in ("pairs", "level") and " " in text:
        pairs = (part.split(maxsplit=1) for part in text.split(",") if part.strip())
        return f"{{{', '.join(f'{yaml_exact(pair[0])}: {_bare(pair[-1])}' for pair in pairs)}}}"
    if form == "flag":
        return {"yes": "true", "no": "false"}.get(text.lower(), yaml_exact(text))
    return yaml_exact(text) if form == "text" else _bare(text)


def _bare(text: str) -> str:
    """A number, a time or an id without quotes, anything else in them."""
    return text if re.fullmatch(r"[-+\w.:]+", text, re.ASCII) else yaml_exact(text)


def plan_text(grids: Sequence[Grid], file: str) -> str:
    """The plan in a workbook, as YAML. Raises PlanError with the sheet, row and column of each fault."""
    reader = _Reader(grids, file)
    tasks = {str(found.cells.get("id", "")) for found in reader.rows["Tasks"]}
    for found in reader.rows["Steps"]:
        name = str(found.cells.get("task", ""))
        if name not in tasks:
            right = meant(name, tasks, "name a task of the sheet Tasks")
            reader.fault("Steps", found.row, 1, "task", f"there is no task {name!r}", right)
    if reader.faults:
        raise PlanError(reader.faults)
    text = reader.yaml()
    try:
        parse_plan(text, file=file, name="plan")
    except PlanError as error:
        raise PlanError([_in_book(fault, reader) for fault in error.faults]) from None
    return text


def _in_book(fault: Fault, reader: _Reader) -> Fault:
    behind = reader.behind(fault.path)
    if behind is None:
        return Fault(reader.file, 0, 0, fault.path, fault.what, fault.right)
    column, path = behind[0].place(behind[1])
    return Fault(reader.file, behind[0].row, column, path, fault.what, fault.right)
