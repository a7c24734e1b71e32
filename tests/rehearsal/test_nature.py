"""True durations: as planned without spread, as the belief says with it."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import fmean, pstdev

import pytest

from tests.flat import FLAT
from tests.runs import Run, step, task
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.rehearsal.nature import Chance, Nature


@pytest.fixture
def run() -> Run:
    return Run(
        task(
            "a",
            step("one", "EV1", 10),
            step("fill", "EV1 EV2", 12, fixed=True),
            {**step("range", "EV1", 10), "time": {"low": "0:08", "likely": "0:10", "high": "0:18"}},
        )
    )


def test_without_spread_everything_takes_its_planned_time(run: Run) -> None:
    nature = Nature(FLAT, Chance(4))
    assert nature.seconds(run.step("a.one"), ["EV1"], 300.0, None) == pytest.approx(600.0)
    assert nature.seconds(run.step("a.range"), ["EV1"], 300.0, None) == pytest.approx(600.0)


def test_with_noise_the_median_of_low_and_high_is_their_geometric_mean(run: Run) -> None:
    noisy = replace(FLAT, sigma=0.33)
    drawn = [
        math.log(Nature(noisy, Chance(seed)).seconds(run.step("a.range"), ["EV1"], 300.0, None))
        for seed in range(400)
    ]
    # The square root of 8 times 18 is 12; 0.246 is ln(18/8)/3.29.
    assert math.exp(fmean(drawn)) == pytest.approx(720.0, rel=3 * 0.246 / 20)


def test_a_fixed_step_takes_its_time_whoever_does_it(run: Run) -> None:
    for seed in range(5):
        nature = Nature(DEFAULT_PRIOR, Chance(seed), stuck=["a.fill"])
        assert nature.seconds(run.step("a.fill"), ["EV1", "EV2"], 9000.0, None) == 720.0


def test_a_stuck_step_takes_three_times_as_long_and_one_item_all_of_it(run: Run) -> None:
    plain, stuck = Nature(DEFAULT_PRIOR, Chance(2)), Nature(DEFAULT_PRIOR, Chance(2), stuck=["a.one"])
    once = plain.seconds(run.step("a.one"), ["EV1"], 0.0, None)
    assert stuck.seconds(run.step("a.one"), ["EV1"], 0.0, None) == pytest.approx(3 * once)
    before = plain.items("a.one", 4, once)
    after = stuck.items("a.one", 4, 3 * once)
    gaps = [b - a for a, b in zip((0.0, *before), before, strict=False)]
    longer = [b - a for a, b in zip((0.0, *after), after, strict=False)]
    more = sorted(b - a for a, b in zip(gaps, longer, strict=True))
    assert more == pytest.approx([0.0, 0.0, 0.0, 2 * once])
    assert after[-1] == 3 * once


def test_over_many_crews_durations_follow_the_belief(run: Run) -> None:
    # Variance of the logarithm by the model: pace, one crew member, kind of work, noise; no drift at 0.
    logs = [
        math.log(Nature(DEFAULT_PRIOR, Chance(seed)).seconds(run.step("a.one"), ["EV1"], 0.0, None) / 600)
        for seed in range(2500)
    ]
    prior = DEFAULT_PRIOR
    spread = math.hypot(prior.spread, prior.crew_spread, prior.work_spread, prior.sigma)
    assert fmean(logs) == pytest.approx(math.log(1.05), abs=4 * spread / 50)
    assert pstdev(logs) == pytest.approx(spread, rel=0.06)


def test_pace_wanders_as_far_as_the_drift_says() -> None:
    prior = replace(FLAT, drifts=(0.1,))
    ends = [Nature(prior, Chance(seed)).wandered(4 * 3600.0) for seed in range(2000)]
    assert pstdev(ends) == pytest.approx(0.1 * math.sqrt(4), rel=0.06)
    assert all(Nature(prior, Chance(seed)).wandered(0.0) == 0.0 for seed in range(5))


def test_the_way_home_is_that_of_the_site() -> None:
    home = task("home", {**step("go", "EV1", 5), "time": "home"}, closeout=True)
    run = Run(
        task("a", step("work", "EV1", 5, site="rock")), home, sites={"rock": {"home": "0:20"}}, crew="EV1"
    )
    assert Nature(FLAT, Chance(1)).seconds(run.step("home.go"), ["EV1"], 0.0, 1200.0) == pytest.approx(1200.0)
