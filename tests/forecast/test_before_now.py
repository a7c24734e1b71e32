"""What may have happened before now: steps done and not ticked, and since when in truth somebody is free."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.flat import FLAT
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.remaining import build_world, remaining_work
from tracker.forecast.world import World, advance, begin, inside

N = 2000


def two() -> Run:
    """EV1: a, b, c; EV2: x, y; then both: home."""
    return Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10), step("c", "EV1", 10)),
        task("two", step("x", "EV2", 30), step("y", "EV2", 10)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )


def world(run: Run, now: float) -> World:
    return build_world(run.now, now=now, scenarios=N)


def gaps(run: Run, name: str, now: float) -> tuple[tuple[str, float], ...]:
    """Return how much before its begin each of a step's crew ticked last."""
    work = remaining_work(run.now)
    return work.at(run.now, now)[1][work.net.place[name]].gaps_s


def test_a_step_in_progress_may_be_done_and_the_next_one_begun() -> None:
    run = two()
    run.done("one.a", at=1200)
    made = world(run, 3000)
    course = advance(made, begin(made), range(len(made.nodes)), starts=True)
    place = [node.step for node in made.nodes]
    b, c = place.index("one.b"), place.index("one.c")
    ready = made.ready[made.crew.index("EV1")]
    done = course.finish[b] < 0
    assert 0.01 < done.mean() < 0.9 and (ready <= 0).all()
    assert (course.start[c] == course.finish[b]).all()
    assert (made.durations >= 0).all()
    ahead = [one for one in estimate(run.now, 3000, scenarios=N).steps if one.status != "done"]
    assert all(one.finish.p10 is not None and one.finish.p10 >= 3000 for one in ahead)


def test_a_course_on_paper_knows_no_ticks_that_are_missing() -> None:
    run = two()
    run.done("one.a", at=1200)
    made = build_world(run.now, now=3000, scenarios=3, prior=FLAT)
    assert made.ready[made.crew.index("EV1")].tolist() == [0.0] * 3


def test_who_waits_has_been_free_since_their_last_step_was_done_in_truth() -> None:
    run = two()
    run.done("one.a", "one.b", "one.c", at=1800)
    ready = world(run, 2000).ready[0]
    assert (ready <= 0).all() and np.median(ready) < -200.0
    assert ready.std() > 5.0


def test_a_hold_that_ended_is_no_tick_and_one_in_force_ends_when_it_was_said() -> None:
    run = two()
    run.done("one.a", "one.b", "one.c", at=1800)
    run("held", 1900, crew=["EV1"], until=2600)
    assert set(world(run, 2000).ready[0].tolist()) == {600.0}
    run("resumed", 2100, crew=["EV1"])
    assert set(world(run, 2400).ready[0].tolist()) == {-300.0}


def test_nobody_goes_ahead_without_a_go() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10, hold_point="ask"), step("c", "EV1", 10)),
    )
    made = world(run, 1500)
    course = advance(made, begin(made), range(3), starts=True)
    assert (course.finish[0] < 0).any() and (course.start[1] >= 0).all()


def test_a_step_is_timed_from_the_tick_that_began_it() -> None:
    run = two()
    run.done("one.a", at=600)
    assert gaps(run, "one.b", 900) == (("EV1", 0.0),)
    run("held", 900, crew=["EV1"])
    run("resumed", 1000, crew=["EV1"])
    assert gaps(run, "one.b", 1100) == (("EV1", 0.0),)
    run.done("one.b", "one.c", at=1500)
    run.done("two.x", "two.y", at=2100)
    assert gaps(run, "in.home", 2200) == (("EV1", 600.0), ("EV2", 0.0))


@pytest.mark.parametrize("how", ["began", "taken up again"])
def test_a_step_that_began_otherwise_is_timed_from_there(how: str) -> None:
    run = two()
    run.done("one.a", at=600)
    if how == "began":
        run("began", 700, step="one.b")
    else:
        run("began", 700, step="one.c")
        run.done("one.c", at=1300)
    assert gaps(run, "one.b", 1400) == ()


def test_ticks_that_come_several_at_a_time_say_that_the_next_one_may_be_missing() -> None:
    """After two batches of three a step that is late is rather done than stuck."""
    ends = {}
    for name, instants in (
        ("prompt", (630, 1260, 1890, 2520, 3150, 3780)),
        ("three at once", (1890, 1890, 1890, 3780, 3780, 3780)),
    ):
        run = Run(task("one", *(step(f"s{i}", "EV1", 10) for i in range(12))), crew="EV1")
        for i, at in enumerate(instants):
            run.done(f"one.s{i}", at=at)
        made = build_world(run.now, now=4900, scenarios=N, prior=replace(DEFAULT_PRIOR, sigma=0.2))
        ends[name] = float((made.ready[0] < -120).mean())
    assert ends["three at once"] > 3 * ends["prompt"]


@pytest.mark.parametrize("ticked", ["each", "three at once", "by five minutes"])
def test_a_quarter_of_a_minute_of_one_tick_moves_the_end_by_three_minutes_at_most(ticked: str) -> None:
    took = (520, 760, 610, 480, 940, 590, 700, 530, 820, 640, 450, 690)
    at = [float(sum(took[: i + 1])) for i in range(12)]
    if ticked == "three at once":
        at = [at[i // 3 * 3 + 2] for i in range(12)]
    if ticked == "by five minutes":
        at = [300.0 * math.ceil(t / 300.0) for t in at]
    middle = []
    for moved, by in [(0, 0.0), *((i, by) for i in range(12) for by in (-15.0, 15.0))]:
        run = Run(task("one", *(step(f"s{i}", "EV1", 10) for i in range(24))), crew="EV1")
        for i, t in enumerate(at):
            run("done", t + (by if i == moved else 0.0), step=f"one.s{i}")
        made = build_world(run.now, now=8000, scenarios=4000)
        course = advance(made, begin(made), range(len(made.nodes)))
        middle.append(float(np.median(inside(made, course))) / 60.0)
    assert max(abs(one - middle[0]) for one in middle) < 3.0
