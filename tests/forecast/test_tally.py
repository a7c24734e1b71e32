"""What steps take, summed while a course is played, is what the plain sums say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.large import large
from tests.bench.large_text import Size
from tracker.forecast.limits import beyond_waiting
from tracker.forecast.usage import Tally
from tracker.forecast.world import World, advance, begin


@pytest.fixture(scope="module")
def world() -> World:
    return large(2, Size(optional=3, steps=60), scenarios=40)[1]


def test_sums_of_a_course_and_of_its_fork_are_those_of_their_steps(world: World) -> None:
    whole, bare = world.present((0, 2)), world.present(())
    same = next(k for k, i in enumerate(whole) if world.nodes[i].groups)
    course, tally = begin(world), Tally.of(world)
    assert tally is not None
    course.sums = tally.rows()
    advance(world, course, whole[:same])
    fork, after = course.fork(), tally.fork()
    fork.sums = after.rows()
    advance(world, course, whole[same:])
    advance(world, fork, bare[same:])
    for nodes, found in ((whole, tally), (bare, after)):
        np.testing.assert_allclose(found.beyond_waiting(), beyond_waiting(world, nodes)[0], rtol=1e-5)


def test_a_way_home_counts_with_the_time_it_takes(world: World) -> None:
    last = len(world.nodes) - 1
    durations = world.durations.copy()
    durations[last] = 1.0
    nodes = (*world.nodes[:last], world.nodes[last]._replace(home={}, home_now=900.0))
    far = replace(world, nodes=nodes, durations=durations)
    course, tally = begin(far), Tally.of(far)
    assert tally is not None
    course.sums = tally.rows()
    advance(far, course, far.present(()))
    wanted = beyond_waiting(far, far.present(()))[0]
    np.testing.assert_allclose(tally.beyond_waiting(), wanted, rtol=1e-5)


def test_too_many_kinds_of_steps_are_not_summed_on_the_way(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.forecast.usage.MOST", 1)
    assert Tally.of(world) is None
    assert Tally.of(replace(world, accounts=())) is None
