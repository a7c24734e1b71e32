"""The closed forms of pace, held against joint normal distributions, integration and simulation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from tracker.forecast.durations import root
from tracker.forecast.late_ticks import Tick
from tracker.forecast.pace import MISSED_TICK, Belief, Filter, Layout, outlast, posterior, spread_of, start
from tracker.forecast.pace_grid import HABITS, PROCESSES, Grid, Lateness, Process, Spreads, mixture, scatter

Array = NDArray[np.float64]

ONE, TWO, BOTH = ("EV1",), ("EV2",), ("EV1", "EV2")
LEVEL = (Process("level", 1.0),)
PLAIN = Grid(LEVEL, (0.3,), (1.0,), ())
LAYOUT = Layout(BOTH, ("general", "fasten"), 3.0)
WHOLE = Grid(mixture({p.id: p.weight for p in PROCESSES.values()}))


def tick(
    place: int, at: float, crew: tuple[str, ...] = ONE, planned_s: float = 600.0, **more: object
) -> Tick:
    plain = Tick(f"t.{place}", place, crew, "general", planned_s, at, at / 3600.0)
    return replace(plain, **more)  # type: ignore[arg-type]


def course(times: Sequence[float], planned_s: float = 600.0) -> list[Tick]:
    return [tick(i, float(at), planned_s=planned_s) for i, at in enumerate(np.cumsum(times))]


def level(belief: Belief) -> float:
    """Return the mean of the level over all components."""
    return float(belief.shares() @ belief.mean[:, 0])


def test_exact_ticks_of_one_crew_are_the_normal_conjugate() -> None:
    times = [700.0, 560.0, 650.0, 720.0]
    belief = posterior(PLAIN, LAYOUT, Spreads(crew={"EV1": 0.0}), course(times))
    noise = 0.3**2 + np.array([1.0 / (600.0 * t) for t in times])
    weight = np.array([1 / 0.15**2, *(1 / noise)])
    mean = float(weight @ [math.log(1.05), *np.log(np.array(times) / 600.0)] / weight.sum())
    assert level(belief) == pytest.approx(mean, abs=2e-4)
    assert belief.cov[0, 0, 0] == pytest.approx(1 / weight.sum(), rel=2e-3)


def test_lateness_of_ticks_is_a_moving_average_between_neighbours() -> None:
    """Level and every lateness by conditioning one joint normal distribution."""
    late = Lateness("late", 1.0, 60.0, 40.0)
    grid = Grid(LEVEL, (0.2,), (1.0,), (late,))
    times = [690.0, 600.0, 640.0]
    belief = posterior(grid, LAYOUT, Spreads(median=1.0, crew={"EV1": 0.0}), course(times))
    usual = np.array([600 * (3600 + sum(times[: i + 1])) / (3600 + 600 * (i + 1)) for i in range(3)])
    k = 1.0 / np.sqrt(np.array(times) * usual)
    design = np.zeros((3, 4))
    design[:, 0] = 1.0
    for i in range(3):
        design[i, 1 + i] = k[i]
        if i:
            design[i, i] = -k[i]
    prior_mean, prior = np.array([0.0, 60.0, 60.0, 60.0]), np.diag([0.15**2, *[40.0**2] * 3])
    noise = np.diag(0.2**2 + k**2)
    gain = prior @ design.T @ np.linalg.inv(design @ prior @ design.T + noise)
    mean = prior_mean + gain @ (np.log(np.array(times) / 600.0) - design @ prior_mean)
    cov = prior - gain @ design @ prior
    slot = LAYOUT.late("EV1")
    assert belief.mean[0, [0, slot]] == pytest.approx(mean[[0, 3]], rel=1e-6)
    assert belief.cov[0, 0, slot] == pytest.approx(cov[0, 3], rel=1e-6)
    assert belief.cov[0, slot, slot] == pytest.approx(cov[3, 3], rel=1e-6)


def test_components_are_weighed_by_student_densities_that_fit_normal_noise() -> None:
    grid = Grid(LEVEL, (0.2, 0.4), (0.5, 0.5), ())
    belief = posterior(grid, LAYOUT, Spreads(crew={"EV1": 0.0}), [tick(0, 900.0)])
    error = math.log(900.0 / 600.0) - math.log(1.05)
    scale = [math.sqrt(0.8 * (0.15**2 + s * s + 1.0 / (900.0 * usual_of(900.0)))) for s in (0.2, 0.4)]
    density = stats.t.pdf(error, 5.0, scale=scale)
    assert belief.shares() == pytest.approx(density / density.sum(), rel=1e-9)


def usual_of(took: float) -> float:
    return 600.0 * (3600 * 1.05 + took) / 4200.0


def test_normal_noise_makes_no_component_look_wider_than_it_is() -> None:
    rng = np.random.default_rng(3)
    grid = Grid(LEVEL, (0.27, 0.31, 0.36), (1.0, 1.0, 1.0), ())
    found = np.zeros(3)
    for _ in range(20):
        times = 600.0 * np.exp(rng.normal(0.0, 0.31, 60))
        belief = posterior(grid, LAYOUT, Spreads(), course(list(times)))
        found += belief.shares()
    assert found.argmax() == 1


def test_a_stuck_step_pulls_less_than_a_slow_one_and_a_fast_one_keeps_its_pull() -> None:
    def moved(took: float) -> float:
        return level(posterior(PLAIN, LAYOUT, Spreads(), [tick(0, took)])) - math.log(1.05)

    assert 0.0 < moved(8000.0) < moved(1500.0)
    assert -moved(180.0) > 1.1 * moved(630.0 * 630.0 / 180.0)


def test_processes_hold_what_they_say_about_the_level() -> None:
    for process in PROCESSES.values():
        grid = Grid((replace(process, weight=1.0),), (0.3,), (1.0,), ())
        belief = start(grid, LAYOUT, Spreads())
        moving = Filter(belief)
        moving.move_on(2.0)
        after = moving.belief()
        assert after.cov[0, 0, 0] == pytest.approx(0.15**2 + 2.0 * process.walk**2)
        streaks = [after.cov[0, i, i] for i in range(LAYOUT.streaks.start, LAYOUT.streaks.stop)]
        assert streaks == pytest.approx([process.streak**2] * 2)
        assert after.trend_at(3.0)[0] == pytest.approx(math.exp(-5.0) if process.warms else 0.0)


def test_a_streak_is_forgotten() -> None:
    grid = Grid((replace(PROCESSES["long"], weight=1.0),), (0.1,), (1.0,), ())
    belief = posterior(grid, LAYOUT, Spreads(), [tick(0, 900.0, clock_h=0.1)])
    moving = Filter(belief)
    at = LAYOUT.streaks.start
    before, others = float(belief.mean[0, at]), float(belief.mean[0, 0])
    moving.move_on(belief.hours + 1.0)
    after = moving.belief()
    assert after.mean[0, at] == pytest.approx(before * math.exp(-1.0))
    assert after.mean[0, 0] == others
    assert np.linalg.eigvalsh(after.cov[0]).min() > -1e-12


def test_noise_of_a_sum_has_its_mean_and_variance() -> None:
    ticks = [
        tick(0, 1.0, planned_s=300.0, scatter=1.2),
        tick(1, 2.0, planned_s=900.0),
        tick(2, 3.0, planned_s=600.0, parts=3.0),
    ]
    shift, variance = spread_of(np.array([0.3]), ticks)
    rng = np.random.default_rng(1)
    total = 300.0 * np.exp(rng.normal(0, 0.36, 10**6)) + 900.0 * np.exp(rng.normal(0, 0.3, 10**6))
    square = 0.3**2
    own = math.log1p(math.expm1(square) * 3.0)
    total += 600.0 * np.exp(rng.normal((square - own) / 2.0, math.sqrt(own), 10**6))
    mean = 1800.0 * math.exp(shift[0] + variance[0] / 2.0)
    assert total.mean() == pytest.approx(mean, rel=1e-3)
    assert total.var() == pytest.approx(mean**2 * math.expm1(variance[0]), rel=1e-2)


def test_one_whole_step_is_not_shifted() -> None:
    shift, variance = spread_of(np.array([0.3]), [tick(0, 1.0, scatter=1.1)])
    assert shift[0] == pytest.approx(0.0, abs=1e-12)
    assert variance[0] == pytest.approx(0.33**2)


def test_short_steps_scatter_more_within_bounds() -> None:
    assert scatter(600.0) == 1.0
    assert scatter(60.0) == scatter(10.0) == pytest.approx(10.0**0.2)
    assert scatter(36000.0) == 0.55


def test_six_ticks_at_once_are_one_sum_that_ended_while_the_next_step_was_under_way() -> None:
    belief = posterior(
        PLAIN, LAYOUT, Spreads(crew={"EV1": 0.0}), [tick(i, 4200.0, clock_h=0.5) for i in range(6)]
    )
    usual = 3600.0 * (4200.0 + 3600.0 * 1.05) / 7200.0
    rest, k = (5.03 / 8.0) * usual / 6.0, 1.0 / math.sqrt(4200.0 * usual)
    variance = math.log1p(math.expm1(0.09) / 6.0)
    value = math.log(4200.0 / 3600.0) - (0.045 - variance / 2.0) - k * rest
    noise = variance + k**2 * (1.0 + rest**2)
    mean = (math.log(1.05) / 0.15**2 + value / noise) / (1 / 0.15**2 + 1 / noise)
    assert level(belief) == pytest.approx(mean, abs=1e-9)


def test_a_tick_that_came_late_hardly_moves_the_level() -> None:
    prompt = course([640.0] * 12)
    late = [*prompt[:5], replace(prompt[5], at=prompt[5].at + 400.0), *prompt[6:]]
    apart = level(posterior(WHOLE, LAYOUT, Spreads(), late)) - level(
        posterior(WHOLE, LAYOUT, Spreads(), prompt)
    )
    assert abs(apart) < 0.015


@given(
    st.lists(st.sampled_from([0.0, 30.0, 250.0, 500.0, 650.0, 900.0]), min_size=3, max_size=10),
    st.integers(0, 8),
)
@settings(max_examples=15, deadline=None)
def test_a_second_of_one_tick_moves_the_level_by_little(times: list[float], which: int) -> None:
    """No edge as one tick goes through the instants of its neighbours.

    From half a minute on, one that comes later in the plan was ticked before it: another course.
    """
    grid = Grid(WHOLE.processes, (0.17, 0.33), (0.4, 0.6), HABITS[:2])
    base = [
        tick(i, at, BOTH if i % 4 == 3 else (ONE, TWO)[i % 2])
        for i, at in enumerate(np.cumsum([300.0, *times]))
    ]
    which %= len(base)
    levels = []
    for seconds in np.arange(0.0, 29.0, 2.0):
        moved = [replace(t, at=t.at + seconds) if i == which else t for i, t in enumerate(base)]
        levels.append(level(posterior(grid, LAYOUT, Spreads(), moved)))
    assert np.abs(np.diff(levels)).max() < 0.03


def test_typed_instants_are_known_by_their_grid() -> None:
    typed = posterior(WHOLE, LAYOUT, Spreads(), course([600.0, 720.0, 660.0, 600.0]))
    fives = posterior(WHOLE, LAYOUT, Spreads(), course([600.0, 900.0, 600.0, 600.0]))
    stamped = posterior(WHOLE, LAYOUT, Spreads(), course([601.0, 713.0, 664.0, 611.0]))
    names = [h.id for h in HABITS]
    assert dict(zip(names, typed.by_habit(), strict=True))["minutes"] > 0.95
    assert dict(zip(names, fives.by_habit(), strict=True))["five_minutes"] > 0.95
    assert dict(zip(names, stamped.by_habit(), strict=True))["minutes"] < 1e-3


def test_stated_instants_are_never_believed_to_be_slow_or_late() -> None:
    stated = [replace(t, stated=True) for t in course([601.0, 901.0, 302.0, 903.0, 297.0, 899.0, 308.0])]
    habits = posterior(WHOLE, LAYOUT, Spreads(), stated).by_habit()
    assert habits[1] / habits[0] == pytest.approx(0.18 / 0.62)
    assert habits[2] / habits[0] == pytest.approx(0.08 / 0.62)
    stamped = posterior(WHOLE, LAYOUT, Spreads(), [replace(t, stated=False) for t in stated]).by_habit()
    assert stamped[1] / stamped[0] > 1.3 * 0.18 / 0.62


def test_a_blind_step_leaves_the_level_and_forgets_how_late_its_crew_was() -> None:
    first = course([640.0])
    before = posterior(WHOLE, LAYOUT, Spreads(), first)
    after = posterior(WHOLE, LAYOUT, Spreads(), [*first, tick(1, 5000.0, blind=True)])
    slot = LAYOUT.late("EV1")
    assert after.mean[:, 0] == pytest.approx(before.mean[:, 0])
    assert after.mean[:, slot] == pytest.approx(WHOLE.late(False)[0])


def test_the_start_of_the_clock_is_exact_and_the_end_of_a_hold_too() -> None:
    late = Grid(LEVEL, (0.1,), (1.0,), (Lateness("late", 1.0, 60.0, 1.0),))
    spreads = Spreads(median=1.0)
    zero = level(posterior(late, LAYOUT, spreads, [tick(0, 660.0)]))
    held = level(
        posterior(late, LAYOUT, spreads, [tick(0, 660.0, blind=True), tick(1, 2660.0, start=2000.0)])
    )
    again = level(posterior(late, LAYOUT, spreads, [tick(0, 660.0, blind=True), tick(1, 1320.0)]))
    begun = level(
        posterior(
            late, LAYOUT, spreads, [tick(0, 660.0, blind=True), tick(1, 2660.0, start=2000.0, begun=True)]
        )
    )
    assert abs(zero) < 0.02 and held == pytest.approx(zero, abs=1e-3)
    assert again > 0.05 and begun == pytest.approx(again, abs=2e-3)


def test_processes_are_tempered() -> None:
    """Twice as sure by the evidence is 2 to the power of .7 as sure."""
    ticks = course([500.0] * 6 + [900.0] * 6)
    grid = Grid(mixture({"level": 0.5, "tires2": 0.5}), (0.2,), (1.0,), ())
    tempered = posterior(grid, LAYOUT, Spreads(), ticks)
    single = [
        posterior(Grid(mixture({p: 1.0}), (0.2,), (1.0,), ()), LAYOUT, Spreads(), ticks)
        for p in ("level", "tires2")
    ]
    z = np.array([b.log_weight[0] for b in single])
    shares = tempered.shares().reshape(grid.shape).sum(axis=(1, 2))
    assert math.log(shares[1] / shares[0]) == pytest.approx(0.7 * (z[1] - z[0]))


def test_the_belief_is_a_function_of_the_ticks_alone() -> None:
    ticks = course([700.0, 0.0, 650.0, 300.0, 900.0])
    one, other = (posterior(WHOLE, LAYOUT, Spreads(), t) for t in (ticks, ticks[::-1]))
    assert (one.mean == other.mean).all() and (one.log_weight == other.log_weight).all()


@pytest.mark.parametrize("bound", [-0.8, -0.1, 0.3, 0.9, 1.5])
def test_a_step_still_going_on_moves_level_by_the_moments_of_the_mixture(bound: float) -> None:
    first = start(PLAIN, LAYOUT, Spreads(median=1.0, level=0.2))
    row = np.zeros((1, LAYOUT.size))
    row[0, 0] = 1.0
    belief = outlast(first, row, np.array([bound]), np.array([0.3**2]))
    grid = np.linspace(-2.0, 2.0, 20001)
    density = stats.norm.pdf(grid, 0.0, 0.2)
    density *= (1 - MISSED_TICK) * stats.norm.sf((bound - grid) / 0.3) + MISSED_TICK
    mean = (density * grid).sum() / density.sum()
    var = (density * (grid - mean) ** 2).sum() / density.sum()
    assert belief.mean[0, 0] == pytest.approx(mean, abs=1e-6)
    assert belief.cov[0, 0, 0] == pytest.approx(var, rel=1e-5)


def test_a_root_gives_its_covariance_back_also_where_it_is_singular() -> None:
    rng = np.random.default_rng(1)
    a = rng.normal(size=(5, 4, 3))
    a[:, 2] = a[:, 1]
    cov = a @ a.transpose(0, 2, 1)
    lower = root(cov)
    assert lower @ lower.transpose(0, 2, 1) == pytest.approx(cov, abs=1e-9)
    assert (np.triu(lower, 1) == 0).all()
