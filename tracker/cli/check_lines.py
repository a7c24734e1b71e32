"""What `tracker check` prints: plain lines, at most 100 columns, readable without colour."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from tracker.forecast.chances import AtZero, Chance
from tracker.foundation.text import ADVISORY, plain
from tracker.foundation.times import format_instant, format_pet
from tracker.plan.model import CrewMember, Plan, Step
from tracker.plan.paper import SHARED, Paper, Supply
from tracker.plan.timeline import Timeline
from tracker.plan.windows import Intervals

WIDTH = 100


def check_lines(paper: Paper, chances: AtZero) -> Iterator[str]:
    """Yield the lines of a checked plan."""
    plan, course = paper.plan, paper.everything
    yield plain(plan.excursion)
    yield f"{plain(plan.file)}: {_many(len(plan.tasks), 'task')}, {_many(len(plan.step), 'step')}"
    planned = f", planned for {format_instant(plan.zero_planned)}" if plan.zero_planned else ""
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
    yield from _chances(paper, chances)
    yield ""
    yield from _warned(paper, chances)
    yield ADVISORY


def _many(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _folded(text: str) -> list[str]:
    return textwrap.wrap(plain(text, most=20_000), WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def _pet(seconds: float) -> str:
    """Write a PET of the course on paper: to the minute where it is one, else to the second."""
    if not math.isfinite(seconds):
        return "never"
    whole = round(seconds)
    return format_pet(whole, with_seconds=whole % 60 != 0)


def _member(plan: Plan, course: Timeline, member: CrewMember) -> Iterator[str]:
    name = "" if member.name == member.id else f" {plain(member.name)}"
    end = f", inside at {_pet(course.inside[member.id])}" if member.outside else ""
    yield f"{member.id}{name}{end}"
    wide = min(28, max(len(step) for step in course.order[member.id]))
    yield f"     start      end    takes  {'step':<{wide}}  what"
    for name in course.order[member.id]:
        wait = course.waits.get(name)
        before = _free_before(course, member.id, name)
        idle = course.start[name] - before
        if wait is not None and idle >= 0.5 and wait.cause != f"crew {member.id}":
            yield f"             {_pet(idle):>8}  waiting for {_cause(wait.cause)}"
        yield _step(plan, course, plan.step[name], member.id, wide)


def _free_before(course: Timeline, member: str, step: str) -> float:
    order = course.order[member]
    at = order.index(step)
    return course.finish[order[at - 1]] if at else 0.0


def _cause(cause: str) -> str:
    kind, _, name = cause.partition(" ")
    return {"need": f"{name} to be done", "crew": name, "window": f"the window {name}"}.get(kind, cause)


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


def _apart(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "never used up" if seconds > 0 else "not on paper"
    return f"{format_pet(seconds)} to spare" if seconds >= 0 else f"{format_pet(-seconds)} too late"


def _limits(paper: Paper) -> Iterator[str]:
    yield f"{'margins on paper':<26}{'at':>9}   {'everything':<28}must work alone"
    for limit in paper.limits:
        if limit.at is None:
            yield f"  {limit.name:<24}{'-':>9}   without zero_planned it has no place on paper"
            continue
        cells = (f"{_pet(i)}, {_apart(limit.at - i)}" for i in (limit.inside, limit.inside_must))
        everything, must = cells
        yield f"  {limit.name:<24}{_pet(limit.at):>9}   {everything:<28}{must}"


def _supplies(paper: Paper) -> Iterator[str]:
    for everything, must in zip(paper.supplies, paper.supplies_must, strict=True):
        who = "shared" if everything.crew == SHARED else everything.crew
        name = plain(f"{who}.{everything.consumable}")
        left, left_must = _left(everything), _left(must)
        late = _apart(everything.margin_s(paper.everything)), _apart(must.margin_s(paper.must))
        yield f"  {name:<24}{_reached(everything):>9}   {late[0]:<28}{late[1]}"
        yield f"  {'  at ingress':<33}   {left:<28}{left_must}"


def _reached(supply: Supply) -> str:
    return format_pet(supply.reserve_reached)


def _left(supply: Supply) -> str:
    if not math.isfinite(supply.at_inside):
        return "-"
    unit = plain(supply.unit, most=12)
    return f"{supply.at_inside:.3g} {unit}, reserve {supply.reserve:g}"


def _clocks(paper: Paper) -> Iterator[str]:
    for clock in paper.clocks:
        what = f"{clock.step} within {_pet(clock.allowed)} of {clock.of}"
        verdict = _apart(clock.allowed - clock.takes)
        yield from _folded(f"  {what}: {_pet(clock.takes)} on paper, {verdict}")


def _windows(paper: Paper) -> Iterator[str]:
    end = paper.everything.everybody_inside
    for name, spans in paper.windows.items():
        text = ", ".join(_span(a, b) for a, b in _near(spans, end)) or "not open"
        yield from _folded(f"  window {name} open: {text}")


def _near(spans: Intervals, end: float) -> Intervals:
    return tuple((a, b) for a, b in spans if a < max(end, 3600.0))


def _span(start: float, end: float) -> str:
    since = "zero" if start <= 0 else _pet(start)
    return f"{since} to {_pet(end)}" if math.isfinite(end) else f"from {since} on"


def _chances(paper: Paper, chances: AtZero) -> Iterator[str]:
    yield from _folded(f"chance at zero of keeping every limit and reserve, by {chances.prior}:")
    for words, chance in (("must work alone", chances.must), ("everything", chances.everything)):
        yield f"  {words:<18}{_percent(chance.safe):>7}   {_range(chance)}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _range(chance: Chance) -> str:
    if chance.inside_p50 is None or chance.inside_p90 is None:
        return "often shut out by a window"
    return f"inside at {format_pet(chance.inside_p50)}, by {format_pet(chance.inside_p90)} in nine of ten"


def _warned(paper: Paper, chances: AtZero) -> Iterator[str]:
    from tracker.cli.check_json import warnings

    for warning in warnings(paper, chances):
        yield from _folded(f"warning: {warning}")
