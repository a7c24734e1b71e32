"""What moved the projected ingress: causes that add up, on paper and on excursions by chance."""

from __future__ import annotations

import random
from typing import Any

import pytest

from tests.flat import FLAT
from tests.runs import Run, step, task
from tests.streams import random_plan, random_run
from tracker.forecast.changed import CORRECTIONS, moved
from tracker.forecast.estimate import estimate
from tracker.journal.kinds import HOLDS, WINDOWS

HOME = task("home", step("in", "EV1", 40), closeout=True)


def causes(run: Run, then: float, now: float) -> dict[str, float]:
    earlier = run.fold.until(at=then).progress()
    return dict(moved(earlier, run.now, then=then, now=now, scenarios=50, prior=FLAT))


def small(**more: Any) -> Run:
    return Run(
        task("a", step("1", "EV1", 30, work="fasten"), step("2", "EV1", 30, work="translate")),
        task("b", step("1", "EV1", 30, work="fasten")),
        task("c", step("1", "EV1", 20), priority="get-ahead"),
        HOME,
        crew="EV1",
        **more,
    )


def test_late_ticks_go_to_the_pace_of_their_kind_of_work() -> None:
    run = small()
    run.done("a.1", at=2100)
    run.done("a.2", at=3840)
    found = causes(run, 0, 3900)
    assert found == pytest.approx({"pace of fasten": 300, "pace of translate": -60})


def test_a_hold_goes_to_holds_also_while_it_lasts() -> None:
    run = small()
    run("held", 600)
    assert causes(run, 300, 900) == pytest.approx({HOLDS: 300})
    run("resumed", 1200)
    run.done("a.1", at=2400)
    assert causes(run, 300, 2500) == pytest.approx({HOLDS: 600})


def test_added_dropped_retimed_and_new_limits_each_have_their_cause() -> None:
    run = small()
    run("added", 60, task=task("extra", step("1", "EV1", 12)), last=True)
    run("retimed", 120, step="b.1", time="0:45")
    run("dropped", 180, task="a")
    assert causes(run, 30, 200) == pytest.approx(
        {"added work": 720, "retimed steps": 900, "dropped work": 180 - 3600}
    )


def test_optional_work_that_no_longer_fits_has_its_own_cause() -> None:
    run = small(limits={"elapsed": "2:40"})
    run("limited", 60, limit="elapsed", value="2:20")
    assert causes(run, 30, 120) == pytest.approx({"c out": -1200})


def test_waiting_for_a_window_is_told_apart_from_the_pace_that_made_it_miss() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("lit", "EV1", 10, window="light")),
        HOME,
        crew="EV1",
        windows=[{"id": "light", "open": [["0:00", "0:35"], ["2:00", "5:00"]]}],
    )
    run.done("a.1", at=2400)
    found = causes(run, 0, 2500)
    assert found == pytest.approx({"pace of general": 600, WINDOWS: 7200 - 2400})


def test_what_was_entered_late_is_a_correction() -> None:
    run = small()
    earlier = run.now
    run("held", 600)
    run("resumed", 900)
    found = dict(moved(earlier, run.now, then=1000, now=1000, scenarios=50, prior=FLAT))
    assert found == pytest.approx({CORRECTIONS: 300})


def test_nothing_moved_nothing_said() -> None:
    assert causes(small(), 0, 1000) == {}


@pytest.mark.parametrize("seed", range(6))
def test_the_parts_add_up_to_the_change_of_the_median(seed: int) -> None:
    rng = random.Random(seed)
    fold = random_run(rng, random_plan(rng), 25)
    later = fold.progress()
    if later.closed is not None:
        later = fold.until(at=later.at * 0.8).progress()
    then = later.at * 0.3
    earlier = fold.until(at=then).progress()
    now = later.at + 60
    parts = moved(earlier, later, then=then, now=now, scenarios=200)
    before, after = (
        estimate(earlier, then, scenarios=200).inside.p50,
        estimate(later, now, scenarios=200).inside.p50,
    )
    if before is None or after is None:
        assert parts == ()
    else:
        assert sum(seconds for _, seconds in parts) == pytest.approx(after - before, abs=1e-6)
    assert len({cause for cause, _ in parts}) == len(parts)
