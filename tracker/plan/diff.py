"""What two plans differ in, by subject: what is added, gone, moved, called otherwise, and each changed key.

Everything that a plan says counts, and nothing of how it is written: comments, layout and the order of keys
make no difference.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from tracker.foundation.text import percent_asked
from tracker.foundation.times import brief_instant, format_exact
from tracker.plan.graph import longest_rising
from tracker.plan.model import Duration, Plan, Step, Task, Window

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


Row = Mapping[str, str]
"""What a thing says, key by key, as text."""


def differences(a: Plan, b: Plan) -> list[Change]:
    """What b has otherwise than a, in the order of a plan's keys."""
    steps = _renamed(a, b)
    a = _called(a, steps)
    found: list[Change] = []
    before, after = _things(a), _things(b)
    for subject, things in before.items():
        found += _rows(subject, things, after[subject])
        if subject in ("crew", "tasks"):
            found += _moved(subject, [*things], [*after[subject]])
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
    yield from _rows("steps", *({step.id: _step_row(step) for step in p.step.values()} for p in (a, b)))
    for task in b.tasks:
        if task.id in a.task:
            yield from _moved("steps", [s.id for s in a.task[task.id].steps], [s.id for s in task.steps])


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
    rows = [_step_row(one) if isinstance(one, Step) else _row(one, _TASK) for one in (a, b)]
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
    names = "title do name at open orbit crew time home watts every ask"
    return ", ".join(row[key] for key in names.split() if row.get(key))


def _row(thing: object, fields: str, **own: str) -> Row:
    """What a thing says, as text: what has words of its own, then what some of its fields say."""
    return own | {name: _shown(getattr(thing, name)) for name in fields.split()}


def _shown(value: object) -> str:
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, datetime):
        return brief_instant(value)
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def _when(at: int | datetime) -> str:
    return brief_instant(at) if isinstance(at, datetime) else format_exact(at)


def _plan_row(plan: Plan) -> Row:
    asked, kept = plan.confidence, plan.emergency
    both = f"elapsed {percent_asked(asked.elapsed)}, consumables {percent_asked(asked.consumables)}"
    return {
        "excursion": plan.excursion,
        "zero": plan.zero,
        "zero_planned": _shown(plan.zero_planned),
        "confidence": percent_asked(asked.elapsed) if asked.joint else both,
        "emergency": f"supply {format_exact(kept.supply)}, lock {format_exact(kept.lock)}" if kept else "",
    }


def _things(plan: Plan) -> dict[Subject, dict[str, Row]]:
    """What a plan says of everything but steps, by subject and by id or name."""

    def assisted(site: str) -> str:
        return format_exact(plan.assisted[site]) if site in plan.assisted else ""

    return {
        "plan": {"": _plan_row(plan)},
        "crew": {x.id: {"name": x.name, "outside": "yes" if x.outside else "no"} for x in plan.crew},
        "limits": {x.name: _row(x, "crew", at=_when(x.at)) for x in plan.limits},
        "consumables": {x.id: _row(x, _STORE) for x in plan.consumables},
        "windows": {x.id: _row(x, "kind", open=_spans(x), orbit=_orbit(x)) for x in plan.windows},
        "sites": {
            name: {"home": format_exact(home), "assisted": assisted(name)}
            for name, home in plan.sites.items()
        },
        "efforts": {name: {"watts": f"{watts:g}"} for name, watts in plan.efforts.items()},
        "rounds": {x.id: _row(x, "ask", every=format_exact(x.every)) for x in plan.rounds},
        "hardware": {x.id: {"title": x.title, "from": x.origin} for x in plan.hardware},
        "tasks": {x.id: _row(x, _TASK) for x in plan.tasks},
    }


_STORE = "unit start reserve per_hour per_megajoule reading_sd crew shared"
_TASK = "title priority value needs closeout"
_STEP = "fixed count work site needs whole hold_point opens closes takes brings"
"""Keys that are fields, and what they say is shown as it is."""


def _spans(window: Window) -> str:
    return ", ".join(f"{_when(a)} to {_when(b)}" for a, b in window.open)


def _orbit(window: Window) -> str:
    if (orbit := window.orbit) is None:
        return ""
    return f"{orbit.altitude_km:g} km, {orbit.beta_deg:g} deg, from {_when(orbit.first_sunrise)}"


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
        step,
        _STEP,
        do=step.do,
        crew=_shown(step.crew),
        time=time_text(step.time),
        effort=effort,
        use=_pairs({store: f"{factor:g}" for store, factor in step.use.items()}),
        window=_shown(step.windows),
        within=within or "",
        cautions="; ".join(step.cautions),
        numbers=_pairs(step.numbers),
        leaves=_pairs(step.leaves),
    )


def _pairs(values: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {value}" for name, value in values.items())
