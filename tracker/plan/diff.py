"""What two plans differ in, by subject: what is added, gone, moved, called otherwise, and each changed key.

Everything that a plan says counts, and nothing of how it is written: comments, layout and the order of keys
make no difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal, Protocol, TypeVar

from tracker.foundation.text import percent
from tracker.foundation.times import format_exact, format_instant
from tracker.plan.graph import longest_rising
from tracker.plan.model import (
    Consumable,
    CrewMember,
    Duration,
    Hardware,
    Limit,
    Plan,
    Round,
    Step,
    Task,
    Window,
)

Subject = Literal[
    "plan",
    "crew",
    "limits",
    "consumables",
    "windows",
    "sites",
    "efforts",
    "rounds",
    "hardware",
    "tasks",
    "steps",
]
What = Literal["added", "gone", "moved", "renamed", "changed"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing in which two plans differ."""

    subject: Subject
    id: str
    """What it is about; empty for the plan as a whole."""
    what: What
    key: str = ""
    """The key of a plan, where one changed."""
    before: str | None = None
    after: str | None = None

    def words(self) -> str:
        """It in words: `egress.1  time 0:05 -> 0:10`."""
        said = {"changed": self.key}.get(self.what, self.what)
        ends = [end for end in (self.before, self.after) if end is not None]
        if self.what in ("changed", "renamed"):
            ends = [" -> ".join(end or "nothing" for end in (self.before or "", self.after or ""))]
        return "  ".join(filter(None, (self.id, " ".join(filter(None, (said, *ends))))))


class _Named(Protocol):
    @property
    def id(self) -> str:
        """Its id."""


_N = TypeVar("_N", bound=_Named)
Row = Mapping[str, str]
"""What a thing says, key by key, as text."""


def differences(a: Plan, b: Plan) -> list[Change]:
    """What b has otherwise than a, in the order of a plan's keys."""
    steps = _renamed(a, b)
    a = _called(a, steps)
    found = list(_keys("plan", "", _plan_row(a), _plan_row(b)))
    found += _each("crew", a.crew, b.crew, _member_row)
    found += _rows(
        "limits", {x.name: _limit_row(x) for x in a.limits}, {x.name: _limit_row(x) for x in b.limits}
    )
    found += _each("consumables", a.consumables, b.consumables, _store_row)
    found += _each("windows", a.windows, b.windows, _window_row)
    found += _rows("sites", _site_rows(a), _site_rows(b))
    found += _rows("efforts", *({name: {"watts": f"{w:g}"} for name, w in p.efforts.items()} for p in (a, b)))
    found += _each("rounds", a.rounds, b.rounds, _round_row)
    found += _each("hardware", a.hardware, b.hardware, _hardware_row)
    found += _each("tasks", a.tasks, b.tasks, _task_row)
    found += [Change("steps", new, "renamed", "", old, new) for old, new in steps.items()]
    return found + list(_steps(a, b))


def _renamed(a: Plan, b: Plan) -> dict[str, str]:
    """Steps that only got another id: those alone in saying the same of who does what."""
    gone = [step for step in a.step.values() if step.id not in b.step]
    added = [step for step in b.step.values() if step.id not in a.step]
    found = {}
    for old in gone:
        same = [new for new in added if (new.do, new.crew) == (old.do, old.crew)]
        alike = [other for other in gone if (other.do, other.crew) == (old.do, old.crew)]
        if len(same) == len(alike) == 1:
            found[old.id] = same[0].id
    return found


def _called(plan: Plan, names: Mapping[str, str]) -> Plan:
    """A plan with steps under other ids, also where others speak of them; tasks stay as they are."""
    if not names:
        return plan

    def called(step: Step) -> Step:
        within = step.within and replace(step.within, of=names.get(step.within.of, step.within.of))
        needs = tuple(names.get(need, need) for need in step.needs)
        return replace(step, id=names.get(step.id, step.id), needs=needs, within=within)

    tasks = tuple(
        replace(
            task,
            needs=tuple(names.get(need, need) for need in task.needs),
            steps=tuple(map(called, task.steps)),
        )
        for task in plan.tasks
    )
    return replace(plan, tasks=tasks)


def _steps(a: Plan, b: Plan) -> Iterator[Change]:
    """Yield the changes of steps: by id, and in what order those of one task come."""
    yield from _each("steps", tuple(a.step.values()), tuple(b.step.values()), _step_row, order=False)
    for task in b.tasks:
        if task.id in a.task:
            yield from _moved("steps", [s.id for s in a.task[task.id].steps], [s.id for s in task.steps])


def _each(
    subject: Subject, a: Sequence[_N], b: Sequence[_N], row: Callable[[_N], Row], *, order: bool = True
) -> Iterator[Change]:
    yield from _rows(subject, {one.id: row(one) for one in a}, {one.id: row(one) for one in b})
    if order and subject in ("tasks", "crew"):
        yield from _moved(subject, [one.id for one in a], [one.id for one in b])


def _rows(subject: Subject, a: Mapping[str, Row], b: Mapping[str, Row]) -> Iterator[Change]:
    for name in a:
        if name not in b:
            yield Change(subject, name, "gone", before=_brief(a[name]))
    for name, row in b.items():
        if name in a:
            yield from _keys(subject, name, a[name], row)
        else:
            yield Change(subject, name, "added", after=_brief(row))


