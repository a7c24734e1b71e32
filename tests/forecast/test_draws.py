"""Fixed random numbers, and the normal distribution they are bent with."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from tracker.forecast.draws import (
    FAR,
    HELD_UP,
    LATE,
    Normals,
    from_upper_tail,
    hazard,
    running_on,
    truncated,
    upper_tail,
)
from tracker.forecast.memory import Memory


def test_the_normal_functions_agree_with_scipy() -> None:
    x = np.linspace(-9.0, 36.0, 4001)
    assert np.allclose(upper_tail(x), stats.norm.sf(x), rtol=1e-12, atol=0.0)
    assert np.allclose(hazard(x), np.exp(stats.norm.logpdf(x) - stats.norm.logsf(x)), rtol=1e-5)
    p = np.concatenate(
        [np.logspace(-280, -2, 500), np.linspace(0.01, 0.99, 500), 1 - np.logspace(-12, -2, 100)]
    )
    assert np.allclose(from_upper_tail(p), stats.norm.isf(p), rtol=1e-12, atol=1e-14)


def test_numbers_depend_on_uuid_and_key_alone() -> None:
    first = Normals("one", 500)("step:a")
    assert (Normals("one", 500)("step:a") == first).all()
    assert (Normals("one", 200)("step:a") == first[:200]).all()
    for other in (Normals("two", 500)("step:a"), Normals("one", 500)("step:b")):
        assert abs(np.corrcoef(first, other)[0, 1]) < 0.2


def test_numbers_are_the_same_in_another_process() -> None:
    code = "from tracker.forecast.draws import Normals; print(Normals('u', 8)('k').tobytes().hex())"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == Normals("u", 8)("k").tobytes().hex()


def test_rows_are_standard_cannot_be_written_and_are_drawn_once() -> None:
    normals = Normals("u", 50_000)
    row = normals("k")
    assert row.dtype == np.float32
    assert stats.kstest(row, "norm").pvalue > 0.01
    assert normals("k") is row
    with pytest.raises(ValueError, match="read-only"):
        row[0] = 1.0


def test_only_a_few_numbers_of_scenarios_are_kept() -> None:
    memory = Memory()
    first = Normals.of(memory, "u", 100)
    assert Normals.of(memory, "u", 100) is first
    for n in range(1, 4):
        Normals.of(memory, "u", n)
    assert Normals.of(memory, "u", 100) is not first


@pytest.mark.parametrize("lower", [-40.0, -1.0, 0.5, 3.0, 12.0])
def test_truncated_normals_have_the_truncated_distribution(lower: float) -> None:
    z = Normals("u", 20_000)("truncated")
    drawn = truncated(np.full(z.size, lower), upper_tail(z.astype(float)))
    assert (drawn >= lower).all()
    assert stats.kstest(stats.norm.sf(drawn) / stats.norm.sf(lower), "uniform").pvalue > 0.01
    assert (np.diff(drawn[np.argsort(z)]) >= 0).all()


def test_truncation_far_out_goes_on_smoothly() -> None:
    z = Normals("u", 1000)("truncated")
    above = upper_tail(z.astype(float))
    near, far = (truncated(np.full(z.size, FAR + step), above) - FAR for step in (-1e-9, 1e-9))
    assert np.allclose(near, far, rtol=5e-3)
    further = truncated(np.full(z.size, 500.0), above)
    assert (further > 500.0).all() and further.max() < 500.1


@pytest.mark.parametrize("fading", [0.1, 0.6, 5.0])
@pytest.mark.parametrize("lower", [LATE, 3.0, 12.0, 500.0])
def test_a_late_step_ends_the_later_the_longer_it_runs(lower: float, fading: float) -> None:
    """Two exponentials beyond `LATE`: the longer a step runs, the surer it is of the slower one."""
    z = Normals("u", 20_000)("truncated")
    drawn = running_on(np.full(z.size, lower), upper_tail(z.astype(float)), np.full(z.size, fading))
    hazard = stats.norm.pdf(LATE) / stats.norm.sf(LATE)
    rates, shares = np.array([hazard, min(fading, hazard)]), np.array([1.0 - HELD_UP, HELD_UP])
    now = shares * np.exp(-rates * (lower - LATE) + min(rates) * (lower - LATE))
    above = (now * np.exp(-np.multiply.outer(drawn - lower, rates))).sum(axis=1) / now.sum()
    assert stats.kstest(above, "uniform").pvalue > 0.01
    assert (drawn >= lower).all() and (np.diff(drawn[np.argsort(z)]) >= 0).all()


@pytest.mark.parametrize("lower", [-40.0, -1.0, 0.0])
def test_a_step_that_is_not_late_has_the_tail_of_a_normal(lower: float) -> None:
    above = upper_tail(Normals("u", 2000)("truncated").astype(float))
    drawn = running_on(np.full(2000, lower), above, np.full(2000, 0.6))
    assert (drawn == truncated(np.full(2000, lower), above)).all()


def test_what_a_step_draws_does_not_jump_as_it_comes_to_be_late() -> None:
    lower = np.linspace(-0.5, 2.0, 2501)
    for above in (0.001, 0.1, 0.5, 0.9, 0.999):
        drawn = running_on(lower, np.full(lower.size, above), np.full(lower.size, 0.6))
        assert (drawn >= lower).all()
        assert (np.diff(drawn) >= -1e-9).all() and np.diff(drawn).max() < 0.02
