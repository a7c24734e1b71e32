from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.plan.graph import around, before_each, circles, closure, sort_steps

NAMES = "abcdefgh"
graphs = st.dictionaries(st.sampled_from(NAMES), st.lists(st.sampled_from(NAMES), max_size=4))


def test_a_walk_goes_into_the_depth_and_comes_to_each_once() -> None:
    after = {"a": "bc", "b": "d", "c": "d", "d": "a"}
    assert list(closure("a", lambda one: after[one])) == ["a", "b", "d", "c"]
    assert list(closure("", lambda one: after[one])) == []


@settings(deadline=None)
@given(graphs, st.sampled_from(NAMES))
def test_all_that_is_reached_is_there_and_nothing_else(after: dict[str, list[str]], start: str) -> None:
    reached = {start}
    while more := {n for one in reached for n in after.get(one, ())} - reached:
        reached |= more
    assert set(closure([start], lambda one: after.get(one, ()))) == reached


@settings(deadline=None)
@given(graphs)
def test_each_follows_what_comes_before_it_or_is_stuck_behind_a_circle(before: dict[str, list[str]]) -> None:
    done, stuck = sort_steps(NAMES, before)
    assert sorted([*done, *stuck]) == list(NAMES)
    for place, step in enumerate(done):
        assert set(before.get(step, ())) <= set(done[:place])
    assert all(set(before[step]) & set(stuck) for step in stuck)
    assert bool(circles(NAMES, before)) == bool(stuck)


@pytest.mark.parametrize(
    ("before", "order"),
    [({}, "abc"), ({"a": "c"}, "bca"), ({"a": "cc", "c": "b"}, "bca"), ({"a": "x"}, "abc")],
)
def test_of_several_that_could_be_next_the_first_given_is(before: Mapping[str, str], order: str) -> None:
    assert sort_steps("abc", before) == (list(order), [])


def test_a_circle_in_words() -> None:
    before = before_each({"a": ["b"], "b": []}, {"EV1": ["a", "b"]})
    (circle,) = circles(["a", "b"], before)
    assert around(circle, before) == "a needs b, b is after a in the order of EV1"
