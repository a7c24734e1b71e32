"""Published and independently computed values of learning, held against the public functions.

The scores (CRPS) are in `test_scoring.py`, beside the function that computes them.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from tracker.forecast.durations import TROUBLE
from tracker.forecast.estimate import estimate
from tracker.forecast.late_ticks import HABIT, Tick
from tracker.forecast.pace import Layout, posterior
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.pace_grid import HABITS, Grid, Process, Spreads
from tracker.journal.fold import Fold
from tracker.journal.progress import Recorded
from tracker.plan.read import parse_plan


def test_normal_mean_with_known_variance() -> None:
    """P. D. Hoff, A First Course in Bayesian Statistical Methods (2009), section 5.2: midge wing lengths.

    Prior mean 1.9, standard deviation 0.95, variance of a wing 0.017; posterior mean 1.805, variance 0.002
    (from memory; computed here from the lengths as well).
    """
    lengths = (1.64, 1.70, 1.72, 1.74, 1.82, 1.82, 1.82, 1.90, 2.08)
    precision = 1 / 0.95**2 + len(lengths) / 0.017
    exact = (1.9 / 0.95**2 + sum(lengths) / 0.017) / precision
    took = [600.0 * math.exp(y) for y in lengths]
    ticks = [
        Tick(f"t.{i}", i, (), "general", 600.0, 1e4 * (i + 1), 1.0, start=1e4 * (i + 1) - seconds)
        for i, seconds in enumerate(took)
    ]
    grid = Grid((Process("level", 1.0),), (math.sqrt(0.017),), (1.0,), ())
    spreads = Spreads(median=math.exp(1.9), level=0.95)
    belief = posterior(grid, Layout((), ("general",), 0.0), spreads, ticks)
    assert belief.mean[0, 0] == pytest.approx(exact, abs=1e-5)
    assert belief.cov[0, 0, 0] == pytest.approx(1 / precision, rel=1e-3)
    assert belief.mean[0, 0] == pytest.approx(1.805, abs=1e-3)
    assert belief.cov[0, 0, 0] == pytest.approx(0.002, abs=2e-4)


CONDITIONAL = ((20, 32.721), (30, 38.781), (40, 47.401), (60, 66.759))


@pytest.mark.parametrize(("still_running", "total"), CONDITIONAL)
def test_expected_total_of_a_step_still_running(still_running: int, total: float) -> None:
    """Mean of a lognormal (median 30 min, sigma 0.3) beyond what it has taken: computed, twice.

    E[D | D > e] by its closed form and by numerical integration; and by the estimate of a plan of one step
    under a pace file that knows pace and noise exactly, which also believes that the tick may be late.
    """
    law = stats.lognorm(0.3, scale=30.0)
    area = integrate.quad(lambda d: d * law.pdf(d), still_running, 400.0)[0]
    assert area / law.sf(still_running) == pytest.approx(total, abs=6e-4)
    expected = _expected_inside(still_running, law)
    assert expected == pytest.approx(total, rel=0.05)

    plan = {
        "format": 1,
        "excursion": "One step",
        "zero": "Out",
        "limits": {"elapsed": "4:00"},
        "crew": [{"id": "EV1", "name": "One"}],
        "tasks": [{"id": "t", "title": "It", "steps": [{"do": "It", "crew": ["EV1"], "time": "0:30"}]}],
    }
    zero = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
    fold = Fold.start(parse_plan(json.dumps(plan), file="p.json", name="p"), uuid="one step").add_all(
        [
            Recorded(1, "zero", 0.0, True, zero, "seat", {"utc": "2031-05-04T14:00:00Z"}),
        ]
    )
    prior = PacePrior(
        median=1.0,
        spread=0.0,
        drifts=(0.0,),
        weights=(1.0,),
        # Meant for a step of ten minutes.
        sigma=0.3 * 3.0**0.2,
        sigma_weight=1e6,
        crew_spread=0.0,
        work_spread=0.0,
        lateness={"prompt": 1.0},
    )
    found = estimate(fold.progress(), now=60.0 * still_running, scenarios=100_000, prior=prior)
    assert found.inside.mean is not None
    assert found.inside.mean / 60.0 == pytest.approx(expected, rel=3e-3)


def _expected_inside(now: float, law: Any) -> float:
    """Return when everybody is expected inside, minutes, where a prompt tick of the one step is awaited.

    The end would be known by now but for the lateness of its tick; it may also not be ticked at all.
    """
    prompt, habit = HABITS[0], HABIT / 3.0
    late = stats.norm(prompt.mean_s / 60.0, prompt.sd_s / 60.0)

    lateness = np.linspace(-1.0, 1.5, 501)
    seen = now - np.maximum(lateness, 0.0)
    p = (1 - TROUBLE) * law.sf(seen) + TROUBLE
    beyond = law.mean() * stats.norm.sf((math.log(now / law.median()) - 0.3**2) / 0.3)
    longer = (now * (law.sf(seen) - law.sf(now)) + beyond) / law.sf(seen)
    # What would have been done since, and not ticked either, is taken to be as long as the step itself.
    several = habit ** (1.0 + max(now - law.median() - 15.0, 0.0) / 30.0)
    unticked = several / (several + (1 - habit) * p)
    free = now * law.cdf(now) + beyond
    found = unticked * free + (1 - unticked) * longer
    weight = late.pdf(lateness)
    return float((weight * found).sum() / weight.sum())
