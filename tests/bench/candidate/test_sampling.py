"""Durations of the remaining steps in every scenario, from a belief."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.bench.candidate.blocks import Tick
from tests.bench.candidate.filter import Belief, Layout, Spreads, posterior
from tests.bench.candidate.grid import MIXTURES, PROCESSES, Grid, Process, mixture
from tests.bench.candidate.sampling import TROUBLE, Query, Sampler, draw_state, overrun, root
from tracker.forecast.draws import Normals

ONE, BOTH = ("EV1",), ("EV1", "EV2")
LAYOUT = Layout(BOTH, ("general", "fasten"), 3.0)
LEVEL = (Process("level", 1.0),)
EXACT = Grid(LEVEL, (0.3,), (1.0,), ())
WHOLE = Grid(mixture(MIXTURES["M"]))
N = 20_000
NEXT = Query("t.9", ONE, "general", 600.0, 1.0, 1.0)


def ticks(*times: float) -> list[Tick]:
    instants = np.cumsum(times)
    return [Tick(f"t.{i}", i, ONE, "general", 600.0, float(at), at / 3600.0) for i, at in enumerate(instants)]


def sure(level: float = 0.0, habit: float = 0.0) -> Belief:
    """Return a belief without any doubt but the noise."""
    spreads = Spreads(median=math.exp(level), level=0.0, any_crew=0.0, any_work=0.0)
    return replace(posterior(EXACT, LAYOUT, spreads, []), habit=habit)


def sampler(belief: Belief) -> Sampler:
    return Sampler(belief, "u", N)


def test_a_duration_depends_on_its_step_and_scenario_alone() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0))
    others = [replace(NEXT, step=f"t.{i}", clock_h=0.5 * i) for i in range(3, 9)]
    alone = sampler(belief).row(NEXT)
    together = sampler(belief)
    for query in others:
        together.row(query)
    assert (together.row(NEXT) == alone).all()


def test_scenarios_take_components_in_fixed_order_by_their_shares() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0, 300.0))
    drawn = draw_state(belief, Normals("u", N), N)
    assert (np.diff(drawn.component) >= 0).all()
    counts = np.bincount(drawn.component, minlength=WHOLE.size) / N
    assert counts == pytest.approx(belief.shares(), abs=1.01 / N)


def test_the_state_has_the_moments_of_the_belief() -> None:
    belief = posterior(EXACT, LAYOUT, Spreads(), ticks(700.0, 650.0, 600.0))
    state = draw_state(belief, Normals("u", N), N).state
    assert state.mean(axis=1) == pytest.approx(belief.mean[0], abs=0.004)
    assert np.cov(state) == pytest.approx(belief.cov[0], abs=4e-4)


def test_a_root_gives_its_covariance_back_also_where_it_is_singular() -> None:
    rng = np.random.default_rng(1)
    a = rng.normal(size=(5, 4, 3))
    a[:, 2] = a[:, 1]
    cov = a @ a.transpose(0, 2, 1)
    lower = root(cov)
    assert lower @ lower.transpose(0, 2, 1) == pytest.approx(cov, abs=1e-9)
    assert (np.triu(lower, 1) == 0).all()


def test_a_step_that_waits_is_lognormal_about_its_planned_time() -> None:
    row = np.log(sampler(sure(0.1)).row(replace(NEXT, scatter=1.2)) / 600.0)
    assert stats.kstest(row, stats.norm(0.1, 0.36).cdf).pvalue > 0.01


def test_processes_differ_in_how_the_level_goes_on() -> None:
    for name, expected in (("tires", 0.06), ("tires2", 0.12), ("level", 0.0)):
        grid = Grid((replace(PROCESSES[name], weight=1.0),), (0.3,), (1.0,), ())
        drawn = sampler(posterior(grid, LAYOUT, Spreads(), []))
        apart = drawn.log_pace(ONE, "general", 5.1) - drawn.log_pace(ONE, "general", 1.1)
        assert apart.mean() == pytest.approx(4.0 * expected, abs=0.01)


def test_a_warm_up_fades() -> None:
    grid = Grid((replace(PROCESSES["warms"], weight=1.0),), (0.3,), (1.0,), ())
    drawn = sampler(posterior(grid, LAYOUT, Spreads(), []))
    means = [float(drawn.log_pace(ONE, "general", hours).mean()) for hours in (0.0, 0.63, 5.0)]
    assert means == pytest.approx(
        [math.log(1.05) + 0.30 * math.exp(-h / 0.6) for h in (0.0, 0.625, 5.125)], abs=0.01
    )


@pytest.mark.parametrize(("apart_h", "name"), [(0.5, "long"), (2.0, "long"), (0.5, "streaks")])
def test_streaks_are_alike_close_by_and_forgotten_later(apart_h: float, name: str) -> None:
    process = replace(PROCESSES[name], weight=1.0)
    grid = Grid((process,), (0.3,), (1.0,), ())
    drawn = sampler(posterior(grid, LAYOUT, Spreads(level=0.0, any_crew=0.0), []))
    one, other = (drawn.log_pace(ONE, "general", 1.1 + h) for h in (0.0, apart_h))
    assert one.std() == pytest.approx(process.streak, rel=0.03)
    assert np.corrcoef(one, other)[0, 1] == pytest.approx(math.exp(-apart_h / process.lasting_h), abs=0.03)
    mate = drawn.log_pace(("EV2",), "general", 1.1)
    assert abs(np.corrcoef(one, mate)[0, 1]) < 0.03


def test_a_running_step_lasts_beyond_the_time_it_has_taken() -> None:
    query = replace(NEXT, running=True, worked_s=900.0, gaps_s={"EV1": 0.0})
    assert sampler(sure()).row(query).min() >= 0.0


def test_where_ticks_come_late_a_running_step_may_be_done_already() -> None:
    query = replace(NEXT, running=True, worked_s=900.0, gaps_s={"EV1": 0.0})
    row = sampler(sure(habit=0.9)).row(query)
    p = (1.0 - TROUBLE) * stats.norm.sf(math.log(1.5) / 0.3) + TROUBLE
    share = 0.9 / (0.9 + 0.1 * p)
    assert (row < 0).mean() == pytest.approx(share * stats.norm.cdf(math.log(1.5) / 0.3), abs=0.01)


def test_nobody_who_is_not_heard_is_held_to_the_clock() -> None:
    query = replace(NEXT, running=True, worked_s=900.0, gaps_s={"EV1": 0.0}, silent=True)
    assert (sampler(sure()).row(query) < 0).mean() == pytest.approx(
        stats.norm.cdf(math.log(1.5) / 0.3), abs=0.01
    )


def test_a_step_that_ran_for_hours_is_not_taken_for_done() -> None:
    query = replace(NEXT, running=True, worked_s=4 * 3600.0, gaps_s={"EV1": 0.0})
    row = sampler(replace(posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 600.0)), habit=0.01)).row(query)
    assert (row < -600.0).mean() < 0.25


def test_a_running_step_began_when_the_tick_before_it_should_have_come() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 600.0))
    drawn = sampler(belief)
    query = replace(NEXT, running=True, worked_s=100.0, gaps_s={"EV1": 0.0})
    late = float(belief.shares() @ belief.mean[:, LAYOUT.late("EV1")])
    assert drawn.began(query).mean() == pytest.approx(-100.0 - late, abs=2.0)
    assert (drawn.began(replace(query, gaps_s={})) == -100.0).all()


def test_what_was_said_to_be_left_counts_from_when_it_was_said() -> None:
    said = replace(NEXT, running=True, worked_s=900.0, left_s=600.0, left_from_s=900.0)
    assert sampler(sure()).row(said) == pytest.approx(sampler(sure()).row(NEXT), rel=1e-5)


def test_counted_items_leave_the_rest_with_their_part_of_mean_and_variance() -> None:
    query = replace(NEXT, items=6, counted=2, counted_s=250.0, worked_s=250.0, running=True)
    row = sampler(sure()).row(query)
    mean, var = 600.0 * math.exp(0.045), 600.0**2 * math.exp(0.09) * math.expm1(0.09)
    assert row.mean() == pytest.approx(mean * 4 / 6, rel=0.01)
    assert row.var() == pytest.approx(var * 4 / 6, rel=0.05)


def test_fixed_steps_and_counted_ones_need_no_chance() -> None:
    drawn = sampler(sure())
    fixed = replace(NEXT, fixed=True, running=True, worked_s=200.0)
    assert set(drawn.row(fixed)) == {400.0}
    assert set(drawn.row(replace(NEXT, items=3, counted=3, running=True, worked_s=200.0))) == {0.0}


def test_a_step_set_aside_keeps_the_time_it_has() -> None:
    row = sampler(sure()).row(replace(NEXT, worked_s=500.0))
    assert row.min() >= 0.0
    assert row.mean() < sampler(sure()).row(NEXT).mean()


def test_a_step_that_runs_on_is_evidence_after_a_while_unless_its_crew_is_silent() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0))
    query = replace(NEXT, running=True, worked_s=1000.0, gaps_s={"EV1": 0.0})
    later = overrun(belief, query)
    assert float(later.shares() @ (later.mean - belief.mean)[:, 0]) > 0.005
    assert (later.log_weight == belief.log_weight).all()
    for quiet in (
        {"silent": True},
        {"telling": False},
        {"worked_s": 50.0},
        {"fixed": True},
        {"running": False},
    ):
        assert overrun(belief, replace(query, **quiet)) is belief
