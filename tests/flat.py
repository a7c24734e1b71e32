"""The belief that leaves nothing open: with it a forecast is one course, with an answer on paper."""

from __future__ import annotations

from typing import Any

from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.forecast.pace_file import PacePrior
from tracker.journal.progress import Progress

FLAT = PacePrior(
    median=1.0,
    spread=0.0,
    drifts=(0.0,),
    weights=(1.0,),
    sigma=0.0,
    crew_spread=0.0,
    work_spread=0.0,
    use_spread=0.0,
)
"""Everything takes its planned time."""
FLAT_FILE = """\
format: 1
pace: {median: 1.0, spread: 0, drift: 0}
noise: {sigma: 0}
crew: {spread: 0}
work: {spread: 0}
use: {spread: 0}
"""
"""The same as a pace file."""


def flat(progress: Progress, now: float | None = None, **more: Any) -> Estimate:
    """Return the estimate without any spread."""
    return estimate(progress, now, scenarios=more.pop("scenarios", 50), prior=FLAT, **more)
