"""Weights learned over excursions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.bench.candidate.mixture import learned_weights

BEFORE = {"level": 0.7, "tires": 0.3}


def test_without_excursions_the_weights_stay() -> None:
    assert learned_weights(BEFORE, []) == pytest.approx(BEFORE)


def test_excursions_that_say_nothing_leave_the_weights() -> None:
    assert learned_weights(BEFORE, [{"level": -3.0, "tires": -3.0}] * 9) == pytest.approx(BEFORE, abs=1e-6)


def test_sure_excursions_are_counted() -> None:
    sure = [{"level": 0.0, "tires": 200.0}] * 4 + [{"level": 200.0, "tires": 0.0}] * 2
    assert learned_weights(BEFORE, sure) == pytest.approx({"level": (4.2 + 2) / 12, "tires": (1.8 + 4) / 12})


def test_the_answer_is_the_mode_of_the_posterior() -> None:
    evidence = [{"level": 0.0, "tires": z} for z in (1.0, -0.5, 2.0, 0.3)]
    found = learned_weights(BEFORE, evidence, power=0.7)["tires"]
    grid = np.linspace(1e-4, 1 - 1e-4, 100_001)
    log = 6.0 * (0.3 * np.log(grid) + 0.7 * np.log(1 - grid))
    for one in evidence:
        log += np.log(1 - grid + grid * math.exp(0.7 * one["tires"]))
    assert found == pytest.approx(grid[log.argmax()], abs=1e-4)


def test_a_process_without_weight_stays_without() -> None:
    assert learned_weights({"level": 1.0, "tires": 0.0}, [{"level": 0.0, "tires": 9.0}])["tires"] == 0.0
