"""What ticks say together: order, pooling, suspicion, and powers that add up and move smoothly."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.forecast.late_ticks import Group, Tick, blocks, groups

ONE, TWO, BOTH = ("EV1",), ("EV2",), ("EV1", "EV2")


def tick(place: int, at: float, crew: tuple[str, ...] = ONE, planned_s: float = 600.0, **more: Any) -> Tick:
    plain = Tick(f"t.{place}", place, crew, "general", planned_s, at, at / 3600.0)
    return replace(plain, **more)


def single(found: list[Group]) -> dict[str, float]:
    """Return the power of each step for itself, by its first step."""
    return {g.ticks[0].step: g.power for g in found if not g.merged}


def total(found: list[Group]) -> dict[str, float]:
    """Return how much of each step is in some observation."""
    out: dict[str, float] = defaultdict(float)
    for group in found:
        for t in group.ticks:
            out[t.step] += group.power
    return dict(out)


def test_prompt_ticks_are_one_observation_each() -> None:
    found = groups([tick(0, 600.0), tick(1, 1250.0), tick(2, 1800.0)], 1.05)
    assert [g.merged for g in found] == [False, False, False]
    assert [g.took_s for g in found] == [600.0, 650.0, 550.0]
    assert [g.power for g in found] == [1.0, 1.0, 1.0]
    assert found[0].origin == "zero" and found[1].leaving == {"EV1": 1.0}


def test_a_batch_is_one_observation() -> None:
    found = [g for g in groups([tick(i, 3600.0) for i in range(6)], 1.05) if g.power > 0]
    assert len(found) == 1
    assert (found[0].took_s, found[0].planned_s, found[0].power) == (3600.0, 3600.0, 1.0)


def test_a_batch_of_a_minute_ticked_backwards_is_in_the_order_of_the_plan() -> None:
    found = blocks([tick(0, 3600.0), tick(1, 3590.0), tick(2, 3575.0)], 1.05)
    assert [b.ticks[0].place for b in found] == [0, 1, 2]
    assert [b.end for b in found] == [3600.0, 3600.0, 3600.0]


def test_a_step_done_long_before_one_that_comes_earlier_stays_before_it() -> None:
    assert [b.ticks[0].place for b in blocks([tick(0, 1200.0), tick(1, 600.0)], 1.05)] == [1, 0]


def test_another_crew_member_ticking_within_a_minute_changes_nothing() -> None:
    assert [b.end for b in blocks([tick(0, 640.0), tick(1, 600.0, TWO)], 1.05)] == [600.0, 640.0]


def test_short_steps_in_a_row_are_pooled_until_they_can_be_timed() -> None:
    chain = [tick(i, 60.0 * (i + 1), planned_s=60.0) for i in range(4)]
    assert [len(b.ticks) for b in blocks(chain, 1.05)] == [3, 1]


@pytest.mark.parametrize("change", [{"blind": True}, {"crew": TWO}, {"start": 70.0}])
def test_what_breaks_a_row_of_short_steps(change: dict[str, Any]) -> None:
    chain = [tick(0, 60.0, planned_s=60.0), tick(1, 120.0, planned_s=60.0, **change)]
    assert [len(b.ticks) for b in blocks(chain, 1.05)] == [1, 1]


def test_a_step_that_waited_for_something_begins_there_without_any_tick() -> None:
    found = groups([tick(0, 600.0), tick(1, 1800.0, start=1200.0)], 1.05)
    assert (found[1].origin, found[1].took_s, found[1].leaving) == ("free", 600.0, {})
    begun = groups([tick(0, 600.0), tick(1, 1800.0, start=1200.0, begun=True)], 1.05)[1]
    assert begun.origin == "begun"


def test_a_hold_that_ended_before_the_last_tick_is_no_begin() -> None:
    found = groups([tick(0, 600.0), tick(1, 1200.0, start=500.0)], 1.05)
    assert (found[1].origin, found[1].took_s) == ("tick", 600.0)


def test_time_away_and_time_that_nobody_hurries_is_left_out() -> None:
    found = groups([tick(0, 600.0), tick(1, 2000.0, away_s=700.0), tick(2, 3000.0, fixed_s=400.0)], 1.05)
    assert [g.took_s for g in found] == [600.0, 700.0, 600.0]


def test_a_late_tick_and_the_quick_one_after_it_share_their_time_by_degrees() -> None:
    found = groups([tick(0, 1000.0), tick(1, 1210.0)], 1.0)
    merged = [g for g in found if g.merged]
    assert len(merged) == 1 and 0.0 < merged[0].power < 1.0
    assert merged[0].took_s == 1210.0 and merged[0].planned_s == 1200.0
    assert single(found) == pytest.approx({"t.0": 1 - merged[0].power, "t.1": 1 - merged[0].power})


def test_a_joint_step_follows_both_of_its_crew() -> None:
    found = blocks([tick(0, 1000.0), tick(1, 1060.0, TWO), tick(2, 1060.0, BOTH)], 1.05)
    assert sum(found[2].before.values()) == pytest.approx(1.0)
    assert found[2].before[1] == pytest.approx(2.718281828 * found[2].before[0] / found[2].near[0])
    assert found[2].near[1] == 1.0 > found[2].near[0] > 0.8
    assert sum(found[2].leaving.values()) == pytest.approx(1.0)


def test_both_steps_after_a_joint_one_take_their_part_of_it() -> None:
    found = groups([tick(0, 1200.0, BOTH), tick(1, 1200.0), tick(2, 1200.0, TWO)], 1.05)
    merged = {tuple(t.step for t in g.ticks): g.power for g in found if g.merged}
    assert merged == pytest.approx({("t.0", "t.1"): 0.5, ("t.0", "t.2"): 0.5})
    assert total(found)["t.0"] == pytest.approx(1.0)


def test_a_batch_with_a_blind_step_says_nothing() -> None:
    found = groups([tick(0, 600.0), tick(1, 1200.0, blind=True), tick(2, 1200.0)], 1.05)
    assert all(g.blind for g in found if g.merged)


CREWS = st.sampled_from([ONE, TWO, BOTH])


@st.composite
def courses(draw: st.DrawFn) -> list[Tick]:
    """Return a dozen ticks, some of them at once."""
    at, out = 0.0, []
    for place in range(draw(st.integers(2, 9))):
        at += draw(st.sampled_from([0.0, 20.0, 200.0, 450.0, 700.0]))
        out.append(tick(place, at, draw(CREWS), draw(st.sampled_from([60.0, 200.0, 600.0]))))
    return out


@given(courses(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_order_in_which_ticks_are_told_does_not_matter(course: list[Tick], random: object) -> None:
    told = list(course)
    random.shuffle(told)  # type: ignore[attr-defined]
    assert groups(told, 1.05) == groups(course, 1.05)


@given(courses())
@settings(max_examples=60, deadline=None)
def test_no_step_counts_for_more_than_itself(course: list[Tick]) -> None:
    for power in total(groups(course, 1.05)).values():
        assert power <= 1.0 + 1e-9


@given(courses())
@settings(max_examples=60, deadline=None)
def test_what_is_past_stays_as_it_is_when_another_tick_comes(course: list[Tick]) -> None:
    course = [replace(t, planned_s=t.planned_s + 150.0) for t in course]
    more = [*course, tick(len(course), course[-1].at + 900.0, BOTH)]
    before, after = groups(course, 1.05), groups(more, 1.05)
    assert after[: len(before)] == before
