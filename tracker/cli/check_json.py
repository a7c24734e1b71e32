"""What `tracker check --json` prints, and the warnings that both forms share.

One object. Times are PET in seconds, null where a step or a limit has none on paper:

- `excursion`, `file`, `zero`, `zero_planned`; `inside` and `without_optional.inside`: ingress on paper;
- `crew`: per member `crew`, `name`, `outside`, `inside` (null for those inside), `steps` (ids in order);
- `steps`: `step`, `task`, `do`, `crew`, `start`, `finish`, `duration`, `slack`, `critical`, and `wait`
  with `seconds` and `cause`, or null; `critical`: the ids of the critical path;
- `limits`: `id`, `at`, `crew`, `inside`, `margin`, `without_optional` with `inside` and `margin`;
- `consumables`: `crew` (`*`: shared), `consumable`, `unit`, `start`, `reserve`, `at_inside`,
  `reserve_reached`, `margin`, `without_optional` with `at_inside`, `reserve_reached` and `margin`;
- `clocks`: `step`, `of`, `allowed`, `takes`, `margin`; `windows`: `window` and `open`, a list of pairs;
- `chance`: `must` and `everything`, each `safe`, `inside` (`p50`, `p90`), `holds`; `confidence`, `prior`;
- `warnings`: `line`, `column`, `path`, `what`, `right`; and `advisory`.
"""

from __future__ import annotations

import math
from typing import Any

from tracker.forecast.chances import AtZero, Chance
from tracker.foundation.errors import Fault
from tracker.foundation.text import ADVISORY
from tracker.foundation.times import format_instant
from tracker.plan.paper import Paper, PaperClock, PaperLimit, Supply
from tracker.plan.timeline import Timeline
from tracker.plan.yaml_tree import read_tree


def check_json(paper: Paper, chances: AtZero) -> dict[str, Any]:
    """Return a checked plan as one JSON object; see the head of this file."""
    plan, course = paper.plan, paper.everything
    return {
        "format": 1,
        "excursion": plan.excursion,
        "file": plan.file,
        "zero": plan.zero,
        "zero_planned": format_instant(plan.zero_planned) if plan.zero_planned else None,
        "inside": _finite(course.everybody_inside),
        "without_optional": {"inside": _finite(paper.must.everybody_inside)},
        "crew": _crew(paper),
        "steps": [_step(course, step.id) | _words(paper, step.id) for step in course.steps],
        "critical": list(course.critical),
        "limits": [_limit(limit) for limit in paper.limits],
        "consumables": [
            _supply(course, supply) | {"without_optional": _level(paper.must, must)}
            for supply, must in zip(paper.supplies, paper.supplies_must, strict=True)
        ],
        "clocks": [_clock(clock) for clock in paper.clocks],
        "windows": [
            {"window": name, "open": [[_finite(a), _finite(b)] for a, b in spans]}
            for name, spans in paper.windows.items()
        ],
        "chance": {
            "must": _chance(chances.must),
            "everything": _chance(chances.everything),
            "confidence": _confidence(paper),
            "prior": chances.prior,
        },
        "warnings": [_warning(warning) for warning in warnings(paper, chances)],
        "advisory": ADVISORY,
    }


def _clock(clock: PaperClock) -> dict[str, Any]:
    return {
        "step": clock.step,
        "of": clock.of,
        "allowed": clock.allowed,
        "takes": _finite(clock.takes),
        "margin": _finite(clock.allowed - clock.takes),
    }


def warnings(paper: Paper, chances: AtZero) -> list[Fault]:
    """Return the warnings of a plan: those on paper, and must work below the confidence."""
    found = list(paper.warnings)
    if not chances.must.holds:
        tree = read_tree(paper.plan.source.removeprefix("\ufeff"), paper.plan.file or paper.plan.name)
        asked = _confidence(paper)
        share = asked if isinstance(asked, float) else "what `confidence` asks"
        what = f"must work alone keeps every limit with a chance of {chances.must.safe:.3f}, below {share}"
        loc = ("confidence",) if "confidence" in tree.root.entries else ("limits", "elapsed")
        tree.report(loc, what, "take work out of must, or name a rehearsed crew's pace file with --pace")
        found += tree.faults
    return found


def _finite(value: float | None) -> float | None:
    return round(value, 3) if value is not None and math.isfinite(value) else None


def _crew(paper: Paper) -> list[dict[str, Any]]:
    course = paper.everything
    return [
        {
            "crew": member.id,
            "name": member.name,
            "outside": member.outside,
            "inside": _finite(course.inside.get(member.id)),
            "steps": list(course.order[member.id]),
        }
        for member in paper.plan.crew
    ]


def _words(paper: Paper, name: str) -> dict[str, Any]:
    step = paper.plan.step[name]
    return {"task": step.task, "do": step.do, "crew": list(step.crew)}


def _step(course: Timeline, name: str) -> dict[str, Any]:
    wait = course.waits.get(name)
    return {
        "step": name,
        "start": _finite(course.start[name]) if name not in course.lost else None,
        "finish": _finite(course.finish[name]) if name not in course.lost else None,
        "duration": _finite(course.duration(name)),
        "slack": _finite(course.slack[name]),
        "critical": name in course.critical,
        "wait": {"seconds": _finite(wait.seconds), "cause": wait.cause} if wait else None,
    }


def _limit(limit: PaperLimit) -> dict[str, Any]:
    return {
        "id": limit.name,
        "at": limit.at,
        "crew": list(limit.crew),
        **_margin(limit, limit.inside),
        "without_optional": _margin(limit, limit.inside_must),
    }


def _margin(limit: PaperLimit, inside: float) -> dict[str, Any]:
    return {
        "inside": _finite(inside),
        "margin": _finite(limit.at - inside) if limit.at is not None else None,
    }


def _supply(course: Timeline, supply: Supply) -> dict[str, Any]:
    return {
        "crew": supply.crew,
        "consumable": supply.consumable,
        "unit": supply.unit,
        "start": supply.start,
        "reserve": supply.reserve,
        **_level(course, supply),
    }


def _level(course: Timeline, supply: Supply) -> dict[str, Any]:
    return {
        "at_inside": round(supply.at_inside, 6) if math.isfinite(supply.at_inside) else None,
        "reserve_reached": _finite(supply.reserve_reached),
        "margin": _finite(supply.margin_s(course)),
    }


def _chance(chance: Chance) -> dict[str, Any]:
    inside = {"p50": _finite(chance.inside_p50), "p90": _finite(chance.inside_p90)}
    return {"safe": chance.safe, "inside": inside, "holds": chance.holds}


def _confidence(paper: Paper) -> float | dict[str, float]:
    asked = paper.plan.confidence
    return asked.elapsed if asked.joint else {"elapsed": asked.elapsed, "consumables": asked.consumables}


def _warning(warning: Fault) -> dict[str, Any]:
    return {
        "line": warning.line,
        "column": warning.column,
        "path": warning.path,
        "what": warning.what,
        "right": warning.right,
    }
