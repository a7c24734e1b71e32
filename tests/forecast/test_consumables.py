"""The filter over readings, against brute-force integration and by its rules."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.forecast.consumables import Store, Used, believed
from tracker.journal.progress import Reading


def reading(at: float, value: float, *, replaced: bool = False) -> Reading:
    return Reading("EV1", "oxygen", at, value, replaced, 1)


def steady(per_hour: float) -> Used:
    return lambda a, b: max(0.0, b - max(a, 0.0)) * per_hour / 3600.0


def after(*readings: Reading, now: float, spread: float = 0.15, rate: float = 10.0, sd: float = 0.5) -> Store:
    return believed(readings, steady(rate), start=100.0, reading_sd=sd, use_spread=spread, unit="kg", now=now)


def test_without_readings_the_model_is_believed_and_grows_unsure() -> None:
    store = after(now=3600)
    assert store.level == pytest.approx(90.0)
    assert store.use == 1.0
    assert store.var_level == pytest.approx(0.5**2 + (0.15 * 10.0) ** 2)
    assert store.read_at is None and store.flagged is None


def test_update_equals_brute_force_integration_of_the_posterior() -> None:
    """Grid over (level at zero, use factor): prior times likelihood, no walk in so short a time."""
    seconds, read = 600.0, 97.2
    store = after(reading(seconds, read), now=seconds, rate=12.0)
    level0, use = np.meshgrid(np.linspace(97, 103, 1201), np.linspace(0.3, 1.7, 1401), indexing="ij")
    level = level0 - use * 12.0 * seconds / 3600
    weight = np.exp(
        -0.5 * ((level0 - 100) / 0.5) ** 2 - 0.5 * ((use - 1) / 0.15) ** 2 - 0.5 * ((read - level) / 0.5) ** 2
    )
    weight /= weight.sum()
    assert store.level == pytest.approx(float((weight * level).sum()), abs=1e-3)
    assert store.use == pytest.approx(float((weight * use).sum()), abs=1e-3)
    assert store.var_level == pytest.approx(float((weight * (level - store.level) ** 2).sum()), rel=1e-3)
    # The walk of ten minutes adds 0.05² / 6 to the variance of the use factor before the reading.
    assert store.var_use == pytest.approx(float((weight * (use - store.use) ** 2).sum()), rel=0.05)


def test_readings_teach_the_use_factor() -> None:
    """Twice as fast as planned, by small steps of which none contradicts the model."""
    times = [600.0 * k for k in range(1, 30)]
    store = after(*(reading(t, 100 - 14 * t / 3600) for t in times), now=times[-1])
    assert store.use == pytest.approx(1.4, abs=0.04)
    assert store.level == pytest.approx(100 - 14 * times[-1] / 3600, abs=0.4)
    assert store.flagged is None


def test_a_low_reading_is_believed_at_once_and_flagged() -> None:
    before = after(now=3600)
    store = after(reading(3600, 70.0), now=3600)
    assert store.level == 70.0
    assert store.var_level == pytest.approx(0.25)
    assert store.var_use == pytest.approx(4 * before.var_use)
    assert store.flagged is not None
    assert "oxygen read 70 kg at 1:00" in store.flagged and "20 kg below" in store.flagged


def test_a_high_reading_is_set_aside_until_a_second_agrees() -> None:
    once = after(reading(3600, 98.0), now=3600)
    assert once.level == pytest.approx(90.0)
    assert once.flagged is not None and "set aside" in once.flagged
    twice = after(reading(3600, 98.0), reading(3900, 97.3), now=3900)
    assert twice.level == pytest.approx(97.2, abs=0.2)
    assert twice.flagged is not None and "believed" in twice.flagged


def test_a_high_reading_alone_is_forgotten_when_the_next_one_fits() -> None:
    store = after(reading(3600, 98.0), reading(3900, 89.1), now=3900)
    plain = after(reading(3900, 89.1), now=3900)
    assert store.flagged is None and store.aside is None
    assert store.level == pytest.approx(plain.level, abs=1e-4)


def test_two_high_readings_that_do_not_agree_are_not_believed() -> None:
    store = after(reading(3600, 99.0), reading(3900, 95.5), now=3900, spread=0.02)
    assert store.level == pytest.approx(100 - 10 * 3900 / 3600, abs=0.1)


def test_replaced_starts_a_new_store_and_keeps_what_was_learnt_of_use() -> None:
    times = [600.0 * k for k in range(1, 20)]
    readings = [reading(t, 100 - 13 * t / 3600) for t in times]
    old = after(*readings, now=12_000)
    new = after(*readings, reading(12_000, 100.0, replaced=True), now=12_000)
    assert new.level == 100.0 and new.var_level == 0.25
    assert new.use == old.use and new.var_use == old.var_use


def test_a_reading_before_zero_counts_at_zero() -> None:
    store = after(reading(-300, 99.0), now=0)
    assert store.level == pytest.approx(99.5)
    assert store.use == 1.0


def test_without_a_spread_the_use_factor_never_moves() -> None:
    store = after(reading(3600, 89.5), now=7200, spread=0.0)
    assert store.use == 1.0 and store.var_use == 0.0


def test_exact_readings_are_taken_exactly() -> None:
    store = after(reading(3600, 88.0), now=3600, sd=0.0)
    assert store.level == pytest.approx(88.0)
    assert store.use == pytest.approx(1.2)
