"""What sets come to does not depend on which other sets were asked about before."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from tests.chance import Kind, chance
from tracker.forecast.last_call import last_calls
from tracker.forecast.limits import breaches, closed
from tracker.forecast.task_sets import TaskSets, played
from tracker.forecast.world import World, advance, begin, inside

KINDS = [Kind(), Kind(homes=True), Kind(clocks=True, two=True)]


def _sets(made: World, rng: random.Random, count: int) -> list[frozenset[int]]:
    tasks = range(len(made.optional))
    chosen = ([m for m in tasks if rng.random() < 0.6] for _ in range(count))
    return [closed(made.optional, some) for some in chosen]


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_a_set_comes_to_the_same_whatever_was_asked_before(kind: Kind) -> None:
    for seed in range(8):
        rng, made = random.Random(seed), chance(seed, kind)
        asked = TaskSets(made)
        for kept in _sets(made, rng, 8):
            asks: list[Callable[[frozenset[int]], object]] = [
                asked.outcome,
                asked.median,
                asked.course,
                partial(last_calls, asked),
            ]
            rng.choice(asks)(kept)
            present = made.present(kept)
            course = advance(made, begin(made), present, starts=True)
            found = breaches(made, present, course)
            outcome = asked.outcome(kept)
            assert outcome.failing.any == np.count_nonzero(~found.safe)
            assert outcome.failing.elapsed == np.count_nonzero(found.elapsed)
            assert np.array_equal(outcome.inside, inside(made, course))
            assert last_calls(asked, kept) == last_calls(TaskSets(made), kept)
            got = asked.course(kept)
            assert all(np.array_equal(got.start[i], course.start[i]) for i in present)
            assert all(np.array_equal(got.finish[i], course.finish[i]) for i in present)


def test_one_start_is_known_even_where_the_other_course_knows_none() -> None:
    made = chance(3)
    base = played(made, made.present(range(5)))
    for kept in ((), (0, 1), (0, 1, 2, 3, 4)):
        present = made.present(kept)
        wanted = advance(made, begin(made), present, starts=True)
        for i in present:
            assert np.array_equal(played(made, present, base, start_of=i).course.start[i], wanted.start[i])
