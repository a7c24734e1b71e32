"""The steps of a plan in somebody's own columns, as the mapping file says by which their sheets are read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from tracker.foundation.times import format_exact
from tracker.plan.book import COLUMNS, Form, cell_text, sheets_of
from tracker.plan.cells import UNITS
from tracker.plan.columns import SPANS, Named, Wishes
from tracker.plan.model import Plan, Step
from tracker.plan.timeline import Timeline, as_planned
from tracker.plan.workbook_out import Span

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
        yield [_text(value) for value in row]


def _text(value: Value) -> str:
    if isinstance(value, Span):
        return format_exact(value.seconds)
    return "" if value is None else f"{value:.15g}" if isinstance(value, float | int) else value
