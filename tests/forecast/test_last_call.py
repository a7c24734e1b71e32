"""Last calls: answers on paper, and the one pass against trying instants."""

from __future__ import annotations

import numpy as np
import pytest

from tests.chance import Kind, chance, play
from tests.worlds import Ask, Optional, Work, world
from tracker.forecast.last_call import first_step, last_call
from tracker.forecast.limits import with_needs
from tracker.forecast.world import World

MIN = 60.0
LAMP = {"lamp": Optional()}


def paper(x: float, **lamp: object) -> World:
    """EV1: must 60 min, get-ahead 20, must 30; EV2: must x; joint closeout 40; limit 6:30."""
    works = [
        Work("first", "EV1", 60 * MIN),
        Work("long", "EV2", x * MIN),
        Work("lamp", "EV1", 20 * MIN, "lamp", **lamp),  # type: ignore[arg-type]
        Work("then", "EV1", 30 * MIN),
        Work("home", "EV1 EV2", 40 * MIN, closeout=True),
    ]
    return world(works, 390 * MIN, Ask(LAMP))


def test_on_paper_the_get_ahead_may_start_until_five_hours() -> None:
    assert last_call(paper(340), 0, ()) == 300 * MIN


def test_no_last_call_when_the_other_crew_member_is_late_anyway() -> None:
    assert last_call(paper(360), 0, ()) is None


def test_a_window_that_closes_before_is_the_last_call() -> None:
    assert last_call(paper(340, gaps=((280 * MIN, np.inf),)), 0, ()) == 280 * MIN


def test_work_of_another_crew_member_that_needs_it_counts() -> None:
    works = [
        Work("first", "EV1", 60 * MIN),
        Work("lamp", "EV1", 20 * MIN, "lamp"),
        Work("after", "EV2", 100 * MIN, needs="lamp"),
        Work("then", "EV1", 30 * MIN),
        Work("home", "EV1 EV2", 40 * MIN, closeout=True),
    ]
    assert last_call(world(works, 390 * MIN, Ask(LAMP)), 0, ()) == 230 * MIN


def test_a_get_ahead_leaves_room_for_the_should_tasks_that_are_kept() -> None:
    works = [
        Work("lamp", "EV1", 20 * MIN, "lamp"),
        Work("photo", "EV1", 15 * MIN, "photo"),
        Work("home", "EV1", 40 * MIN, closeout=True),
    ]
    made = world(works, 100 * MIN, Ask({"lamp": Optional(), "photo": Optional("should")}))
    assert last_call(made, 0, ()) == 40 * MIN
    assert last_call(made, 0, {1}) == 25 * MIN
    assert last_call(made, 1, {0}) == 45 * MIN


def test_of_a_begun_task_the_next_step_is_meant_and_of_a_running_last_step_nothing() -> None:
    works = [
        Work("one", "EV1", 10 * MIN, "lamp", running=True),
        Work("two", "EV1", 20 * MIN, "lamp"),
        Work("home", "EV1", 40 * MIN, closeout=True),
    ]
    begun = Ask({"lamp": Optional(begun=True)})
    assert last_call(world(works, 100 * MIN, begun), 0, ()) == 40 * MIN
    assert last_call(world([works[0], works[2]], 100 * MIN, begun), 0, ()) is None


def _share(made: World, task: int, first: int, s: float) -> tuple[float, float, float]:
    """Shares of scenarios that keep everything, the elapsed limits, the reserves, started at s."""
    kept = with_needs(made.optional, [task])
    played = [play(made, kept, n, (first, s)) for n in range(made.scenarios)]
    both = sum(p.elapsed_kept and p.reserves_kept for p in played)
    return tuple(  # type: ignore[return-value]
        count / made.scenarios
        for count in (both, sum(p.elapsed_kept for p in played), sum(p.reserves_kept for p in played))
    )


def _does(made: World, task: int, first: int, s: float) -> bool:
    both, elapsed, reserves = _share(made, task, first, s)
    if made.confidence_joint:
        return both >= made.confidence_elapsed - 1e-9
    return elapsed >= made.confidence_elapsed - 1e-9 and reserves >= made.confidence_consumables - 1e-9


def _bisected(made: World, task: int, first: int) -> float | None:
    if not _does(made, task, first, 0.0):
        return None
    low, high = 0.0, 30000.0
    while high - low > 0.1:
        middle = (low + high) / 2
        low, high = (middle, high) if _does(made, task, first, middle) else (low, middle)
    return low


@pytest.mark.parametrize(
    "kind", [Kind(20), Kind(20, two=True), Kind(20, homes=True), Kind(20, leaks=True)], ids=str
)
def test_one_pass_equals_bisection(kind: Kind) -> None:
    found = 0
    for seed in range(10):
        made = chance(seed, kind)
        for task in range(len(made.optional)):
            first = first_step(made, task)
            if first is None:
                continue
            expected, got = _bisected(made, task, first), last_call(made, task, ())
            assert (expected is None) == (got is None), (seed, task)
            if expected is not None and got is not None:
                # 0.1 s is the bisection's own tolerance, 0.05 s what a limit may be missed by.
                assert got == pytest.approx(expected, abs=0.2), (seed, task)
                found += 1
    assert found >= 5
