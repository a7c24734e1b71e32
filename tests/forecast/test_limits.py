"""Limits as instants: the same answer as following each level, and counts instead of float shares."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.chance import Kind, chance, play
from tests.worlds import Ask, Store, Work, world
from tracker.forecast.limits import (
    ChanceConstraint,
    binding,
    breaches,
    deadlines,
    late,
    limit_results,
    needed,
)
from tracker.forecast.world import Course, World, advance, begin, inside, shut_out_by_window

NEVER = float("inf")


def _found(made: World, kept: tuple[int, ...] = ()) -> tuple[list[int], Course]:
    present = made.present(kept)
    course = advance(made, begin(made), present)
    return present, course


@pytest.mark.parametrize(
    "kind", [Kind(), Kind(homes=True, light=True), Kind(two=True), Kind(leaks=True)], ids=str
)
@pytest.mark.parametrize("seed", range(6))
def test_broken_is_what_following_every_level_says(seed: int, kind: Kind) -> None:
    made = chance(seed, kind)
    for kept in ((), tuple(range(len(made.optional)))):
        present, course = _found(made, kept)
        found = breaches(made, present, course)
        for n in range(made.scenarios):
            one = play(made, kept, n)
            assert (not found.elapsed[n]) == one.elapsed_kept, n
            assert (not found.consumables[n]) == one.reserves_kept, n
            assert inside(made, course)[n] == pytest.approx(one.inside, abs=0.01)


def test_a_reserve_met_exactly_on_paper_is_kept() -> None:
    """0.5 kg above reserve, 1e-4 a second waiting and as much again at work for 2000 s: good for 3000 s."""
    works = [Work("a", "EV1", 2000, extra=1e-4), Work("home", "EV1", 1000, closeout=True)]
    made = world(works, 3000, Ask(stores=[Store("EV1", 0.6, 0.1, 1e-4)]))
    present, course = _found(made)
    assert float(deadlines(made, present)[0][0]) == pytest.approx(3000, abs=0.01)
    assert breaches(made, present, course).safe[0]
    tighter = world(works, 3000, Ask(stores=[Store("EV1", 0.5999, 0.1, 1e-4)]))
    assert breaches(tighter, *_found(tighter)).consumables[0]


def test_a_store_that_only_work_takes_from_has_no_instant() -> None:
    works = [Work("a", "EV1", 100, extra=0.01), Work("home", "EV1", 50, closeout=True)]
    enough, short = (world(works, 1000, Ask(stores=[Store("EV1", level, 0.0, 0.0)])) for level in (1.0, 0.99))
    assert deadlines(enough, enough.present(()))[0][0] == NEVER
    assert breaches(enough, *_found(enough)).safe[0]
    assert breaches(short, *_found(short)).consumables[0]


def test_a_step_that_is_shut_out_counts_for_its_window_and_for_no_other_limit() -> None:
    works = [
        Work("a", "EV1", [100, 300]),
        Work("lit", "EV1", 50, gaps=((200, NEVER),), windows=("light",)),
        Work("after", "EV1", 50, gaps=((900, NEVER),), windows=("link",)),
        Work("home", "EV1", 50, closeout=True),
    ]
    made = world(works, 1000)
    present, course = _found(made)
    assert breaches(made, present, course).safe.tolist() == [True, False]
    by_window = shut_out_by_window(made, course)
    assert {name: mask.tolist() for name, mask in by_window.items()} == {"light": [False, True]}
    found = limit_results(made, present, course)
    assert {one.id: one.chance for one in found} == {"elapsed": 0.0, "window.light": 0.5}
    tightest = binding(found)
    assert tightest is not None and tightest.id == "window.light"


def test_binding_is_the_likeliest_and_among_equals_the_tightest() -> None:
    works = [Work("a", "EV1 EV2", [100, 200, 300, 400]), Work("home", "EV1 EV2", 0, closeout=True)]
    loose = world(works, 1000, Ask(limits={"boat": (500, "EV2")}))
    found = binding(limit_results(loose, *_found(loose)))
    assert found is not None and found.id == "boat" and found.chance == 0
    tight = world(works, 350, Ask(limits={"boat": (500, "EV2")}))
    found = binding(limit_results(tight, *_found(tight)))
    assert found is not None and (found.id, found.chance) == ("elapsed", 0.25)


@pytest.mark.parametrize(
    ("confidence", "scenarios", "count"),
    [(0.9, 10, 9), (0.9, 10_000, 9000), (0.7, 10, 7), (0.95, 10, 10), (0, 7, 0)],
)
def test_a_confidence_is_a_count(confidence: float, scenarios: int, count: int) -> None:
    """0.7 of 10 in floating point is 7.000000000000001 the other way round: shares would misjudge it."""
    assert needed(confidence, scenarios) == count


def test_two_confidences_are_judged_apart() -> None:
    works = [Work("a", "EV1", [100.0] * 8 + [300.0] * 2, extra=1.0), Work("home", "EV1", 0, closeout=True)]
    made = world(works, 200, Ask(stores=[Store("EV1", 310.0, 0.0, 0.001)], confidence=0.8, consumables=0.99))
    found = breaches(made, *_found(made))
    assert (int(found.elapsed.sum()), int(found.consumables.sum())) == (2, 0)
    assert ChanceConstraint.of(made).met(found.counts)
    assert not ChanceConstraint.of(replace(made, confidence_elapsed=0.9)).met(found.counts)


def test_a_hardware_clock_runs_from_the_done_of_another_step() -> None:
    works = [Work("off", "EV1", 100), Work("other", "EV1", [100, 200]), Work("on", "EV1", 50)]
    made = world(works, 1000, Ask(clocks=[("on", "off", 200.0)]))
    _, course = _found(made)
    mask = late(course, made.clocks[0])
    assert mask is not None and mask.tolist() == [False, True]
