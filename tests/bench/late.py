"""A tick that comes late: a 2-minute step, done on time, ticked 4 minutes later, with 4 hours left."""

from __future__ import annotations

import json

import numpy as np

from tests.bench.excursions import recorded
from tests.bench.table import report
from tracker.forecast.estimate import estimate
from tracker.foundation.times import format_exact
from tracker.journal.fold import Fold
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

BEFORE, AFTER = 12, 24
STEP_S, LONG_S, LATE_S = 120, 600, 240


def _plan() -> Plan:
    """Return 2 hours of 10-minute steps, the short step, and 4 hours of 10-minute steps, one crew member."""
    times = [LONG_S] * BEFORE + [STEP_S] + [LONG_S] * AFTER
    steps = [{"do": f"Step {i}", "crew": ["EV1"], "time": format_exact(s)} for i, s in enumerate(times)]
    plan = {
        "format": 1,
        "excursion": "A late tick",
        "zero": "Out of the lock",
        "limits": {"elapsed": "8:00"},
        "crew": [{"id": "EV1", "name": "One"}],
        "tasks": [{"id": "t", "title": "All of it", "steps": steps}],
    }
    return parse_plan(json.dumps(plan), file="late.json", name="late")


def moves(seed: int) -> tuple[float, float]:
    """Return by how many seconds the median end moved before the tick, and after it, of one crew's course.

    Beside it stands the same course with a tick in time.
    """
    rng = np.random.default_rng(seed)
    took = np.rint(LONG_S * 1.05 * np.exp(rng.normal(0.0, 0.2, BEFORE)))
    fold = Fold.start(_plan(), uuid=f"late-{seed}")
    fold = fold.add(recorded(1, "zero", 0.0, {"utc": "2031-05-04T14:00:00Z"}))
    at = 0.0
    for i, seconds in enumerate(took):
        at += float(seconds)
        fold = fold.add(recorded(i + 2, "done", at, {"step": f"t.{i + 1}"}))
    done = at + STEP_S
    ticked = fold.add(recorded(BEFORE + 2, "done", done, {"step": f"t.{BEFORE + 1}"}))
    in_time = estimate(ticked.progress(), now=done).inside.p50
    before = estimate(fold.progress(), now=done + LATE_S).inside.p50
    after = estimate(ticked.progress(), now=done + LATE_S).inside.p50
    assert in_time is not None and before is not None and after is not None
    return before - in_time, after - in_time


def main() -> None:
    """Print the greatest move over a dozen crews."""
    found = np.abs(np.array([moves(seed) for seed in range(12)])) / 60.0
    for name, column, target in (
        ("before the tick", 0, "<= 10 min"),
        ("after a tick with -4", 1, "<= 1 min"),
    ):
        worst = f"{found[:, column].max():.1f} min"
        report("skill", f"ticked 4 min late: p50 moves {name}, worst of 12", worst, target)
