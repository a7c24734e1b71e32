"""Rehearsals of small plans in memory; with the flat belief everything takes its planned time."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.flat import FLAT_FILE
from tests.journal.memory_store import in_memory
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import SOME_DAY, Rehearsal

TOP = Path(__file__).resolve().parents[2]
ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


class Played:
    """A rehearsal under way, in memory."""

    def __init__(self, plan: Plan, seed: int, pace: str | None, **more: Any) -> None:
        self.journal = in_memory(plan, pace=pace, rehearsal=True, seed=f"seed-{seed}")
        self.rehearsal = Rehearsal(self.journal, plan, seed, **more)
        self.zero = plan.zero_planned or SOME_DAY
        self.crew, self.play = self.rehearsal.play.crew, self.rehearsal.play
        self.rehearsal.start(self.zero)

    def to(self, minutes: float) -> Played:
        """Play up to a PET in minutes."""
        self.play.to(minutes * 60)
        return self

    def all(self) -> Played:
        """Play to the end."""
        self.play.to(math.inf)
        return self

    def order(self, minutes: float, *events: dict[str, Any]) -> Played:
        """Record what somebody at the desk decides at a PET."""
        self.to(minutes)
        self.journal.record_all(events, seat="desk", utc_now=self.zero + timedelta(minutes=minutes))
        return self

    @property
    def now(self) -> Progress:
        return self.journal.progress()

    @property
    def minutes(self) -> dict[str, float]:
        """When each step was truly finished."""
        return {step: round(at / 60, 3) for step, at in self.crew.finished.items()}

    def of(self, *kinds: str) -> list[dict[str, Any]]:
        """Events of some kinds as they were given."""
        return [{"kind": e.kind, **e.body} for e in self.journal.fold.recorded if e.kind in kinds]


@pytest.fixture
def rehearse() -> Callable[..., Played]:
    """Start a rehearsal; without surprises and with the flat belief unless told otherwise."""

    def start(
        plan: Plan, *, seed: int = 1, wanted: Sequence[str] = (), pace: str | None = FLAT_FILE, **more: Any
    ) -> Played:
        return Played(plan, seed, pace, wanted=wanted, **more)

    return start


@pytest.fixture(scope="session")
def larkspur() -> Plan:
    return read_plan(TOP / "plans" / "larkspur.yaml")
