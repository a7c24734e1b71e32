"""Night and day of circular orbits against published and computed values."""

from __future__ import annotations

import math

import pytest

from tracker.plan.model import Orbit, Window
from tracker.plan.windows import night_s, openings, period_s


@pytest.mark.parametrize(("altitude_km", "night_min"), [(200, 37.28), (400, 36.11), (1370, 34.82)])
def test_night_at_beta_zero(altitude_km: float, night_min: float) -> None:
    # Published table, Space Exploration Stack Exchange 30311 (Earth radius 6378.137 km, GM 3.986e14).
    assert night_s(altitude_km, 0) / 60 == pytest.approx(night_min, abs=0.02)


@pytest.mark.parametrize(("beta", "night_min"), [(30, 34.451), (51.6, 29.303), (70, 4.265), (75, 0.0)])
def test_night_at_400_km_by_beta(beta: float, night_min: float) -> None:
    # Computed from the geometry of a cylindrical shadow (formula recalled; confirmed below by stepping).
    assert night_s(400, beta) / 60 == pytest.approx(night_min, abs=0.001)
    assert night_s(400, -beta) == night_s(400, beta)


def test_period_and_the_beta_without_night() -> None:
    # 92.560 min at 400 km; no night above beta 70.218 degrees (computed, same source).
    assert period_s(400) / 60 == pytest.approx(92.560, abs=0.001)
    assert night_s(400, 70.217) > 0
    assert night_s(400, 70.219) == 0


@pytest.mark.parametrize(("altitude_km", "beta"), [(400, 0), (400, 51.6), (1370, 30), (200, 65)])
def test_formula_against_stepping_round_the_orbit(altitude_km: float, beta: float) -> None:
    """A satellite is in the cylinder when it is behind the Earth and within its radius of the axis."""
    radius, earth, steps = 6378.137 + altitude_km, 6378.137, 200_000
    dark = 0
    for i in range(steps):
        angle = 2 * math.pi * i / steps
        to_sun = radius * math.cos(angle) * math.cos(math.radians(beta))
        off_axis = math.sqrt(radius * radius - to_sun * to_sun)
        dark += to_sun < 0 and off_axis < earth
    assert night_s(altitude_km, beta) == pytest.approx(period_s(altitude_km) * dark / steps, abs=0.2)


def test_openings_follow_sunrise() -> None:
    window = Window("sun", (), Orbit(400, 20, 600))
    spans = openings(window, zero=None, zero_planned=None, seen=None, horizon_s=4 * 3600)
    day = period_s(400) - night_s(400, 20)
    assert spans[0] == pytest.approx((600, 600 + day))
    assert spans[1][0] - spans[0][0] == pytest.approx(period_s(400))
    assert spans[1][0] - spans[0][1] == pytest.approx(night_s(400, 20))
    assert spans[-1][0] < 4 * 3600 <= spans[-1][0] + period_s(400)
