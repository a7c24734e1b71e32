"""What is kept of a step's durations is, to the last digit, what would be made anew."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.forecast.draws import Normals
from tracker.forecast.durations import Noise, noise_of
from tracker.forecast.memory import Memory

N = 1003
SHAPES = {"step:a": (600.0, 1.0), "step:b": (95.5, 0.4), "rest:b": (31.0, 2.5)}


def sigma(seed: int) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    return np.random.default_rng(seed).uniform(0.2, 0.5, N).astype(np.float32)


def filled(noise: Noise, seed: int = 9) -> list[bytes]:
    pace, out = sigma(seed), np.empty(N, dtype=np.float32)
    found = []
    for key, shape in SHAPES.items():
        noise.fill(key, shape, pace, out)
        found.append(out.tobytes())
    return found


def fresh(row: np.ndarray[tuple[int], np.dtype[np.float32]]) -> Noise:
    return Noise(Normals("u", N), row)


@pytest.mark.parametrize("columns", [[], [3], [0, 1, 2, 500, 1002], list(range(700))])
def test_another_noise_in_some_scenarios_gives_what_all_anew_would(columns: list[int]) -> None:
    kept, row = fresh(sigma(1)), sigma(1)
    before = filled(kept)
    row[columns] = sigma(2)[columns]
    kept.turn_to(row)
    assert filled(kept) == filled(fresh(row))
    assert (filled(kept) == before) == (not columns)
    kept.turn_to(sigma(1))
    assert filled(kept) == before


def test_a_kept_row_follows_its_time_and_the_pace() -> None:
    kept, out = fresh(sigma(1)), np.empty(N, dtype=np.float32)
    before = filled(kept)
    kept.fill("step:a", (660.0, 1.0), np.ones(N, dtype=np.float32), out)
    log = np.log(out / np.float32(660.0))
    np.testing.assert_allclose(log, sigma(1) * Normals("u", N)("step:a"), atol=2e-6)
    assert filled(kept, 10) == filled(fresh(sigma(1)), 10) != before
    assert filled(kept) == before


def test_one_excursion_is_kept() -> None:
    memory, here, there = Memory(), Normals("u", N), Normals("v", N)
    mine = noise_of(memory, here, sigma(1))
    assert noise_of(memory, here, sigma(2)) is mine
    assert noise_of(memory, there, sigma(2)) is not mine
    assert noise_of(memory, here, sigma(1)) is not mine
