"""Published and independently computed values of learning, held against the public functions.

The scores (CRPS) are in `test_scoring.py`, beside the function that computes them.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest
from scipy import integrate, stats

from tracker.forecast.estimate import estimate
from tracker.forecast.pace import Evidence, Layout, observe, start
from tracker.forecast.prior import PacePrior
from tracker.journal.fold import Fold
from tracker.journal.progress import Recorded
from tracker.plan.read import parse_plan


def test_normal_mean_with_unknown_variance() -> None:
    """P. D. Hoff, A First Course in Bayesian Statistical Methods (2009), ch. 5: midge wing lengths.

    Prior mean 1.9, variance 0.01, weights 1 and 1; posterior mean 1.8136, variance 0.01535, weights 10
    (from memory: worked out from a sample mean and variance rounded to 1.804 and 0.0169, so the exact
    figures, computed here, differ in the fourth digit).
    """
    lengths = (1.64, 1.70, 1.72, 1.74, 1.82, 1.82, 1.82, 1.90, 2.08)
    n, mean = len(lengths), sum(lengths) / len(lengths)
    squares = sum((y - mean) ** 2 for y in lengths)
    exact_mean = (1.9 + n * mean) / (n + 1)
    exact_variance = (0.01 + squares + n / (n + 1) * (mean - 1.9) ** 2) / (n + 1)

    prior = PacePrior(spread=0.1, drifts=(0.0,), weights=(1.0,), sigma=0.1, sigma_weight=1.0)
    layout = Layout((), (), 0.0)
    belief = start(prior, layout)
    for y in lengths:
        belief = observe(belief, Evidence(layout.row((), (), 0.0), y - 1.9, 1.0, 0.0, 0.0), tail=math.inf)
    assert 1.9 + belief.mean[0, 0] == pytest.approx(exact_mean, abs=1e-9)
    assert belief.variance[0] == pytest.approx(exact_variance, abs=1e-9)
    assert 1.9 + belief.mean[0, 0] == pytest.approx(1.8136, abs=5e-4)
    assert belief.variance[0] == pytest.approx(0.01535, abs=5e-5)
    assert belief.weight[0] == pytest.approx(10.0)
    assert 1.0 / belief.cov[0, 0, 0] == pytest.approx(10.0)


CONDITIONAL = ((20, 32.721), (30, 38.781), (40, 47.401), (60, 66.759))


@pytest.mark.parametrize(("still_running", "total"), CONDITIONAL)
def test_expected_total_of_a_step_still_running(still_running: int, total: float) -> None:
    """Mean of a lognormal (median 30 min, sigma 0.3) beyond what it has taken: computed, twice.

    E[D | D > e] by its closed form and by numerical integration, and by the estimate of a plan of one
    step under a pace file that knows the pace and the noise exactly.
    """
    law = stats.lognorm(0.3, scale=30.0)
    area = integrate.quad(lambda d: d * law.pdf(d), still_running, 400.0)[0]
    assert area / law.sf(still_running) == pytest.approx(total, abs=6e-4)

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
            Recorded(2, "silent", 0.0, True, zero, "seat", {"crew": ["EV1"]}),
        ]
    )
    prior = PacePrior(
        median=1.0,
        spread=0.0,
        drifts=(0.0,),
        weights=(1.0,),
        sigma=0.3,
        sigma_weight=1e6,
        crew_spread=0.0,
        work_spread=0.0,
    )
    found = estimate(fold.progress(), now=60.0 * still_running, scenarios=100_000, prior=prior)
    assert found.inside.mean is not None
    assert found.inside.mean / 60.0 == pytest.approx(total, rel=3e-3)
