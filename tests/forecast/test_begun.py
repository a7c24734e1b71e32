"""Begun work counts in the projected ingress until a person gives it up, whatever is advised about it."""

from __future__ import annotations

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tracker.forecast.changed import moved
from tracker.forecast.estimate import estimate


def lamp(limit: str) -> Run:
    """At 0:10 EV1 is at the lamp (50 min, then 10); ahead lie 30 min of must work and 20 of closeout."""
    run = Run(
        task("lamp", step("fit", "EV1", 60), step("test", "EV1", 10), priority="get-ahead"),
        task("box", step("shut", "EV1", 30)),
        task("home", step("in", "EV1 EV2", 20), closeout=True),
        limits={"elapsed": limit},
    )
    run("noted", 600, text="the lamp is being fitted")
    return run


def test_figures_are_the_same_when_the_advice_is_known_already() -> None:
    for limit in ("1:30", "2:00"):
        here = lamp(limit).now
        found = estimate(here, scenarios=200)
        assert estimate(here, scenarios=200, advice=found.advice).as_json() == found.as_json()


def test_begun_work_that_fits_is_kept_and_counts() -> None:
    found = flat(lamp("2:00").now)
    assert (found.optional[0].begun, found.optional[0].advice) == (True, "keep")
    assert found.inside.p50 == (60 + 10 + 30 + 20) * 60


def test_begun_work_that_does_not_fit_counts_too_until_it_is_dropped() -> None:
    run = lamp("1:30")
    found = flat(run.now)
    assert found.optional[0].advice != "keep"
    assert found.advice.kept == frozenset()
    assert (found.inside.p50, found.safe) == (7200, 0.0)
    assert (found.without_optional_inside.p50, found.without_optional_safe) == ((10 + 30 + 20) * 60, 1.0)
    assert [t.finish.p50 for t in found.tasks if t.task == "lamp"] == [4200]
    # Called at 1:10 they are inside at the limit: the lamp is then behind them, the box is not begun.
    assert found.turn_back.latest == 4200
    then = run.now
    run("dropped", 660, task="lamp")
    after = flat(run.now)
    assert (after.inside.p50, after.safe) == (660 + (30 + 20) * 60, 1.0)
    parts = dict(moved(then, run.now, then=600, now=660, scenarios=50, prior=FLAT))
    assert sum(parts.values()) == 660 + (30 + 20) * 60 - 7200


def test_work_that_its_window_has_begun_since_the_last_event_is_begun() -> None:
    """Limit 0:45: 20 min of lamp, begun at 0:10 when its window opened, and 20 of closeout do not fit."""
    run = Run(
        task("lamp", step("fit", "EV1", 20, window="day"), priority="get-ahead"),
        task("home", step("in", "EV1 EV2", 20), closeout=True),
        limits={"elapsed": "0:45"},
        windows=[{"id": "day", "open": [["0:10", "2:00"]]}],
    )
    assert flat(run.now, 300).optional[0].begun is False
    found = flat(run.now, 1200)
    assert (found.optional[0].begun, found.tasks[0].status) == (True, "begun")
    assert found.inside.p50 == (30 + 20) * 60
