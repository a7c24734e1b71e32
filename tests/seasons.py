"""Seasons of simulated excursions as journals, whose truth is known: for learning and for the debrief."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

CREW = ("EV1", "EV2")


@dataclass(frozen=True)
class Truth:
    """What is true of a season; spreads and effects are logarithms."""

    median: float = 1.15
    spread: float = 0.06
    sigma: float = 0.22
    drift: float = 0.0
    """Random walk of the level, per square-root hour."""
    tiring: float = 0.0
    """Rise of the level an hour, turning about the middle of the excursion."""
    crew: dict[str, float] = field(default_factory=lambda: {"EV1": -0.08, "EV2": 0.08})
    work: dict[str, float] = field(default_factory=lambda: {"carry": 0.20, "drive": -0.15, "fasten": 0.0})


def plan(steps: int = 60, *, seed: int = 1, consumables: bool = True) -> Plan:
    """Return a plan of `steps` steps in tasks of six, closed by a joint step; the same for a seed."""
    rng = np.random.default_rng(seed)
    kinds = list(Truth().work)
    lines = ["format: 1", f"excursion: Season {seed}", "zero: both out", "limits: {elapsed: 14:00}"]
    lines += ["crew:", *(f"  - {{id: {c}, name: {c}}}" for c in CREW)]
    if consumables:
        lines.append("consumables:")
        lines.append(
            "  - {id: oxygen, unit: kg, start: 2.0, reserve: 0.1, per_hour: 0.01, per_megajoule: 0.07}"
        )
    lines.append("tasks:")
    for i in range(steps - 1):
        if i % 6 == 0:
            lines += [f"  - id: task{i // 6 + 1}", f"    title: Task {i // 6 + 1}", "    steps:"]
        crew = "EV1, EV2" if rng.random() < 0.2 else CREW[int(rng.integers(2))]
        minutes = int(np.clip(np.exp(rng.normal(math.log(10), 0.4)), 3, 30))
        work = kinds[int(rng.integers(len(kinds)))]
        lines.append(f"      - {{do: Step {i + 1}, crew: [{crew}], time: 0:{minutes:02d}, work: {work}}}")
    lines += ["  - id: home", "    title: Home", "    closeout: true", "    steps:"]
    lines.append("      - {do: Come in, crew: [EV1, EV2], time: 0:20, work: drive}")
    return parse_plan("\n".join(lines) + "\n", file="season.yaml", name=f"season{seed}")


def events(excursion: Plan, truth: Truth, *, seed: int) -> Iterator[dict[str, Any]]:
    """Yield the events of one excursion of a season: zero, a done for every step in time's order, closed."""
    rng = np.random.default_rng([7, seed])
    level = math.log(truth.median) + rng.normal(0.0, truth.spread)
    free = dict.fromkeys(CREW, 0.0)
    done = []
    clock, middle = 0.0, sum(step.time.likely for step in excursion.step.values()) / 4
    for step in excursion.step.values():
        clock += step.time.likely / 2
        start = max(free[c] for c in step.crew)
        level += rng.normal(0.0, truth.drift * math.sqrt(step.time.likely / 3600 / 2))
        effect = level + sum(truth.crew[c] for c in step.crew) / len(step.crew) + truth.work[step.work]
        effect += truth.tiring * (clock - middle) / 3600
        finish = start + step.time.likely * math.exp(effect + rng.normal(0.0, truth.sigma))
        free.update(dict.fromkeys(step.crew, finish))
        done.append((round(finish), step.id))
    yield {"kind": "zero", "utc": f"2031-05-{1 + seed % 28:02d}T14:00:00Z"}
    for at, step_id in sorted(done, key=lambda one: one[0]):
        yield {"kind": "done", "step": step_id, "at": at}
    yield {"kind": "closed", "at": max(at for at, _ in done)}
