"""Simulated excursions of four kinds, whose truth is known: the cases of the skill bench.

The truth is drawn so that a plain model without drift scores as it did when the design was tried (0.57,
0.59, 0.62, 0.51 of pro rata; an oracle 0.35, 0.44, 0.18, 0.26): the bench prints both beside ours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.foundation.times import format_exact
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress, Recorded
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

Array = NDArray[np.float64]

CREW = ("EV1", "EV2")
STEPS, JOINT, LAST_TOGETHER = 50, 0.2, 3
KINDS = ("lognormal", "heavy", "tiring", "surprise")
PACE, SPREAD, CREW_SPREAD, SIGMA = 1.05, 0.15, 0.08, 0.33
HEAVY_FREEDOM, HEAVY_SCALE, HEAVY_MOST = 4.0, 0.25, 8.0
TIRING_PER_HOUR = (0.04, 0.08)
"""Rise of log pace; about the middle of the plan, since planned times are meant for the average of it."""
SURPRISE = (4.0, 6.0)
"""One step, any, takes so many times as long."""
LEAST_S = 5
_ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Case:
    """One excursion: its steps in order, and everything that is true of it."""

    kind: str
    number: int
    crew: tuple[tuple[str, ...], ...]
    """Per step."""
    likely: tuple[int, ...]
    """Per step, planned seconds."""
    centre: Array
    """(steps,): logarithm of the true median over the planned time; the surprise in the mean."""
    duration: tuple[int, ...]
    """Per step, actual seconds."""

    @property
    def uuid(self) -> str:
        """The seed of the forecast's scenarios, of which the truth knows nothing."""
        return f"{self.kind}-{self.number}"

    @cached_property
    def actual(self) -> tuple[tuple[float, float], ...]:
        """Per step (start, finish), seconds."""
        return tuple((float(a), float(b)) for a, b in play(self.crew, self.duration))

    @property
    def end(self) -> float:
        """When everyone was inside, seconds."""
        return max(finish for _, finish in self.actual)

    def left(self, t: float) -> list[int]:
        """Return the steps that were not done at t."""
        return [i for i, (_, finish) in enumerate(self.actual) if finish > t]

    def spent(self, i: int, t: float) -> float:
        """Return how long step i had been going on at t."""
        return max(t - self.actual[i][0], 0.0)

    @cached_property
    def plan(self) -> Plan:
        """The plan, read as any other."""
        steps = [
            {"do": f"Step {i + 1}", "crew": list(crew), "time": format_exact(likely)}
            for i, (crew, likely) in enumerate(zip(self.crew, self.likely, strict=True))
        ]
        plan = {
            "format": 1,
            "excursion": self.uuid,
            "zero": "Out of the lock",
            "limits": {"elapsed": "9:00"},
            "crew": [{"id": c, "name": c} for c in CREW],
            "tasks": [{"id": "t", "title": "All of it", "steps": steps}],
        }
        return parse_plan(json.dumps(plan), file="bench.json", name="bench")

    @cached_property
    def whole(self) -> Fold:
        """The journal's fold after the last tick."""
        ticks = sorted((finish, i) for i, (_, finish) in enumerate(self.actual))
        events = [recorded(1, "zero", 0.0, {"utc": "2031-05-04T14:00:00Z"})]
        events += [
            recorded(n, "done", finish, {"step": f"t.{i + 1}"})
            for n, (finish, i) in enumerate(ticks, start=2)
        ]
        return Fold.start(self.plan, uuid=self.uuid).add_all(events)

    def progress(self, t: float) -> Progress:
        """Return what the journal showed at t."""
        return self.whole.until(at=t).progress()


def recorded(number: int, kind: str, at: float, body: dict[str, Any]) -> Recorded:
    """Return an event as a journal holds it, recorded at once."""
    return Recorded(number, kind, at, True, _ZERO + timedelta(seconds=at), "bench", body)


def play(
    crew: Sequence[tuple[str, ...]], duration: Sequence[Any], ready: float = 0.0
) -> list[tuple[Any, Any]]:
    """Return (start, finish) of steps played in order; a joint step waits for the last of its crew.

    Durations may be numbers or arrays of scenarios.
    """
    free: dict[str, Any] = dict.fromkeys(CREW, ready)
    out = []
    for who, took in zip(crew, duration, strict=True):
        start = free[who[0]]
        for c in who[1:]:
            start = np.maximum(start, free[c])
        free.update(dict.fromkeys(who, start + took))
        out.append((start, start + took))
    return out


def make(kind: str, number: int) -> Case:
    """Return excursion `number` of a kind."""
    rng = np.random.default_rng([KINDS.index(kind), number])
    crew, likely = _steps(rng)
    middle = np.array([(a + b) / 7200.0 for a, b in play(crew, likely)])
    level = math.log(PACE) + rng.normal(0.0, SPREAD)
    own = dict(zip(CREW, rng.normal(0.0, CREW_SPREAD, len(CREW)), strict=True))
    centre = level + np.array([np.mean([own[c] for c in who]) for who in crew])
    if kind == "tiring":
        centre = centre + rng.uniform(*TIRING_PER_HOUR) * (middle - middle.max() / 2.0)
    log = centre + noise(kind, rng, STEPS)
    if kind == "surprise":
        stuck = int(rng.integers(STEPS))
        log[stuck] += math.log(rng.uniform(*SURPRISE))
        centre[stuck] += math.log(sum(SURPRISE) / 2.0)
    duration = np.maximum(np.rint(np.array(likely) * np.exp(log)), LEAST_S)
    return Case(kind, number, crew, likely, centre, tuple(int(d) for d in duration))


def noise(kind: str, rng: np.random.Generator, size: int) -> Array:
    """Return the step-to-step noise of a kind, log."""
    if kind == "heavy":
        return np.clip(rng.standard_t(HEAVY_FREEDOM, size), -HEAVY_MOST, HEAVY_MOST) * HEAVY_SCALE
    return rng.normal(0.0, SIGMA, size)


def _steps(rng: np.random.Generator) -> tuple[tuple[tuple[str, ...], ...], tuple[int, ...]]:
    crew, likely = [], []
    for i in range(STEPS):
        joint = i >= STEPS - LAST_TOGETHER or rng.random() < JOINT
        crew.append(CREW if joint else (CREW[int(rng.integers(2))],))
        likely.append(int(np.clip(np.exp(rng.normal(math.log(600), 0.5)), 120, 1800)))
    return tuple(crew), tuple(likely)
