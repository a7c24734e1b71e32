"""Draws: of the seed and of what they are for alone, and distributed as they should be."""

from __future__ import annotations

from statistics import fmean, pstdev

import pytest

from tracker.rehearsal.nature import Chance


def test_a_draw_depends_on_seed_and_names_alone() -> None:
    one, other = Chance(7), Chance(7)
    first = [one.uniform("a"), one.uniform("b"), one.normal("c", 3)]
    assert [other.normal("c", 3), other.uniform("b"), other.uniform("a")] == first[::-1]
    assert Chance(8).uniform("a") != first[0]


def test_names_are_kept_apart() -> None:
    assert Chance(1).uniform("ab", "c") != Chance(1).uniform("a", "bc")
    assert Chance(1).uniform(2) != Chance(12).uniform("")


def test_draws_are_spread_as_they_should_be() -> None:
    # Standard errors at 4,000 draws: 0.0046 for the mean of a uniform, 0.016 for that of a normal.
    chance = Chance(3)
    uniform = [chance.uniform("u", n) for n in range(4000)]
    normal = [chance.normal("n", n) for n in range(4000)]
    assert min(uniform) > 0 and max(uniform) < 1
    assert fmean(uniform) == pytest.approx(0.5, abs=0.02)
    assert fmean(normal) == pytest.approx(0.0, abs=0.07)
    assert pstdev(normal) == pytest.approx(1.0, abs=0.05)


def test_picks_are_all_reached_and_happenings_as_often_as_said() -> None:
    chance = Chance(5)
    assert {chance.pick("xyz", n) for n in range(60)} == set("xyz")
    assert fmean(chance.happens(0.3, n) for n in range(2000)) == pytest.approx(0.3, abs=0.05)
    with pytest.raises(ValueError, match="nothing to pick"):
        chance.pick([], "none")
