"""What remains of steps in every scenario, drawn from a belief, without any journal."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from tracker.forecast.draws import Normals
from tracker.forecast.durations import TROUBLE, Noise, Pace, Painter, draw_state
from tracker.forecast.late_ticks import Tick
from tracker.forecast.pace import Belief, Layout, posterior
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.pace_grid import PROCESSES, Grid, Process, Spreads, mixture
from tracker.forecast.step_pace import Ask, with_overrun

ONE, BOTH = ("EV1",), ("EV1", "EV2")
LAYOUT = Layout(BOTH, ("general", "fasten"), 3.0)
LEVEL = (Process("level", 1.0),)
EXACT = Grid(LEVEL, (0.3,), (1.0,), ())
WHOLE = Grid(mixture({p.id: p.weight for p in PROCESSES.values()}))
N = 20_000
NEXT = Ask(
    step="t.9",
    crew=ONE,
    work="general",
    likely=600.0,
    low=None,
    high=None,
    fixed=False,
    count=1,
    counted=0,
    counted_worked_s=0.0,
    worked_s=0.0,
    running=False,
    begun=False,
    evidence=True,
    silent=False,
    clock_s=3600.0,
    left_s=None,
    left_worked_s=0.0,
)
RUNNING = replace(NEXT, running=True, begun=True, worked_s=900.0, gaps_s=(("EV1", 0.0),))


def ticks(*times: float) -> list[Tick]:
    instants = np.cumsum(times)
    return [Tick(f"t.{i}", i, ONE, "general", 600.0, float(at), at / 3600.0) for i, at in enumerate(instants)]


def sure(level: float = 0.0, habit: float = 0.0) -> Belief:
    """Return a belief without any doubt but the noise."""
    spreads = Spreads(median=math.exp(level), level=0.0, any_crew=0.0, any_work=0.0)
    return replace(posterior(EXACT, LAYOUT, spreads, []), habit=habit)


class Drawn:
    """Ends drawn from a belief."""

    def __init__(self, belief: Belief) -> None:
        self.normals = Normals("u", N)
        self.pace = Pace(belief, self.normals)
        self.painter = Painter(Noise(self.normals, self.pace.sigma), DEFAULT_PRIOR, self.pace)

    def row(self, ask: Ask) -> NDArray[np.float32]:
        """Return the end of a step that runs, from now, or else how long it takes."""
        rows = np.empty((1, N), dtype=np.float32)
        self.painter.ended = {}
        self.painter.fill([ask], [0], rows)
        assert rows.min() >= 0.0
        return np.asarray(rows[0] + self.painter.ended.get(0, np.float32(0)))

    def log(self, clock_h: float, crew: tuple[str, ...] = ONE) -> NDArray[np.float32]:
        """Return the log pace at a place of the planned clock."""
        return self.pace.log(self.pace.ahead(3600.0 * clock_h), crew, "general")


def test_a_duration_depends_on_its_step_and_scenario_alone() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0))
    others = [replace(NEXT, step=f"t.{i}", clock_s=1800.0 * i) for i in range(3, 9)]
    alone = Drawn(belief).row(NEXT)
    together = Drawn(belief)
    for ask in others:
        together.row(ask)
    assert (together.row(NEXT) == alone).all()


def test_scenarios_take_components_in_fixed_order_by_their_shares() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0, 300.0))
    drawn = draw_state(belief, Normals("u", N))
    assert (np.diff(drawn.component) >= 0).all()
    counts = np.bincount(drawn.component, minlength=WHOLE.size) / N
    assert counts == pytest.approx(belief.shares(), abs=1.01 / N)


def test_the_state_has_the_moments_of_the_belief() -> None:
    belief = posterior(EXACT, LAYOUT, Spreads(), ticks(700.0, 650.0, 600.0))
    state = draw_state(belief, Normals("u", N)).state
    assert state.mean(axis=1) == pytest.approx(belief.mean[0], abs=0.004)
    assert np.cov(state) == pytest.approx(belief.cov[0], abs=4e-4)


def test_a_step_that_waits_is_lognormal_about_its_planned_time() -> None:
    row = np.log(Drawn(sure(0.1)).row(replace(NEXT, likely=1200.0)) / 1200.0)
    assert stats.kstest(row, stats.norm(0.1, 0.3 * 2.0**-0.2).cdf).pvalue > 0.01


def test_processes_differ_in_how_the_level_goes_on() -> None:
    for name, expected in (("tires", 0.06), ("tires2", 0.12), ("level", 0.0)):
        grid = Grid((replace(PROCESSES[name], weight=1.0),), (0.3,), (1.0,), ())
        drawn = Drawn(posterior(grid, LAYOUT, Spreads(), []))
        apart = drawn.log(5.1) - drawn.log(1.1)
        assert apart.mean() == pytest.approx(4.0 * expected, abs=0.01)


def test_a_warm_up_fades() -> None:
    grid = Grid((replace(PROCESSES["warms"], weight=1.0),), (0.3,), (1.0,), ())
    drawn = Drawn(posterior(grid, LAYOUT, Spreads(), []))
    means = [float(drawn.log(hours).mean()) for hours in (0.0, 0.63, 5.0)]
    assert means == pytest.approx(
        [math.log(1.05) + 0.30 * math.exp(-h / 0.6) for h in (0.0, 0.625, 5.125)], abs=0.01
    )


@pytest.mark.parametrize(("apart_h", "name"), [(0.5, "long"), (2.0, "long"), (0.5, "streaks")])
def test_streaks_are_alike_close_by_and_forgotten_later(apart_h: float, name: str) -> None:
    process = replace(PROCESSES[name], weight=1.0)
    grid = Grid((process,), (0.3,), (1.0,), ())
    drawn = Drawn(posterior(grid, LAYOUT, Spreads(level=0.0, any_crew=0.0), []))
    one, other = (drawn.log(1.1 + h) for h in (0.0, apart_h))
    assert one.std() == pytest.approx(process.streak, rel=0.03)
    assert np.corrcoef(one, other)[0, 1] == pytest.approx(math.exp(-apart_h / process.lasting_h), abs=0.03)
    mate = drawn.log(1.1, ("EV2",))
    assert abs(np.corrcoef(one, mate)[0, 1]) < 0.03


def test_a_running_step_lasts_beyond_the_time_it_has_taken_and_uses_all_of_it() -> None:
    for worked in (1.0, 300.0, 600.0, 1200.0):
        row = Drawn(sure()).row(replace(RUNNING, worked_s=worked)).astype(float)
        assert (row >= 0).all()
        if worked < 600.0:
            below = stats.lognorm(0.3, scale=600.0)
            place = (below.cdf(row + worked) - below.cdf(worked)) / below.sf(worked)
            assert stats.kstest(place, "uniform").pvalue > 0.01


def test_where_ticks_come_late_a_running_step_may_be_done_already() -> None:
    row = Drawn(sure(habit=0.9)).row(RUNNING)
    p = (1.0 - TROUBLE) * stats.norm.sf(math.log(1.5) / 0.3) + TROUBLE
    share = 0.9 / (0.9 + 0.1 * p)
    assert (row < 0).mean() == pytest.approx(share * stats.norm.cdf(math.log(1.5) / 0.3), abs=0.01)


def test_nobody_who_is_not_heard_is_held_to_the_clock() -> None:
    row = Drawn(sure()).row(replace(RUNNING, silent=True))
    assert (row < 0).mean() == pytest.approx(stats.norm.cdf(math.log(1.5) / 0.3), abs=0.01)


def test_a_step_that_ran_for_hours_is_not_taken_for_done() -> None:
    belief = replace(posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 600.0)), habit=0.01)
    assert (Drawn(belief).row(replace(RUNNING, worked_s=4 * 3600.0)) < -600.0).mean() < 0.25


def test_a_running_step_began_when_the_tick_before_it_should_have_come() -> None:
    """A longer time behind it is a longer time to come: by how late that tick was."""
    late = replace(posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 600.0)), habit=0.0)
    ask = replace(RUNNING, worked_s=100.0, silent=True)
    apart = Drawn(late).row(replace(ask, gaps_s=())) - Drawn(late).row(ask)
    expected = float(late.shares() @ late.mean[:, LAYOUT.late("EV1")])
    assert apart.mean() == pytest.approx(expected, abs=2.0)


def test_what_was_said_to_be_left_counts_from_when_it_was_said() -> None:
    said = replace(RUNNING, left_s=600.0, left_worked_s=900.0)
    assert Drawn(sure()).row(said) == pytest.approx(Drawn(sure()).row(NEXT), rel=1e-5)


def test_counted_items_leave_the_rest_with_their_part_of_mean_and_variance() -> None:
    ask = replace(RUNNING, count=6, counted=2, counted_worked_s=250.0, worked_s=250.0)
    row = Drawn(sure()).row(ask)
    mean, var = 600.0 * math.exp(0.045), 600.0**2 * math.exp(0.09) * math.expm1(0.09)
    assert row.mean() == pytest.approx(mean * 4 / 6, rel=0.01)
    assert row.var() == pytest.approx(var * 4 / 6, rel=0.05)


def test_fixed_steps_and_counted_ones_need_no_chance() -> None:
    assert set(Drawn(sure()).row(replace(RUNNING, fixed=True, worked_s=200.0))) == {400.0}
    assert set(Drawn(sure()).row(replace(RUNNING, count=3, counted=3, worked_s=200.0))) == {0.0}


def test_a_step_set_aside_keeps_the_time_it_has() -> None:
    row = Drawn(sure()).row(replace(NEXT, begun=True, worked_s=500.0))
    assert row.min() >= 0.0
    assert row.mean() < Drawn(sure()).row(NEXT).mean()


def test_a_step_that_runs_on_is_evidence_after_a_while_unless_its_crew_is_silent() -> None:
    belief = posterior(WHOLE, LAYOUT, Spreads(), ticks(700.0, 650.0))
    ask = replace(RUNNING, worked_s=1000.0)
    later = with_overrun(belief, ask, DEFAULT_PRIOR)
    assert float(later.shares() @ (later.mean - belief.mean)[:, 0]) > 0.005
    assert (later.log_weight == belief.log_weight).all()
    for quiet in (
        replace(ask, silent=True),
        replace(ask, evidence=False),
        replace(ask, worked_s=50.0),
        replace(ask, fixed=True),
        replace(ask, running=False),
    ):
        assert with_overrun(belief, quiet, DEFAULT_PRIOR) is belief
