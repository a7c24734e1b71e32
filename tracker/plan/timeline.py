"""The course of a plan on paper: every step takes its planned time, nobody is fast or slow.

A deterministic network of needs, each crew member's order, joint steps and windows. Hold points get
their go at once. Times are PET seconds.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from tracker.foundation.times import format_instant, format_pet_s, pet_of
from tracker.plan.graph import before_each, crew_orders, present_needs, remaining, sort_steps, step_needs
from tracker.plan.model import Plan, Step
from tracker.plan.windows import Intervals, next_start, openings, usable

NEVER = math.inf
"""When somebody is inside who has a step that finds no later opening of its window."""
HORIZON_LIMITS = 4
"""Windows are looked at, and events taken, up to so many times the elapsed limit."""
MOST_S = 200 * 3600.0
"""No instant of an excursion lies further from zero, whatever its limits say: a mistyped year does."""
DAY_S = 86_400.0
"""Stands for a limit that has no place on the clock, since it is an instant and no zero is known."""


class Wait(NamedTuple):
    """Time that somebody stands idle before a step, and what came last."""

    seconds: float
    cause: str
    """`need STEP`, `crew EV2` (another member of a joint step is not free), or `window NAME`."""


@dataclass(frozen=True)
class Timeline:
    """The as-planned course of one choice of tasks."""

    steps: tuple[Step, ...]
    """Those that are done, in the order of their starts."""
    order: Mapping[str, tuple[str, ...]]
    """Per crew member the steps they do, closeout last."""
    start: Mapping[str, float]
    """Always finite: a step that is shut out stands where it could begin but for its window."""
    finish: Mapping[str, float]
    waits: Mapping[str, Wait]
    """Per step before which one of its crew waits."""
    slack: Mapping[str, float]
    """Seconds that a step may take longer before everybody's ingress moves."""
    critical: tuple[str, ...]
    """Steps without slack, by start."""
    inside: Mapping[str, float]
    """Per crew member outside: the end of their last step."""
    everybody_inside: float
    """When the last crew member outside is inside."""
    shut_out: tuple[str, ...]
    """Steps that find no later opening of their window."""
    lost: frozenset[str]
    """Steps that are shut out, and all that come after one: they do not happen on this course."""

    def duration(self, step: str) -> float:
        """The seconds that a step takes on paper."""
        return self.finish[step] - self.start[step]


def as_planned(plan: Plan, optional: bool | Collection[str] = True) -> Timeline:
    """The course on paper with all optional tasks, none (False), or the named ones.

    Tasks left out keep the closers of items that remaining steps open; their needs are inherited.
    """
    chosen = plan.task if optional is True else optional or ()
    kept = [task.id for task in plan.tasks if not task.optional or task.id in chosen]
    return _Course(plan, remaining(plan, kept)).timeline()


def as_pet(at: float | datetime, zero: datetime | None) -> float | None:
    """A PET, or the PET of an instant, in seconds; None for an instant without a zero."""
    if isinstance(at, datetime):
        return pet_of(at, zero) if zero is not None else None
    return float(at)


def horizon_s(elapsed: Iterable[float | datetime], zero: datetime | None) -> float:
    """The PET beyond which no instant is taken, by elapsed limits, planned and changed.

    By a day where none of them lies after zero.
    """
    limits = [limit for at in elapsed if (limit := as_pet(at, zero)) is not None and limit > 0]
    return min(HORIZON_LIMITS * max(limits, default=DAY_S), MOST_S)


def beyond(at: float | datetime, zero: datetime | None, end: float) -> str | None:
    """What is said of an instant beyond `end`, a horizon; None of one before it, or without a place."""
    when = as_pet(at, zero)
    if when is None or when <= end:
        return None
    shown = format_instant(at) if isinstance(at, datetime) else format_pet_s(at)
    most = "the longest excursion there is" if end == MOST_S else "four times the elapsed limit"
    return f"{shown} is beyond {format_pet_s(end)}, {most}"


def windows_on_paper(plan: Plan) -> dict[str, Intervals]:
    """Per window its openings with zero as planned."""
    zero = plan.zero_planned
    end = horizon_s([plan.elapsed_limit], zero)
    return {
        window.id: openings(window, zero=zero, zero_planned=zero, seen=None, horizon_s=end)
        for window in plan.windows
    }


def starts_on_paper(step: Step, windows: Mapping[str, Intervals]) -> Intervals:
    """The intervals in which a step may start by its windows."""
    whole = float(step.time.likely) if step.whole else None
    return usable([windows[name] for name in step.windows], whole)


