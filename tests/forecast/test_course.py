"""The recursion and what is read off it, against other ways to compute the same."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.bench.discrete import Played
from tests.bench.large import large
from tests.bench.large_text import Size
from tests.chance import Kind, chance
from tests.flat import flat
from tests.runs import Run, step, task
from tests.worlds import loses, waiting
from tracker.forecast.consumption import reserves_reached, weights
from tracker.forecast.limits import deadlines
from tracker.forecast.window_gaps import regular_gaps, wait_for_opening
from tracker.forecast.world import Account, World, advance, begin, inside
from tracker.plan.timeline import as_planned


def random_run(seed: int) -> Run:
    """Return an excursion with joint steps, needs, windows and optional work, all of which fits."""
    rng = random.Random(seed)
    tasks: list[dict[str, Any]] = []
    names: list[str] = []
    for t in range(rng.randint(2, 6)):
        steps = []
        for s in range(rng.randint(1, 5)):
            more: dict[str, Any] = {}
            if names and rng.random() < 0.3:
                more["needs"] = [rng.choice(names)]
            if rng.random() < 0.25:
                more |= {"window": rng.choice(["day", "link"])} | (
                    {"whole": True} if rng.random() < 0.5 else {}
                )
            steps.append(
                step(str(s), rng.choice(["EV1", "EV2", "EV1 EV2", "IV"]), rng.randint(1, 12), **more)
            )
        names += [f"t{t}.{s['id']}" for s in steps]
        tasks.append(task(f"t{t}", *steps))
    openings = [[f"{h}:{m:02d}", f"{h}:{m + 25:02d}"] for h in range(99) for m in (0, 30)]
    return Run(
        *tasks,
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        crew="EV1 EV2 IV",
        windows=[
            {"id": "day", "open": openings},
            {"id": "link", "open": [["0:10", "1:20"], ["1:45", "98:00"]]},
        ],
        zero_planned="2031-05-04T14:00:00Z",
        limits={"elapsed": "30:00"},
    )


@pytest.mark.parametrize("seed", range(40))
def test_without_spread_every_step_is_where_the_paper_timeline_has_it(seed: int) -> None:
    run = random_run(seed)
    made, paper = flat(run.now, scenarios=2), as_planned(run.now.plan)
    assert made.inside.p50 == paper.everybody_inside
    for figure in made.steps:
        assert (figure.start.p50, figure.finish.p50) == (paper.start[figure.step], paper.finish[figure.step])


def test_arrays_and_events_one_by_one_agree() -> None:
    """SimPy plays the same scenarios: ingress, and what is left of every consumable."""
    _, world = large(7, Size(optional=4, steps=120), scenarios=12)
    present = world.present(range(len(world.optional)))
    course = advance(world, begin(world), present)
    ours = inside(world, course)
    extra = np.stack([a.extra_per_s for a in world.accounts]) * weights(world, present)
    beyond = extra @ world.durations
    for n in range(12):
        played = Played(world, present, n)
        assert played.inside == pytest.approx(float(ours[n]), abs=0.05)
        for k, account in enumerate(world.accounts):
            used = loses(account, n, float(ours[n]), float(beyond[k, n]))
            assert played.left[k] == pytest.approx(float(account.level[n]) - used, rel=1e-3, abs=1e-3)


def crossing(world: World, account: Account, order: list[int], finish: dict[int, float], n: int) -> float:
    """Return when one crew member has used the store up, walking step by step in float64."""
    store = (float(account.level[n]) - account.reserve) / float(account.use[n])
    resting = waiting(account, n)
    used, now = 0.0, 0.0
    for i in order:
        worked = float(world.durations[i, n])
        start, rate = finish[i] - worked, resting + float(account.extra_per_s[i])
        if used + resting * (start - now) >= store:
            break
        used, now = used + resting * (start - now), start
        if used + rate * worked >= store:
            return now + (store - used) / rate
        used, now = used + rate * worked, finish[i]
    return now + (store - used) / resting


@pytest.mark.parametrize("share", [0.2, 0.6, 0.95])
def test_reserves_are_reached_where_a_walk_along_the_course_says(share: float) -> None:
    from dataclasses import replace

    _, world = large(3, Size(optional=3, steps=150), scenarios=60)
    world = replace(
        world, accounts=tuple(replace(a, level=a.level * np.float32(share)) for a in world.accounts)
    )
    present = world.present(())
    course = advance(world, begin(world), present)
    extra = np.stack([a.extra_per_s for a in world.accounts]) * weights(world, present)
    ours = np.maximum(inside(world, course), np.float32(0))
    reached = reserves_reached(world, present, course, (extra @ world.durations).astype(np.float32), ours)
    short = 0
    for account, row, until in zip(world.accounts, reached, deadlines(world, present), strict=True):
        c = world.crew.index(account.crew)
        order = [i for i in present if c in world.nodes[i].crew]
        for n in range(0, 60, 3):
            if until[n] < ours[n] - 0.1 and account.level[n] > account.reserve:
                short += 1
                finish = {i: float(course.finish[i][n]) for i in order}
                assert float(row[n]) == pytest.approx(crossing(world, account, order, finish, n), abs=0.5)
                assert row[n] <= ours[n]
            elif until[n] > ours[n] + 0.1:
                assert row[n] >= ours[n] - 0.05
    assert short > 0


@given(
    st.integers(2, 9),
    st.tuples(st.integers(10, 5000), st.integers(5, 4000), st.integers(0, 9000), st.integers(0, 60)),
    st.booleans(),
    st.lists(st.integers(0, 90_000), min_size=1, max_size=30),
)
def test_regular_gaps_do_what_gap_by_gap_does(
    count: int, times: tuple[int, int, int, int], closed_now: bool, starts: list[int]
) -> None:
    """Gaps that repeat, perhaps after one that is going on now, perhaps with a longer last opening."""
    open_s, shut_s, first, longer = times
    begins = first + open_s if closed_now else first
    gaps = [(begins + k * (open_s + shut_s), begins + k * (open_s + shut_s) + shut_s) for k in range(count)]
    now = [(0.0, float(first))] if closed_now and first else []
    whole = (*now, *gaps, (gaps[-1][1] + open_s + longer, float("inf")))
    edges = [edge for gap in whole for edge in gap if edge < 1e6]
    row = np.array([*starts, *edges], dtype=np.float32)
    wanted = np.array([_moved(float(t), whole) for t in row], dtype=np.float32)
    regular = regular_gaps(whole)
    if regular is not None:
        got = row.copy()
        regular.wait(got)
        assert np.array_equal(got, wanted)
        for alone, moved in zip(row, wanted, strict=True):
            one = np.array([alone, alone], dtype=np.float32)
            regular.wait(one)
            assert one[0] == one[1] == moved
        inside = row[row < regular.last]
        regular.wait_inside(inside, np.empty_like(inside))
        assert np.array_equal(inside, wanted[row < regular.last])
        latest = row.copy()
        regular.before(latest)
        assert latest.tolist() == [_moved_back(float(t), whole) for t in row]
    wait_for_opening(row, whole)
    assert np.array_equal(row, wanted)


def _moved(t: float, gaps: tuple[tuple[float, float], ...]) -> float:
    for close, opening in gaps:
        if close <= t < opening:
            return opening
    return t


def _moved_back(t: float, gaps: tuple[tuple[float, float], ...]) -> float:
    """Return the last instant not after t from which a wait ends by t: before a gap, if t lies in one."""
    return next((close for close, opening in gaps if close < t < opening), t)


def test_gaps_of_an_orbit_are_regular_and_irregular_ones_are_not() -> None:
    orbit = (*((600.0 + 5550 * k, 2700.0 + 5550 * k) for k in range(6)), (33900.0, float("inf")))
    assert regular_gaps(orbit) is not None
    assert regular_gaps((*orbit[:3], (17300.0, 19300.0), *orbit[4:])) is None
    late = (
        (0.0, 5000.0),
        *((8000.0 + 5550 * k, 10100.0 + 5550 * k) for k in range(3)),
        (24650.0, float("inf")),
    )
    assert regular_gaps(late) is not None
    early = (
        (0.0, 4000.0),
        *((20000.0 + 5550 * k, 22100.0 + 5550 * k) for k in range(3)),
        (36650.0, float("inf")),
    )
    assert regular_gaps(early) is None


@pytest.mark.parametrize("seed", range(20))
def test_rows_are_shared_and_never_written_to(seed: int) -> None:
    world = chance(seed, Kind(scenarios=8))
    present = world.present(range(len(world.optional)))
    course = advance(world, begin(world), present, starts=True)
    rows = [(row, row.copy()) for row in (*course.start.values(), *course.finish.values())]
    for kept in ((), (0,)):
        advance(world, begin(world), world.present(kept))
    half = advance(world, begin(world), present[: len(present) // 2])
    advance(world, half.fork(), present[len(present) // 2 :])
    assert all(np.array_equal(row, before) for row, before in rows)
