"""More work is never safer: the lemma on which the search prunes, and cases that break its conditions."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.chance import Kind, chance
from tests.worlds import Ask, Optional, Store, Work, world
from tracker.forecast.limits import breaches, closed, deadlines
from tracker.forecast.world import Course, World, advance, begin, inside


def _play(made: World, kept: frozenset[int]) -> Course:
    return advance(made, begin(made), made.present(kept), starts=True)


def _pairs(made: World) -> list[tuple[frozenset[int], frozenset[int]]]:
    """Every set closed under needs, with each such set that has one task more."""
    tasks = range(len(made.optional))
    sets = [frozenset(s) for size in range(len(tasks) + 1) for s in combinations(tasks, size)]
    sets = [s for s in sets if closed(made.optional, s) == s]
    return [(a, b) for a in sets for b in sets if a < b and len(b) == len(a) + 1]


@given(seed=st.integers(0, 10**6), two=st.booleans(), steps=st.integers(4, 16), optional=st.integers(1, 4))
@settings(max_examples=60, deadline=None)
def test_adding_a_task_never_makes_anything_earlier_or_safer(
    seed: int, two: bool, steps: int, optional: int
) -> None:
    made = chance(seed, Kind(8, steps, optional, two=two))
    for less, more in _pairs(made):
        a, b = _play(made, less), _play(made, more)
        for i, row in a.finish.items():
            assert (b.finish[i] >= row).all()
            assert (b.start[i] >= a.start[i]).all()
        assert (inside(made, b) >= inside(made, a)).all()
        later = zip(deadlines(made, made.present(less)), deadlines(made, made.present(more)), strict=True)
        # The deadlines are float32 sums: what is compared is more than they can round away.
        assert all((x >= y - 0.05).all() for x, y in later)
        fails, worse = (breaches(made, made.present(s), c) for s, c in ((less, a), (more, b)))
        assert not (fails.elapsed & ~worse.elapsed).any()
        assert np.count_nonzero(fails.consumables & ~worse.consumables) == 0


def test_work_lighter_than_waiting_breaks_it() -> None:
    """A condition of the lemma, broken: a task that fills waiting with something lighter saves oxygen."""
    works = [
        Work("light", "EV1", 600, "light", extra=-1e-4),
        Work("heavy", "EV2", 600),
        Work("home", "EV1 EV2", 600, closeout=True),
    ]
    made = world(works, 3600, Ask({"light": Optional()}, stores=[Store("EV1", 0.23, 0.0, 2e-4)]))
    without, with_it = (_play(made, frozenset(s)) for s in ((), (0,)))
    assert breaches(made, made.present(()), without).consumables[0]
    assert not breaches(made, made.present((0,)), with_it).consumables[0]


def test_a_way_home_breaks_it() -> None:
    """A condition of the lemma, broken: a task at a near site on the way shortens the way home."""
    works = [
        Work("far", "EV1", 600, site="far"),
        Work("near", "EV1", 60, "near", site="near"),
        Work("home", "EV1", 1, home=True, closeout=True),
    ]
    made = world(works, 3600, Ask({"near": Optional()}, sites={"far": 1800, "near": 300}))
    assert inside(made, _play(made, frozenset({0})))[0] < inside(made, _play(made, frozenset()))[0]