class _Course:
    """Plays the network once forward and once back."""

    def __init__(self, plan: Plan, steps: tuple[Step, ...]) -> None:
        self.plan = plan
        self.step = {step.id: step for step in steps}
        tasks = list(plan.tasks)
        whole = crew_orders(tasks, [member.id for member in plan.crew])
        self.order = {
            member: tuple(step for step in order if step in self.step) for member, order in whole.items()
        }
        self.needs = present_needs(step_needs(tasks), self.step)
        self.before = before_each(self.needs, self.order)
        closing = {step.id for task in tasks if task.closeout for step in task.steps}
        file_order = sorted(self.step, key=lambda step: step in closing)
        self.sequence, stuck = sort_steps(file_order, self.before)
        if stuck:
            raise ValueError(f"these steps stand in a circle: {', '.join(stuck)}")
        windows = windows_on_paper(plan)
        self.spans = {step.id: starts_on_paper(step, windows) for step in steps if step.windows}
        self.start: dict[str, float] = {}
        self.finish: dict[str, float] = {}
        self.waits: dict[str, Wait] = {}
        self.took: dict[str, float] = {}
        self.shut_out: set[str] = set()
        self.lost: set[str] = set()

    def timeline(self) -> Timeline:
        ready = dict.fromkeys(self.order, 0.0)
        site: dict[str, str | None] = dict.fromkeys(self.order)
        for name in self.sequence:
            step = self.step[name]
            begin = self._begin(step, ready)
            self.took[name] = self._seconds(step, site)
            self.start[name], self.finish[name] = begin, begin + self.took[name]
            for member in step.crew:
                ready[member] = self.finish[name]
                site[member] = step.site or site[member]
        outside = {member: self._inside(member, ready[member]) for member in self.plan.outside}
        end = max(outside.values(), default=0.0)
        slack = self._slack(end)
        by_start = sorted(self.sequence, key=lambda step: self.start[step])
        return Timeline(
            steps=tuple(self.step[step] for step in by_start),
            order=self.order,
            start=self.start,
            finish=self.finish,
            waits=self.waits,
            slack=slack,
            critical=tuple(step for step in by_start if slack[step] < 0.5),
            lost=frozenset(self.lost),
            inside=outside,
            everybody_inside=end,
            shut_out=tuple(step for step in by_start if step in self.shut_out),
        )

    def _begin(self, step: Step, ready: Mapping[str, float]) -> float:
        """Begin a step, noting who waits for what before it; return its PET."""
        free = {member: ready[member] for member in step.crew}
        first = min(free.values(), default=0.0)
        begin, cause = first, ""
        for member, at in free.items():
            if at > begin:
                begin, cause = at, f"crew {member}"
        for need in self.needs[step.id]:
            if self.finish[need] > begin:
                begin, cause = self.finish[need], f"need {need}"
        if not self.lost.isdisjoint(self.before[step.id]):
            self.lost.add(step.id)
        opening = next_start(self.spans[step.id], begin) if step.windows else begin
        if not math.isfinite(opening):
            if step.id not in self.lost:
                self.shut_out.add(step.id)
            self.lost.add(step.id)
        elif opening > begin:
            begin, cause = opening, f"window {' '.join(step.windows)}"
        if begin > first and cause and step.id not in self.lost:
            self.waits[step.id] = Wait(begin - first, cause)
        return begin

    def _seconds(self, step: Step, site: Mapping[str, str | None]) -> float:
        if not step.time.home:
            return float(step.time.likely)
        ways = [self.plan.sites[at] for member in step.crew if (at := site[member]) is not None]
        return float(max(ways, default=step.time.likely))

    def _inside(self, member: str, ready: float) -> float:
        return NEVER if self.order[member] and self.order[member][-1] in self.lost else ready

    def _slack(self, end: float) -> dict[str, float]:
        """The seconds by which each step may end later before `end` moves."""
        latest = dict.fromkeys(self.sequence, NEVER)
        for member in self.plan.outside:
            if self.order[member]:
                latest[self.order[member][-1]] = end
        for name in reversed(self.sequence):
            start = self._latest_arrival(name, latest[name] - self.took[name])
            for earlier in self.before[name]:
                latest[earlier] = min(latest[earlier], start)
        return {
            name: NEVER if name in self.lost else _apart(latest[name], self.finish[name])
            for name in self.sequence
        }

    def _latest_arrival(self, name: str, start: float) -> float:
        """The last instant to be ready at for a start no later than `start`."""
        if name not in self.spans or not math.isfinite(start):
            return start
        ends = [min(start, b - 1e-6) for a, b in self.spans[name] if a <= start]
        return max(ends, default=start)


def _apart(latest: float, finish: float) -> float:
    return latest - finish if math.isfinite(latest) and math.isfinite(finish) else NEVER


def last_sites(orders: Mapping[str, Iterable[Step]]) -> dict[str, list[str]]:
    """Per way-home step the sites from which its crew may come: everybody's last one before it."""
    found: dict[str, list[str]] = {}
    for order in orders.values():
        site: str | None = None
        for step in order:
            if step.time.home and site is not None:
                found.setdefault(step.id, []).append(site)
            site = step.site or site
    return found
