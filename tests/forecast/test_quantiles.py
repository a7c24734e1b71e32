import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.forecast.quantiles import Instants, finite, one, ranged, rank, three

values = st.lists(
    st.floats(-1e6, 1e6, width=32) | st.just(float("inf")) | st.just(float("-inf")), min_size=1, max_size=60
)


@given(values)
def test_nested_partitions_find_the_ranks_of_the_sorted_row(numbers: list[float]) -> None:
    row = np.array(numbers, dtype=np.float32)
    before = row.copy()
    ordered = np.sort(row)
    wanted = tuple(float(ordered[rank(share, len(row))]) for share in (0.1, 0.5, 0.9))
    assert three(row) == wanted
    assert (one(row, 0.1), one(row, 0.5), one(row, 0.9)) == wanted
    assert np.array_equal(row, before)


@pytest.mark.parametrize(
    ("share", "n", "expected"),
    [(0.1, 10_000, 1000), (0.5, 10_000, 5000), (0.9, 10_000, 8999), (0.5, 1, 0), (0.9, 2, 1), (0.1, 2, 0)],
)
def test_ranks_are_the_nearest(share: float, n: int, expected: int) -> None:
    assert rank(share, n) == expected


def test_margin_and_ingress_quantiles_mirror_one_another() -> None:
    inside = np.random.default_rng(1).normal(20_000, 900, 10_000).astype(np.float32)
    assert one(np.float32(23_400) - inside, 0.1) == pytest.approx(23_400 - one(inside, 0.9), abs=0.01)


def test_what_is_not_finite_does_not_exist() -> None:
    row = np.array([1, 2, np.inf, np.inf, np.inf], dtype=np.float32)
    found = ranged(row, base=10.0, mean=True)
    assert (found.p10, found.p50, found.p90, found.mean) == (11.0, None, None, None)
    assert finite(float("nan")) is None


def test_a_shared_row_has_the_same_figures_whichever_is_asked_first() -> None:
    row = np.random.default_rng(2).normal(600, 60, 1000).astype(np.float32)
    other, instants, late = row + np.float32(1), Instants(30.0), Instants(30.0)
    assert instants.median(row) == late.median(row)
    whole = ranged(row, base=30.0)
    assert instants.ranged(row) == late.ranged(row) == whole
    assert instants.median(row).p50 == whole.p50
    assert (instants.median(row).p10, instants.median(row).p90) == (None, None)
    assert instants.ranged(other) == ranged(other, base=30.0)
