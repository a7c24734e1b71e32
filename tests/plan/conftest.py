from __future__ import annotations

from collections.abc import Callable

import pytest

from tracker.foundation.errors import Fault, PlanError
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

PLAN = """\
format: 1
excursion: Test walk
zero_planned: 2031-05-04T14:00:00Z
limits: {elapsed: 6:30, boat: {at: 5:00, crew: [EV2]}}
confidence: 0.9
crew:
  - {id: EV1, name: Lead}
  - {id: EV2, name: Second}
  - {id: IV, name: Inside, outside: false}
efforts: {rest: 120, light: 200, moderate: 300, heavy: 450}
consumables:
  - {id: oxygen, unit: kg, start: 0.75, reserve: 0.10, per_hour: 0.005, per_megajoule: 0.0695}
windows:
  - {id: day, open: [[0:00, 0:47], [1:32, 2:19]]}
  - {id: sun, orbit: {altitude: 400, beta: 20, first_sunrise: 0:10}}
sites: {truss: {home: 0:12}}
tasks:
  - id: out
    title: Go out
    steps:
      - {id: hatch, do: Open the hatch, crew: [EV1, EV2], time: 0:10, opens: [hatch]}
  - id: swap
    title: Swap the box
    needs: [out]
    steps:
      - {id: unplug, do: Unplug it, crew: [EV1], time: 0:08, site: truss, window: [day]}
      - {do: Plug it, crew: [EV1], time: {low: 0:05, likely: 0:08, high: 0:12}, count: 4,
         effort: moderate, use: {oxygen: 1.5}, within: {of: swap.unplug, time: 0:50}}
  - id: photos
    priority: get-ahead
    value: 2
    needs: [out]
    steps:
      - {do: Take photos, crew: [EV2], time: 0:20, hold_point: the lead agrees}
  - id: home
    title: Go home
    closeout: true
    steps:
      - {id: way, do: Go back, crew: [EV1, EV2], time: home}
      - {id: shut, do: Shut the hatch, crew: [EV1, EV2], time: 0:10, closes: [hatch]}
"""
"""A plan without faults or warnings."""

MARK = "§"


def faults_of(text: str) -> list[Fault]:
    try:
        parse_plan(text, file="p.yaml", name="p")
    except PlanError as error:
        return list(error.faults)
    return []


def where_marked(text: str) -> list[tuple[int, int]]:
    """Return line and column of every mark, counted without the marks."""
    found = []
    for number, line in enumerate(text.split("\n"), 1):
        for n, _ in enumerate(line.split(MARK)[:-1]):
            found.append((number, len("".join(line.split(MARK)[: n + 1])) + 1))
    return found


@pytest.fixture
def plan_text() -> str:
    return PLAN


@pytest.fixture
def plan() -> Plan:
    return parse_plan(PLAN, file="p.yaml", name="p")


@pytest.fixture
def faults() -> Callable[[str], list[Fault]]:
    """The faults of a plan's text."""
    return faults_of


@pytest.fixture
def marked() -> Callable[[str, str], list[Fault]]:
    """Replace a part of the good plan by one with marks, and hold the faults to the marked places."""

    def check(old: str, new: str) -> list[Fault]:
        assert PLAN.count(old) == 1, f"{old!r} stands {PLAN.count(old)} times in the plan"
        text = PLAN.replace(old, new)
        found = faults_of(text.replace(MARK, ""))
        places = [(fault.line, fault.column) for fault in found]
        assert places == where_marked(text), "\n".join(str(fault) for fault in found)
        return found

    return check