def _keys(subject: Subject, name: str, a: Row, b: Row) -> Iterator[Change]:
    for key in dict.fromkeys((*a, *b)):
        if a.get(key, "") != b.get(key, ""):
            yield Change(subject, name, "changed", key, a.get(key, ""), b.get(key, ""))


def changed_keys(a: Task | Step, b: Task | Step) -> Iterator[tuple[str, str, str]]:
    """Yield each key in which two tasks, or two steps, differ, with what both say."""
    rows = [_step_row(one) if isinstance(one, Step) else _task_row(one) for one in (a, b)]
    for change in _keys("steps", "", *rows):
        yield change.key, change.before or "", change.after or ""


def _moved(subject: Subject, a: Sequence[str], b: Sequence[str]) -> Iterator[Change]:
    """Yield what stands elsewhere among what both have: the fewest moves that say it."""
    before, after = [name for name in a if name in set(b)], [name for name in b if name in set(a)]
    stay = longest_rising([before.index(name) for name in after])
    for i, name in enumerate(after):
        if i not in stay:
            yield Change(subject, name, "moved", after=f"behind {after[i - 1]}" if i else "to the front")


def _brief(row: Row) -> str:
    return ", ".join(
        row[key]
        for key in (
            "title",
            "do",
            "name",
            "at",
            "open",
            "orbit",
            "crew",
            "time",
            "home",
            "watts",
            "every",
            "ask",
        )
        if row.get(key)
    )


def _row(pairs: Iterable[tuple[str, object]]) -> Row:
    """Keys with their values as text; what is not there is no text."""
    return {key: _shown(value) for key, value in pairs}


def _shown(value: object) -> str:
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, datetime):
        return format_instant(value)
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def _when(at: int | datetime) -> str:
    return format_instant(at) if isinstance(at, datetime) else format_exact(at)


def _plan_row(plan: Plan) -> Row:
    asked, kept = plan.confidence, plan.emergency
    both = f"elapsed {percent(asked.elapsed, None)}, consumables {percent(asked.consumables, None)}"
    return _row(
        (
            ("excursion", plan.excursion),
            ("zero", plan.zero),
            ("zero_planned", plan.zero_planned),
            ("confidence", percent(asked.elapsed, None) if asked.joint else both),
            ("emergency", kept and f"supply {format_exact(kept.supply)}, lock {format_exact(kept.lock)}"),
        )
    )


def _member_row(member: CrewMember) -> Row:
    return _row((("name", member.name), ("outside", "yes" if member.outside else "no")))


def _limit_row(limit: Limit) -> Row:
    return _row((("at", _when(limit.at)), ("crew", limit.crew)))


def _store_row(store: Consumable) -> Row:
    names = ("unit", "start", "reserve", "per_hour", "per_megajoule", "reading_sd", "crew", "shared")
    return _row((name, getattr(store, name)) for name in names)


def _window_row(window: Window) -> Row:
    spans = ", ".join(f"{_when(a)} to {_when(b)}" for a, b in window.open)
    orbit = window.orbit
    course = orbit and f"{orbit.altitude_km:g} km, {orbit.beta_deg:g} deg, from {_when(orbit.first_sunrise)}"
    return _row((("open", spans), ("orbit", course), ("kind", window.kind)))


def _site_rows(plan: Plan) -> Mapping[str, Row]:
    def row(name: str) -> Row:
        with_one = plan.assisted.get(name)
        return {
            "home": format_exact(plan.sites[name]),
            "assisted": "" if with_one is None else format_exact(with_one),
        }

    return {name: row(name) for name in plan.sites}


def _round_row(one: Round) -> Row:
    return _row((("every", format_exact(one.every)), ("ask", one.ask)))


def _hardware_row(one: Hardware) -> Row:
    return _row((("title", one.title), ("from", one.origin)))


def _task_row(task: Task) -> Row:
    return _row((name, getattr(task, name)) for name in ("title", "priority", "value", "needs", "closeout"))


def time_text(time: Duration) -> str:
    """A planned time: `0:12`, `0:08..0:12..0:20` or `home`."""
    if time.home:
        return "home"
    parts = (time.low, time.likely, time.high)
    return "..".join(format_exact(part) for part in parts if part is not None)


def _step_row(step: Step) -> Row:
    levels = {member: f"{step.effort_of(member):g} W" for member in step.crew}
    effort = next(iter(levels.values()), "") if len(set(levels.values())) == 1 else _pairs(levels)
    within = step.within and f"{format_exact(step.within.time)} of {step.within.of}"
    return _row(
        (
            ("do", step.do),
            ("crew", step.crew),
            ("time", time_text(step.time)),
            ("effort", effort),
            ("use", _pairs({store: f"{factor:g}" for store, factor in step.use.items()})),
            ("window", step.windows),
            ("within", within),
            ("cautions", "; ".join(step.cautions)),
            ("numbers", _pairs(step.numbers)),
            ("leaves", _pairs(step.leaves)),
            *((name, getattr(step, name)) for name in _ALIKE),
        )
    )


_ALIKE = (
    "fixed",
    "count",
    "work",
    "site",
    "needs",
    "whole",
    "hold_point",
    "opens",
    "closes",
    "takes",
    "brings",
)
"""Keys of a step that are its fields."""


def _pairs(values: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {value}" for name, value in values.items())
