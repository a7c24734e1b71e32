"""Durations of the remaining steps in every scenario."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.runs import Run, step, task
from tracker.forecast.durations import Drawn, _believe, draw_durations
from tracker.forecast.estimate import estimate
from tracker.forecast.memory import Memory
from tracker.forecast.pace import Layout
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.pace_grid import scatter
from tracker.forecast.remaining import build_world
from tracker.forecast.step_pace import Ask
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress, Recorded
from tracker.plan.read import parse_plan

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
SURE = PacePrior(
    median=1.2, spread=0.0, drifts=(0.0,), weights=(1.0,), sigma=0.0, crew_spread=0.0, work_spread=0.0
)
NOISE_ALONE = replace(SURE, median=1.0, sigma=0.3, sigma_weight=1e6)
N = 4000
STEPS: tuple[dict[str, Any], ...] = (
    {"crew": ["EV1"], "time": "0:10", "work": "fasten"},
    {"crew": ["EV2"], "time": "0:12"},
    {"crew": ["EV1", "EV2"], "time": "0:15", "work": "carry"},
    {"crew": ["EV1"], "time": {"low": "0:05", "likely": "0:12", "high": "0:20"}},
    {"crew": ["EV2"], "time": "0:20", "fixed": True},
    {"crew": ["EV1"], "time": "0:21", "count": 7, "work": "fasten"},
    {"crew": ["EV2"], "time": "0:30"},
    {"crew": ["EV1", "EV2"], "time": "0:40"},
)


def fold(
    *events: tuple[str, float, dict[str, Any]], uuid: str = "u", steps: Iterable[dict[str, Any]] = STEPS
) -> Fold:
    plan = {
        "format": 1,
        "excursion": "Durations",
        "zero": "Out",
        "limits": {"elapsed": "6:00"},
        "crew": [{"id": "EV1", "name": "One"}, {"id": "EV2", "name": "Two"}],
        "tasks": [{"id": "t", "title": "All", "steps": [{"do": "It", **step} for step in steps]}],
    }
    start = Fold.start(parse_plan(json.dumps(plan), file="p.json", name="p"), uuid=uuid)
    whole = [("zero", 0.0, {"utc": "2031-05-04T14:00:00Z"}), *events]
    return start.add_all(
        Recorded(i, kind, at, True, ZERO + timedelta(seconds=at), "seat", body)
        for i, (kind, at, body) in enumerate(whole, start=1)
    )


def progress(*events: tuple[str, float, dict[str, Any]], uuid: str = "u") -> Progress:
    return fold(*events, uuid=uuid).progress()


def ask(progress: Progress, number: int, **changes: Any) -> Ask:
    step = progress.steps[f"t.{number}"].step
    middle = sum(progress.planned[step.id]) / 2.0
    first = Ask(
        step=step.id,
        crew=step.crew,
        work=step.work,
        likely=float(step.time.likely),
        low=step.time.low,
        high=step.time.high,
        fixed=step.fixed,
        count=step.count,
        counted=0,
        counted_worked_s=0.0,
        worked_s=0.0,
        running=False,
        begun=False,
        evidence=True,
        silent=False,
        clock_s=middle,
        left_s=None,
        left_worked_s=0.0,
    )
    return replace(first, **changes)


def going(progress: Progress, number: int, worked_s: float, **changes: Any) -> Ask:
    return ask(progress, number, worked_s=worked_s, running=True, begun=True, **changes)


def draw(progress: Progress, asks: Iterable[Ask], prior: PacePrior = DEFAULT_PRIOR) -> Drawn:
    return draw_durations(progress, list(asks), prior=prior, scenarios=N)


def median(row: Any) -> float:
    return float(np.median(row))


TICKED = (
    ("done", 900.0, {"step": "t.1"}),
    ("done", 1000.0, {"step": "t.2"}),
    ("done", 2300.0, {"step": "t.3"}),
)


def test_a_duration_depends_on_its_step_and_scenario_alone() -> None:
    here = progress(*TICKED)
    everything = draw(here, [ask(here, n) for n in range(4, 9)]).rows.copy()
    fewer = draw(here, [ask(here, n) for n in (8, 4, 6)]).rows
    assert (fewer[0] == everything[4]).all()
    assert (fewer[1] == everything[0]).all()
    assert (fewer[2] == everything[2]).all()


def test_added_work_of_a_new_kind_leaves_the_others_alone() -> None:
    here = progress(*TICKED)
    before = draw(here, [ask(here, n) for n in (4, 8)]).rows.copy()
    new = replace(ask(here, 7), step="extra.1", work="lubricate")
    after = draw(here, [ask(here, 4), new, ask(here, 8)]).rows
    assert np.allclose(after[[0, 2]], before, rtol=1e-5)
    assert abs(np.corrcoef(np.log(after[1]), np.log(draw(here, [ask(here, 7)]).rows[0]))[0, 1]) < 0.9


def test_the_same_journal_gives_the_same_numbers_whatever_was_asked_before() -> None:
    here, asks = progress(*TICKED), [ask(progress(*TICKED), n) for n in range(4, 9)]
    first = draw(here, asks).rows.copy()
    draw(progress(*TICKED[:1]), [ask(here, n) for n in range(2, 9)])
    draw(progress(*TICKED, uuid="another"), asks)
    draw(here, asks, replace(DEFAULT_PRIOR, sigma=0.2))
    amended = progress(("done", 700.0, {"step": "t.1"}), *TICKED[1:])
    draw(amended, asks)
    assert (draw(here, asks).rows == first).all()
    assert not (draw(amended, asks).rows == first).all()


def test_two_results_never_share_memory() -> None:
    here = progress()
    first = draw(here, [ask(here, 1)])
    kept = first.rows.copy()
    second = draw(here, [ask(here, 2)])
    assert not np.shares_memory(first.rows, second.rows)
    assert (first.rows == kept).all()


def test_without_any_spread_it_is_the_plan_at_the_given_pace() -> None:
    here = progress(*TICKED)
    asks = [ask(here, 4), ask(here, 5), ask(here, 6), going(here, 7, 500.0), going(here, 8, 9000.0)]
    rows = draw(here, asks, SURE).rows
    # Planned (likely) times also where there is a low and a high: without noise nothing lies between them.
    expected = [1.2 * 720, 1200.0, 1.2 * 1260, 1.2 * 1800 - 500.0, 0.0]
    assert np.allclose(rows, np.array(expected, dtype=np.float32)[:, None], rtol=2e-7)


def test_medians_and_spread_come_from_plan_and_prior() -> None:
    here = progress()
    prior = replace(NOISE_ALONE, median=1.1, crew={"EV2": (1.3, 0.0)}, work={"fasten": (0.8, 0.0)})
    rows = draw(here, [ask(here, n) for n in range(1, 9)], prior).rows
    crew = [1.0, 1.3, math.sqrt(1.3), 1.0, 1.0, 1.0, 1.3, math.sqrt(1.3)]
    work = [0.8, 1.0, 1.0, 1.0, 1.0, 0.8, 1.0, 1.0]
    planned = [600, 720, 900, math.sqrt(300 * 1200), 1200 / 1.1, 1260, 1800, 2400]
    for row, c, w, d in zip(rows, crew, work, planned, strict=True):
        assert median(row) == pytest.approx(1.1 * c * w * d, rel=0.02)
    assert np.log(rows[0]).std() == pytest.approx(0.3, rel=0.05)
    assert np.log(rows[3]).std() == pytest.approx(math.log(4.0) / 3.29 * 0.3 / 0.33, rel=0.05)
    assert np.ptp(rows[4]) == 0.0


def test_steps_done_slowly_slow_the_rest_and_are_published() -> None:
    fresh, slow = progress(), progress(*TICKED)
    before, after = (draw(p, [ask(p, 7), ask(p, 8)]) for p in (fresh, slow))
    assert median(after.rows[0]) > 1.1 * median(before.rows[0])
    # Both steps lie late in the plan: one crew in eight is believed to tire.
    assert before.pace["all"] == pytest.approx(1.06, abs=0.005)
    assert after.pace["all"] > 1.15
    one, two = after.pace["EV1"], after.pace["EV2"]
    assert min(one, two) < after.pace["all"] < max(one, two) or one == pytest.approx(two, abs=0.02)
    assert median(after.rows[1]) == pytest.approx(2400 * after.pace["all"], rel=0.05)


@pytest.mark.parametrize(("took", "typed"), [(0.0, 1e-12), (600.0, 0.01), (4800.0, 0.01)])
def test_fixed_steps_are_no_evidence(took: float, typed: float) -> None:
    """Beyond what another instant says of how ticks are typed."""
    before = progress(*TICKED)
    after = progress(*TICKED, ("done", 2300.0 + took, {"step": "t.5"}))
    paces = [draw(p, [ask(p, 7), ask(p, 8)]).pace for p in (before, after)]
    assert paces[0] == pytest.approx(paces[1], rel=typed)


@pytest.mark.parametrize("times", [3, 10, 100, 1e6])
def test_a_long_overrun_does_not_explode(times: float) -> None:
    """A step goes on for as long as it has taken, in the mean: half of them for 0.41 of that."""
    here = progress()
    drawn = draw(here, [going(here, 1, 600.0 * times), ask(here, 7)])
    assert np.isfinite(drawn.rows).all()
    assert (drawn.rows[0] >= 0).all() and (drawn.rows[0] == 0).mean() < 0.2 / times
    most = (math.sqrt(2.0) - 1.0) * 600.0 * times
    assert 0.4 * most < median(drawn.rows[0]) < 1.05 * most
    assert median(drawn.rows[1]) == pytest.approx(1800 * 1.05, rel=0.15)


def test_a_step_past_its_time_is_evidence_unless_it_may_not_be() -> None:
    here = progress()
    usual = median(draw(here, [ask(here, 1), ask(here, 6)]).rows[1])
    over = {
        "running": going(here, 1, 1500.0),
        "handed over": going(here, 1, 1500.0, evidence=False),
        "silent": going(here, 1, 1500.0, silent=True),
        "set aside": replace(going(here, 1, 1500.0), running=False),
    }
    moved = {name: median(draw(here, [a, ask(here, 6)]).rows[1]) / usual for name, a in over.items()}
    assert moved["running"] > 1.01
    assert moved["handed over"] == moved["silent"] == moved["set aside"] == 1.0


def test_a_step_that_runs_on_is_held_up_longer_unless_the_pace_file_is_sure_of_the_noise() -> None:
    here, late = progress(), [going(progress(), 1, 1800.0, evidence=False)]
    sure, unsure = (
        median(draw(here, late, replace(NOISE_ALONE, sigma_weight=w)).rows[0]) for w in (1000.0, 999.0)
    )
    assert unsure > 1.5 * sure


def test_no_scenario_changes_its_process_while_a_step_runs_on() -> None:
    here = progress(*TICKED)
    layout = Layout(("EV1", "EV2"), ("fasten", "general", "carry"), 1.0)
    before, after = (
        _believe(here, [going(here, 7, worked)], DEFAULT_PRIOR, layout, Memory()) for worked in (60.0, 3000.0)
    )
    assert (before.shares() == after.shares()).all()
    assert (after.mean[:, 0] > before.mean[:, 0]).all()


def test_within_the_grace_nothing_is_learned_from_a_step_under_way() -> None:
    here = progress()
    rows = [median(draw(here, [going(here, 1, worked), ask(here, 6)]).rows[1]) for worked in (1.0, 119.0)]
    assert rows[0] == rows[1]


def test_what_the_crew_says_is_left_counts_from_then_on() -> None:
    here = progress()
    said = going(here, 7, 2000.0, left_s=300.0, left_worked_s=2000.0)
    assert median(draw(here, [said], NOISE_ALONE).rows[0]) == pytest.approx(300.0, rel=0.03)
    later = draw(here, [replace(said, worked_s=2240.0)], NOISE_ALONE).rows[0]
    expected = stats.lognorm(0.3, scale=300.0).expect(lambda d: d, lb=240.0, conditional=True) - 240.0
    assert later.mean() == pytest.approx(expected, rel=0.05)


def test_counted_items_leave_their_share_with_mean_and_variance() -> None:
    here = progress()
    step = going(here, 6, 600.0, counted=3, counted_worked_s=600.0, evidence=False)
    row = draw(here, [step], NOISE_ALONE).rows[0].astype(float)
    whole = stats.lognorm(0.3 * scatter(1260.0), scale=1260.0)
    assert row.mean() == pytest.approx(whole.mean() * 4 / 7, rel=0.02)
    assert row.var() == pytest.approx(whole.var() * 4 / 7, rel=0.1)
    last = replace(step, counted=6, worked_s=900.0, counted_worked_s=900.0)
    assert draw(here, [last], NOISE_ALONE).rows[0].mean() == pytest.approx(whole.mean() / 7, rel=0.05)


def test_with_all_items_counted_nothing_is_left_but_the_tick() -> None:
    """Seven of seven at 1,100 of 1,260 s: no more time, and evidence of the whole step; waiting is none."""
    here = progress()
    done = going(here, 6, 1100.0, counted=7, counted_worked_s=1100.0)
    rows = draw(here, [done, ask(here, 7)]).rows
    assert (rows[0] == 0.0).all()
    late = draw(here, [replace(done, worked_s=3000.0), ask(here, 7)]).rows
    assert median(late[1]) == median(rows[1])
    slow = replace(done, worked_s=2400.0, counted_worked_s=2400.0)
    assert median(draw(here, [slow, ask(here, 7)]).rows[1]) > median(rows[1])


def test_counts_are_partial_evidence_and_a_late_item_too() -> None:
    here = progress()
    usual = median(draw(here, [ask(here, 6), ask(here, 7)]).rows[1])
    slow = going(here, 6, 1100.0, counted=3, counted_worked_s=1100.0)
    known = median(draw(here, [slow, ask(here, 7)]).rows[1])
    stuck = median(draw(here, [replace(slow, worked_s=1900.0), ask(here, 7)]).rows[1])
    assert usual < known < stuck


def test_a_second_later_the_end_is_at_most_two_seconds_later() -> None:
    here = fold(*TICKED).progress()
    ends = [estimate(here, now=now, scenarios=10_000).inside.p50 for now in range(2301, 2700, 3)]
    steps = np.diff(np.array(ends, dtype=float)) / 3.0
    assert (steps >= -1e-3).all()
    assert (steps <= 2.0).all()


def test_the_widest_noise_of_a_scenario_is_bounded() -> None:
    here = progress()
    row = draw(here, [ask(here, 1)], replace(NOISE_ALONE, sigma_weight=0.5)).rows[0]
    assert np.abs(np.log(row / 600.0)).max() < 3.0 * 0.3 * 5.0


def stood_at(
    *events: tuple[str, float, dict[str, Any]],
    together: int = 1,
    at: Iterable[float] = (36.0, 60.0, 120.0, 240.0),
) -> list[tuple[float, float]]:
    """Return (elapsed, median left), minutes, of a step of twelve that nobody ticks, of a crew on its plan.

    The four steps before it took what they had, ticked `together` at once, and the other one ticks on.
    """
    ours: list[dict[str, Any]] = [{"crew": ["EV1"], "time": "0:10"}] * 4
    ours += [{"crew": ["EV1"], "time": "0:12", "count": 6}, {"crew": ["EV1"], "time": "0:10"}]
    theirs = [{"crew": ["EV2"], "time": "0:10"}] * 30
    ticks: list[tuple[str, float, dict[str, Any]]] = [
        ("done", 600.0 * (together * (i // together) + together) + i, {"step": f"t.{i + 1}"})
        for i in range(4)
    ]
    ticks += [("done", 610.0 * (i + 1), {"step": f"t.{i + 7}"}) for i in range(29)]
    whole = fold(*sorted((*ticks, *events), key=lambda one: one[1]), steps=(*ours, *theirs))
    out = []
    for minutes in at:
        now = 2403.0 + 60.0 * minutes
        world = build_world(whole.until(at=now).progress(), now=now, scenarios=2000)
        place = next(i for i, node in enumerate(world.nodes) if node.step == "t.5")
        out.append((minutes, median(world.durations[place]) / 60.0))
    return out


@pytest.mark.parametrize(
    ("events", "together"),
    [
        ((), 1),
        ((), 2),
        ([("counted", 2403.0 + 340.0, {"step": "t.5", "count": 0})], 2),
        ([("counted", 2403.0 + 340.0, {"step": "t.5", "count": 2})], 1),
    ],
    ids=["no tick", "ticks for two", "none by a count", "two by a count"],
)
def test_a_step_stood_at_for_long_is_open_ended(events: Any, together: int) -> None:
    """At three times its time it is not about to end, and the longer it is stood at the longer it will be."""
    left = dict(stood_at(*events, together=together))
    assert left[240] > 1.8 * left[120] > 3.0 * left[60] > 3.5 * left[36]
    assert left[36] > 12.0 and left[240] > 0.4 * 240


def test_a_count_of_none_says_that_no_item_was_done_until_then() -> None:
    """Ticks come for two at once, so without a count the step would be taken for done."""
    count = ("counted", 2403.0 + 20.0 * 60.0, {"step": "t.5", "count": 0})
    without, known = (dict(stood_at(*events, together=2, at=(24.0,))) for events in ((), (count,)))
    assert known[24] > 2.5 * without[24]


def test_what_is_dropped_or_put_off_now_changes_nothing_of_a_step_at_work() -> None:
    run = Run(
        *(task(name, step("1", "EV1", 10), step("2", "EV1", 10)) for name in ("a", "b")),
        *(
            task(name, step("1", "EV1", minutes), priority="get-ahead")
            for name, minutes in (("c", 2), ("d", 30))
        ),
        task("home", step("in", "EV1", 20), closeout=True),
    )
    run.done("a.1", at=600)
    run.done("a.2", at=610)
    now = run.now
    deeds = ({"kind": "dropped", "task": "c"}, {"kind": "moved", "task": "c", "last": True})
    rows = []
    for then in (now, *(now.suppose({**deed, "at": 610}) for deed in deeds)):
        world = build_world(then, now=2400.0, scenarios=2000)
        rows.append(world.durations[[node.step for node in world.nodes].index("b.1")].copy())
    assert (rows[0] == rows[1]).all() and (rows[0] == rows[2]).all()
    assert 0.0 < (rows[0] == 0.0).mean() < 1.0
