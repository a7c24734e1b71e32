"""A published excursion step by step: Apollo 16, first surface excursion.

Source: NASA mission transcripts and checklist times as annotated in the Apollo Lunar Surface Journal
(figures only); the second stop was re-planned from 56 to 19 minutes on the way.
"""

from __future__ import annotations

import csv
import itertools
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.excursions import Array, recorded
from tests.bench.table import report
from tracker.debrief.forecast_scores import crps_samples
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin, inside
from tracker.foundation.times import format_exact
from tracker.journal.fold import Fold
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

DATA = Path(__file__).parents[1] / "outside" / "data" / "lunar_excursion_durations.csv"


@dataclass(frozen=True, slots=True)
class Activity:
    """One line of the record, seconds."""

    name: str
    kind: str
    planned: int
    replanned: int | None
    actual: float


def activities() -> list[Activity]:
    """Return the record without its total."""
    with DATA.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))[:-1]
    return [
        Activity(
            row["activity"],
            row["category"],
            round(60 * float(row["planned_min"])),
            round(60 * float(row["replanned_min"])) if row["replanned_min"] else None,
            60 * float(row["actual_min"]),
        )
        for row in rows
    ]


def plan(record: list[Activity]) -> Plan:
    """Return the plan, two crew members together."""
    steps = [
        {"do": a.name, "crew": ["EV1", "EV2"], "time": format_exact(a.planned), "work": a.kind}
        for a in record
    ]
    text = {
        "format": 1,
        "excursion": "A lunar surface excursion",
        "zero": "Cabin depressurised",
        "limits": {"elapsed": "7:30"},
        "crew": [{"id": "EV1", "name": "One"}, {"id": "EV2", "name": "Two"}],
        "tasks": [{"id": "t", "title": "All of it", "steps": steps}],
    }
    return parse_plan(json.dumps(text), file="lunar.json", name="lunar")


def _tick(fold: Fold, record: list[Activity], i: int, at: float) -> Fold:
    """Return the fold after activity i ended at `at`; what comes next is re-planned as the crew sets out."""
    fold = fold.add(recorded(fold.number + 1, "done", round(at), {"step": f"t.{i + 1}"}))
    replanned = record[i + 1].replanned
    if replanned is None:
        return fold
    body = {"step": f"t.{i + 2}", "time": format_exact(replanned)}
    return fold.add(recorded(fold.number + 1, "retimed", round(at), body))


def _ends(fold: Fold, now: float) -> Array:
    world = build_world(fold.progress(), now=now, scenarios=10_000, prior=DEFAULT_PRIOR)
    course = advance(world, begin(world), world.present(range(len(world.optional))))
    return inside(world, course).astype(np.float64) + now


def main() -> None:
    """Print the forecast after each activity, and its score beside paper and pro rata."""
    record = activities()
    end = sum(a.actual for a in record)
    fold = Fold.start(plan(record), uuid="lunar")
    fold = fold.add(recorded(1, "zero", 0.0, {"utc": "2031-05-04T14:00:00Z"}))
    at, planned = 0.0, 0
    losses = []
    print(f"a lunar excursion, in truth {end / 60:.1f} min; after each activity p10, p50, p90, min")
    for i, (a, following) in enumerate(itertools.pairwise(record)):
        at, planned = at + a.actual, planned + (a.replanned or a.planned)
        fold = _tick(fold, record, i, at)
        left = (following.replanned or following.planned) + sum(b.planned for b in record[i + 2 :])
        ours = _ends(fold, round(at))
        pro_rata = at + left * at / planned
        losses.append([crps_samples(ours, end), abs(at + left - end), abs(pro_rata - end)])
        low, mid, high = np.quantile(ours, [0.1, 0.5, 0.9]) / 60
        print(f"  {a.name:<44} {low:6.1f} {mid:6.1f} {high:6.1f}   pro rata {pro_rata / 60:6.1f}")
    mean = np.array(losses).mean(axis=0) / 60
    report("skill", "lunar excursion: CRPS ours / pro rata", f"{mean[0] / mean[2]:.2f}")
    report("skill", "lunar excursion: CRPS ours, paper, pro rata, min", " ".join(f"{m:.1f}" for m in mean))
