"""What the keys of a pace file mean for the grid."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.pace_grid import HABITS, PROCESSES, SIGMAS, believed, noise_grid, of_drifts


def test_the_default_is_the_mixture_chosen() -> None:
    grid, spreads = believed(DEFAULT_PRIOR)
    assert grid.processes == tuple(PROCESSES.values())
    assert sum(p.weight for p in grid.processes) == pytest.approx(1.0)
    assert (grid.sigmas, grid.habits) == (SIGMAS, HABITS)
    assert (spreads.median, spreads.level) == (1.05, 0.15)


def test_without_any_spread_one_exact_component_remains() -> None:
    still = replace(
        DEFAULT_PRIOR, spread=0.0, drifts=(0.0,), weights=(1.0,), sigma=0.0, crew_spread=0.0, work_spread=0.0
    )
    grid, _ = believed(still)
    assert grid.size == 1 and not grid.habits and grid.sigmas == (0.0,)
    assert grid.late(stated=False)[1].tolist() == [0.0]


@pytest.mark.parametrize(
    ("drift", "expected"),
    [
        (0.0, {"level": 1.0, "walk": 0.0, "wander": 0.0}),
        (0.03, {"level": 0.5, "walk": 0.5, "wander": 0.0}),
        (0.06, {"level": 0.0, "walk": 1.0, "wander": 0.0}),
        (0.105, {"level": 0.0, "walk": 0.5, "wander": 0.5}),
        (0.15, {"level": 0.0, "walk": 0.0, "wander": 1.0}),
        (0.4, {"level": 0.0, "walk": 0.0, "wander": 1.0}),
    ],
)
def test_drifts_are_processes(drift: float, expected: dict[str, float]) -> None:
    assert of_drifts((drift,), (1.0,)) == pytest.approx(expected)


def test_weights_of_processes_win_over_drifts() -> None:
    said = {"tires": 0.25, "level": 0.75}
    grid, _ = believed(replace(DEFAULT_PRIOR, drifts=(0.3,), weights=(1.0,), processes=said))
    assert [(p.id, p.weight) for p in grid.processes] == [("level", 0.75), ("tires", 0.25)]


def test_habits_can_be_said() -> None:
    grid, _ = believed(replace(DEFAULT_PRIOR, lateness={"prompt": 0.5, "minutes": 0.5}))
    assert [(h.id, h.weight) for h in grid.habits] == [("prompt", 0.5), ("minutes", 0.5)]


def test_the_noise_scales_the_grid_and_belief_in_it_narrows_it() -> None:
    assert noise_grid(0.33, 6.0)[0] == pytest.approx(SIGMAS)
    assert noise_grid(0.165, 6.0)[0] == pytest.approx([s / 2 for s in SIGMAS])
    spread = {w: np.std(np.log(noise_grid(0.33, w)[0])) for w in (6.0, 24.0, 600.0)}
    assert spread[24.0] == pytest.approx(spread[6.0] / 2.0)
    assert spread[600.0] == pytest.approx(spread[6.0] / 10.0)
    assert noise_grid(0.2, 1e6) == ((0.2,), (1.0,))
    assert math.log(noise_grid(0.33, 0.5)[0][-1] / 0.33) == pytest.approx(1.5 * math.log(0.55 / 0.33))
