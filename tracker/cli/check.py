"""`tracker check PLAN`: reads a plan and prints its course on paper, margins, chances and warnings.

Each subject of the listing stands here twice, side by side: as plain lines, at most 100 columns and readable
without colour, and as a part of the one object that `--json` prints. Times in it are PET in seconds, null
where a step or a limit has none on paper:

- `excursion`, `file`, `zero`, `zero_planned`; `inside` and `without_optional.inside`: ingress on paper;
- `crew`: per member `crew`, `name`, `outside`, `inside` (null for those inside), `steps` (ids in order);
- `steps`: `step`, `task`, `do`, `crew`, `start`, `finish`, `duration`, `slack`, `critical`, and `wait`
  with `seconds` and `cause`, or null; `critical`: the ids of the critical path;
- `limits`: `id`, `at`, `crew`, `inside`, `margin`, `without_optional` with `inside` and `margin`;
- `consumables`: `crew` (`*`: shared), `consumable`, `unit`, `start`, `reserve`, `at_inside`,
  `reserve_reached`, `margin`, `without_optional` with `at_inside`, `reserve_reached` and `margin`;
- `clocks`: `step`, `of`, `allowed`, `takes`, `margin`; `windows`: `window` and `open`, a list of pairs;
- `chance`: `must` and `everything`, each `safe`, `inside` (`p50`, `p90`), `holds`; `confidence`, `prior`;
- `bad_day`, worst first: `site`, the ways home `alone`, `assisted` and `longest`, with what the `lock` takes,
  the emergency `supply` and what is `to_spare` of it; null where the plan does not say it;
- `warnings`: `line`, `column`, `path`, `what`, `right`; and `advisory`.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from tracker.forecast.chances import AtZero, Chance
from tracker.forecast.wording import limit_words
from tracker.foundation.errors import Fault
from tracker.foundation.shown import spare_words
from tracker.foundation.text import ADVISORY, amount, count, percent, percent_asked, plain
from tracker.foundation.times import brief_instant, format_exact, format_instant, format_pet
from tracker.foundation.waiting import meanwhile
from tracker.plan.bad_day import ways_home
from tracker.plan.model import CrewMember, Plan, Step
from tracker.plan.paper import Paper, PaperClock, PaperLimit, Supply
from tracker.plan.timeline import Timeline
from tracker.plan.yaml_tree import read_tree

if TYPE_CHECKING:
    from tracker.forecast.pace_file import PacePrior


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add = parser.add_argument
    add("plan", metavar="PLAN", help="a plan file, YAML or JSON")
    add("--json", action="store_true", help="as one JSON object")
    add("--pace", metavar="PACE", help="a pace file to judge the chance by")
    add("--html", metavar="FILE", help="the plan for the hand, A4; - is standard output")
    add("--print", dest="page", action="store_true", help="the same as text, 80 columns")


def run(args: argparse.Namespace) -> int:
    """Check a plan: 0 when it has no fault, whatever its warnings; faults raise PlanError."""
    from tracker.forecast.chances import at_zero
    from tracker.plan.paper import on_paper
    from tracker.plan.read import read_plan

    with meanwhile("checking the plan"):
        plan = read_plan(args.plan)
        paper = on_paper(plan)
        if args.html or args.page:
            return _handout(paper, args)
        chances = at_zero(plan, prior_of(args.pace))
    if args.json:
        json.dump(check_json(paper, chances), sys.stdout, indent=1, allow_nan=False)
        print()
        return 0
    for line in check_lines(paper, chances):
        print(plain(line))
    return 0


def _handout(paper: Paper, args: argparse.Namespace) -> int:
    """Write the plan as people carry it."""
    from tracker.foundation.output import check_targets, write_told
    from tracker.plan.handout import html_page, text_page

    if args.html:
        check_targets([args.html], [])
        write_told(args.html, html_page(paper))
    if args.page:
        for line in text_page(paper):
            print(line)
    return 0


def prior_of(path: str | None) -> PacePrior:
    """The belief about pace in a pace file, or the built-in one."""
    from tracker.forecast.pace_file import DEFAULT_PRIOR, read_pace
    from tracker.plan.read import read_text

    return DEFAULT_PRIOR if path is None else read_pace(read_text(path, "pace"), path)


WIDTH = 100


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
        "crew": [_member_json(course, member) for member in plan.crew],
        "steps": [_step_json(course, plan.step[step.id]) for step in course.steps],
        "critical": list(course.critical),
        "limits": [_limit_json(limit) for limit in paper.limits],
        "consumables": _supplies_json(paper),
        "clocks": [_clock_json(clock) for clock in paper.clocks],
        "windows": [
            {"window": name, "open": [[_finite(a), _finite(b)] for a, b in spans]}
            for name, spans in paper.windows.items()
        ],
        "chance": {
            "must": _chance_json(chances.must),
            "everything": _chance_json(chances.everything),
            "confidence": plan.confidence.asked,
            "prior": chances.prior,
        },
        "bad_day": [
            {name: getattr(way, name) for name in _WAY} | {"longest": way.longest, "to_spare": way.to_spare}
            for way in ways_home(plan)
        ],
        "warnings": [
            {name: getattr(warning, name) for name in ("line", "column", "path", "what", "right")}
            for warning in warnings(paper, chances)
        ],
        "advisory": ADVISORY,
    }


_WAY = ("site", "alone", "assisted", "lock", "supply")


def check_lines(paper: Paper, chances: AtZero) -> Iterator[str]:
    """Yield the lines of a checked plan."""
    plan, course = paper.plan, paper.everything
    yield plain(plan.excursion)
    yield f"{plain(plan.file)}: {count(len(plan.tasks), 'task')}, {count(len(plan.step), 'step')}"
    planned = f", planned for {brief_instant(plan.zero_planned)}" if plan.zero_planned else ""
    yield from _folded(f"zero: {plan.zero}{planned}")
    for member in plan.crew:
        if course.order[member.id]:
            yield ""
            yield from _member(plan, course, member)
    yield ""
    yield from _folded("critical path (*): " + ", ".join(course.critical))
    yield ""
    yield from _limits(paper)
    yield from _supplies(paper)
    yield from _clocks(paper)
    yield from _windows(paper)
    yield ""
    yield from _folded(f"chance at zero of keeping every limit and reserve, by {chances.prior}:")
    for words, chance in (("must work alone", chances.must), ("everything", chances.everything)):
        yield f"  {words:<18}{percent(chance.safe, plan.confidence.need):>7}   {_range(chance)}"
    if chances.must.holds and not chances.everything.holds:
        yield from _folded(f"everything is below {_asked(paper)}: advice will leave optional work out")
    yield ""
    for warning in warnings(paper, chances):
        yield from _folded(f"warning: {warning}")
    yield ADVISORY


def _finite(value: float | None, digits: int = 3) -> float | None:
    return round(value, digits) if value is not None and math.isfinite(value) else None


def _folded(text: str) -> list[str]:
    return textwrap.wrap(plain(text, most=20_000), WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def _pet(seconds: float) -> str:
    """Write a PET of the course on paper: to the minute where it is one, else to the second."""
    if not math.isfinite(seconds):
        return "never"
    return format_exact(round(seconds))


def _apart(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "never used up" if seconds > 0 else "not on paper"
    return spare_words(seconds)


def _member_json(course: Timeline, member: CrewMember) -> dict[str, Any]:
    return {
        "crew": member.id,
        "name": member.name,
        "outside": member.outside,
        "inside": _finite(course.inside.get(member.id)),
        "steps": list(course.order[member.id]),
    }


def _member(plan: Plan, course: Timeline, member: CrewMember) -> Iterator[str]:
    name = "" if member.name == member.id else f" {plain(member.name)}"
    end = f", inside at {_pet(course.inside[member.id])}" if member.outside else ""
    yield f"{member.id}{name}{end}"
    order = course.order[member.id]
    wide = min(28, max(len(step) for step in order))
    yield f"     start      end    takes  {'step':<{wide}}  what"
    free = 0.0
    for name in order:
        wait = course.waits.get(name)
        idle = course.start[name] - free
        if wait is not None and idle >= 0.5 and wait.cause != f"crew {member.id}":
            yield f"             {_pet(idle):>8}  waiting for {_cause(wait.cause)}"
        yield _step(plan, course, plan.step[name], member.id, wide)
        free = course.finish[name]


def _cause(cause: str) -> str:
    kind, _, name = cause.partition(" ")
    return {"need": f"{name} to be done", "crew": name, "window": f"the window {name}"}.get(kind, cause)


def _step_json(course: Timeline, step: Step) -> dict[str, Any]:
    name = step.id
    wait, lost = course.waits.get(name), name in course.lost
    return {
        "step": name,
        "start": None if lost else _finite(course.start[name]),
        "finish": None if lost else _finite(course.finish[name]),
        "duration": _finite(course.duration(name)),
        "slack": _finite(course.slack[name]),
        "critical": name in course.critical,
        "wait": {"seconds": _finite(wait.seconds), "cause": wait.cause} if wait else None,
        "task": step.task,
        "do": step.do,
        "crew": list(step.crew),
    }


def _step(plan: Plan, course: Timeline, step: Step, member: str, wide: int) -> str:
    task = plan.task[step.task]
    mark = "*" if step.id in course.critical else " "
    start, end = course.start[step.id], course.finish[step.id]
    if step.id in course.lost:
        start = end = math.inf
    optional = f"{task.priority}: " if task.optional else ""
    others = ", ".join(other for other in step.crew if other != member)
    with_whom = f"with {others}: " if others else ""
    hold = f" [go: {step.hold_point}]" if step.hold_point else ""
    times = f"{mark} {_pet(start):>8} {_pet(end):>8} {_pet(course.duration(step.id)):>8}"
    line = f"{times}  {step.id:<{wide}}  {optional}{with_whom}{plain(step.do)}{plain(hold)}"
    return line if len(line) <= WIDTH else line[: WIDTH - 3] + "..."


def _limit_json(limit: PaperLimit) -> dict[str, Any]:
    def margin(inside: float) -> dict[str, Any]:
        spare = None if limit.at is None else limit.at - inside
        return {"inside": _finite(inside), "margin": _finite(spare)}

    crew = list(limit.crew)
    own = {"id": limit.name, "at": limit.at, "crew": crew, **margin(limit.inside)}
    return {**own, "without_optional": margin(limit.inside_must)}


def _limits(paper: Paper) -> Iterator[str]:
    yield f"{'margins on paper':<26}{'at':>9}   {'everything':<28}must work alone"
    for limit in paper.limits:
        if limit.at is None:
            yield f"  {limit.name:<24}{'-':>9}   without zero_planned it has no place on paper"
            continue
        cells = (f"{_pet(i)}, {_apart(limit.at - i)}" for i in (limit.inside, limit.inside_must))
        everything, must = cells
        yield f"  {limit.name:<24}{_pet(limit.at):>9}   {everything:<28}{must}"


def _supplies_json(paper: Paper) -> list[dict[str, Any]]:
    own = ("crew", "consumable", "unit", "start", "reserve")
    return [
        {name: getattr(supply, name) for name in own}
        | _level_json(paper.everything, supply)
        | {"without_optional": _level_json(paper.must, must)}
        for supply, must in zip(paper.supplies, paper.supplies_must, strict=True)
    ]


def _level_json(course: Timeline, supply: Supply) -> dict[str, Any]:
    return {
        "at_inside": _finite(supply.at_inside, 6),
        "reserve_reached": _finite(supply.reserve_reached),
        "margin": _finite(supply.margin_s(course)),
    }


def _supplies(paper: Paper) -> Iterator[str]:
    for everything, must in zip(paper.supplies, paper.supplies_must, strict=True):
        name = plain(limit_words(f"{everything.crew}.{everything.consumable}"))
        late = _apart(everything.margin_s(paper.everything)), _apart(must.margin_s(paper.must))
        yield f"  {name:<24}{format_pet(everything.reserve_reached):>9}   {late[0]:<28}{late[1]}"
        yield f"  {'  at ingress':<33}   {_left(everything):<28}{_left(must)}"


def _left(supply: Supply) -> str:
    if not math.isfinite(supply.at_inside):
        return "-"
    return f"{amount(supply.at_inside, plain(supply.unit, most=12))}, reserve {supply.reserve:g}"


def _clock_json(clock: PaperClock) -> dict[str, Any]:
    return {
        "step": clock.step,
        "of": clock.of,
        "allowed": clock.allowed,
        "takes": _finite(clock.takes),
        "margin": _finite(clock.allowed - clock.takes),
    }


def _clocks(paper: Paper) -> Iterator[str]:
    for clock in paper.clocks:
        what = f"{clock.step} within {_pet(clock.allowed)} of {clock.of}"
        verdict = _apart(clock.allowed - clock.takes)
        yield from _folded(f"  {what}: {_pet(clock.takes)} on paper, {verdict}")


def _windows(paper: Paper) -> Iterator[str]:
    """Yield when each window is open as long as somebody is out, and in the first hour."""
    end = max(paper.everything.everybody_inside, 3600.0)
    for name, spans in paper.windows.items():
        text = ", ".join(_span(a, b) for a, b in spans if a < end) or "not open"
        yield from _folded(f"  window {name} open: {text}")


def _span(start: float, end: float) -> str:
    since = "zero" if start <= 0 else _pet(start)
    return f"{since} to {_pet(end)}" if math.isfinite(end) else f"from {since} on"


def _chance_json(chance: Chance) -> dict[str, Any]:
    inside = {"p50": _finite(chance.inside_p50), "p90": _finite(chance.inside_p90)}
    return {"safe": chance.safe, "inside": inside, "holds": chance.holds}


def _range(chance: Chance) -> str:
    if chance.inside_p50 is None or chance.inside_p90 is None:
        return "often shut out by a window"
    return f"inside at {format_pet(chance.inside_p50)}, by {format_pet(chance.inside_p90)} in nine of ten"


def warnings(paper: Paper, chances: AtZero) -> list[Fault]:
    """Return the warnings of a plan: those on paper, and must work below the confidence."""
    found = list(paper.warnings)
    if not chances.must.holds:
        tree = read_tree(paper.plan.source.removeprefix("\ufeff"), paper.plan.file or paper.plan.name)
        chance = percent(chances.must.safe, paper.plan.confidence.need)
        what = f"must work alone keeps every limit with a chance of {chance}, below {_asked(paper)}"
        loc = ("confidence",) if "confidence" in tree.root.entries else ("limits", "elapsed")
        tree.report(loc, what, "take work out of must, or name a rehearsed crew's pace file with --pace")
        found += tree.faults
    return found


def _asked(paper: Paper) -> str:
    """The chance that a plan asks for, in words."""
    need = paper.plan.confidence.need
    return "what it asks" if need is None else f"the {percent_asked(need)} that the plan asks"
