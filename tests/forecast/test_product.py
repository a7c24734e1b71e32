"""What the steps take from every account: the same as the plain product."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.forecast.consumption import usage_sums


@pytest.mark.parametrize("case", ["alike", "different", "nothing", "no steps", "few efforts", "one step"])
def test_same_as_the_plain_product(case: str) -> None:
    rng = np.random.default_rng(5)
    effort = rng.uniform(0, 400, (2, 40)).astype(np.float32)
    effort[0, ::3] = 0
    factors = np.array([[1], [2.5], [0.0125]], dtype=np.float32)
    rates = np.concatenate([factors * effort[0], factors * effort[1]])
    rows = rng.uniform(30, 300, (40, 200)).astype(np.float32)
    if case == "different":
        rates[4, 7] *= np.float32(1.001)
    elif case == "nothing":
        rates[[0, 3]] = 0
    elif case == "few efforts":
        rates = rates[:, rng.integers(0, 3, 40)]
    elif case == "one step":
        rates, rows = rates[:, 1:2], rows[1:2]
    elif case == "no steps":
        rates, rows = rates[:, :0], rows[:0]
    exact = rates.astype(np.float64) @ rows.astype(np.float64)
    np.testing.assert_allclose(usage_sums(rates, rows), exact, rtol=2e-6)
