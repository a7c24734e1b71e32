"""Small plans and excursions for tests: events go in, progress comes out."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from tracker.journal.as_run import AsRunRow, as_run
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.journal.progress import OpenItem, Progress, StepState
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

ZERO = "2031-05-04T14:00:00Z"
LATER = datetime(2040, 1, 1, tzinfo=UTC)
"""A clock at which a journal with that zero is not live."""


def step(name: str, crew: str | Sequence[str], minutes: int, **more: Any) -> dict[str, Any]:
    """Return a step as in a plan file; crew as `EV1 EV2`."""
    names = crew.split() if isinstance(crew, str) else list(crew)
    time = f"{minutes // 60}:{minutes % 60:02d}"
    return {"id": name, "do": f"Do {name}", "crew": names, "time": time, **more}


def task(name: str, *steps: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    """Return a task as in a plan file."""
    return {"id": name, "title": f"Task {name}", "steps": list(steps), **more}


def plan_of(*tasks: Mapping[str, Any], crew: str = "EV1 EV2", **more: Any) -> Plan:
    """Return a plan with these tasks; other keys of the plan file by name."""
    data = {
        "format": 1,
        "excursion": "Trial",
        "zero": "Both suits on battery",
        "limits": {"elapsed": "6:30"},
        "crew": [{"id": c, "name": c} for c in crew.split()],
        "tasks": list(tasks),
        **more,
    }
    return parse_plan(json.dumps(data), file="trial.json", name="trial")


class Run:
    """An excursion on record, for tests."""

    def __init__(self, *tasks: Mapping[str, Any], start: bool = True, plan: Plan | None = None, **more: Any):
        self.fold = Fold.start(plan or plan_of(*tasks, **more), uuid="7d3c")
        self.warned: dict[int, tuple[str, ...]] = {}
        if start:
            self("zero", utc=ZERO)

    def __call__(self, kind: str, at: float | None = None, /, **body: Any) -> int:
        """Record an event and return its number."""
        event = {"kind": kind, **body} if at is None else {"kind": kind, "at": at, **body}
        recorded, self.fold, warnings = admit(self.fold, event, utc_now=LATER, seat="test")
        if warnings:
            self.warned[recorded.number] = warnings
        return recorded.number

    def done(self, *steps: str, at: float, **body: Any) -> None:
        """Tick steps off, all at the same instant."""
        for one in steps:
            self("done", at, step=one, **body)

    @property
    def now(self) -> Progress:
        """What the events add up to."""
        return self.fold.progress()

    def step(self, name: str) -> StepState:
        """Return how a step stands."""
        return self.now.steps[name]

    def needs(self, name: str) -> tuple[str, ...]:
        """Return what a step still has to wait for."""
        return self.now.needs[name]

    def order(self, crew: str) -> tuple[str, ...]:
        """Return a crew member's open steps in order."""
        return self.now.order[crew]

    def open_items(self) -> tuple[OpenItem, ...]:
        """Return what is open now."""
        return self.now.open_items

    def row(self, name: str) -> AsRunRow:
        """Return a step's row of as-run."""
        return next(row for row in as_run(self.now) if row.step == name)

    def spent(self, crew: str) -> list[tuple[float, float | None, str, str | None]]:
        """Return a crew member's time as (start, end, kind, step or cause)."""
        return [
            (one.start, one.end, one.kind, one.step if one.kind == "work" else one.cause)
            for one in self.now.spent[crew]
        ]
