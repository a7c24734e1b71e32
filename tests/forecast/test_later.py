"""Optional work that is put off to the end, where that costs nothing; and when turn-back was due."""

from __future__ import annotations

from typing import Any

import pytest

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate, OptionalFigure
from tracker.forecast.memory import Memory

HOME = task("home", step("in", "EV1 EV2", 20), closeout=True)


def run_of(*, limit: str, behind: bool = True, **more: Any) -> Run:
    """A get-ahead of half an hour that comes before an hour of must work, or after it."""
    photos = task("photos", step("1", "EV1", 30), priority="get-ahead", **more)
    must = task("b", step("1", "EV1", 60))
    tasks = [photos, must] if behind else [must, photos]
    return Run(task("a", step("1", "EV1", 30)), *tasks, HOME, limits={"elapsed": limit})


def photos_of(made: Estimate) -> OptionalFigure:
    (figure,) = (one for one in made.optional if one.task == "photos")
    return figure


def in_doubt(run: Run) -> Estimate:
    """Return an estimate at zero by the built-in belief, which has a wide range."""
    return estimate(run.now, 0, scenarios=1000)


def test_what_does_not_hold_is_put_off_and_judged_there() -> None:
    run = run_of(limit="3:00")
    made = in_doubt(run)
    figure = photos_of(made)
    assert (figure.advice, figure.place) == ("later", "last") and not made.advice.kept
    moved = run.now.suppose({"kind": "moved", "task": "photos", "last": True, "at": 0})
    there = photos_of(estimate(moved, 0, scenarios=1000))
    assert (there.advice, there.place) == ("decide", None)
    assert (figure.last_call, figure.in_time) == (there.last_call, there.in_time)
    # Nothing is lost by it: what is counted stays what it was.
    assert estimate(moved, 0, scenarios=1000).inside == made.inside
    assert "putting it off costs nothing" in figure.reason


def test_not_where_no_must_work_comes_after_it() -> None:
    made = in_doubt(run_of(limit="3:00", behind=False))
    assert (photos_of(made).advice, photos_of(made).place) == ("decide", None)


def test_must_work_of_somebody_else_counts_and_closeout_does_not() -> None:
    photos = task("photos", step("1", "EV1", 30), priority="get-ahead")
    other = task("b", step("1", "EV2", 60), priority="should")
    for must, advice in (("must", "later"), ("should", "decide")):
        run = Run(task("a", step("1", "EV1", 60)), photos, other | {"priority": must}, HOME,
                  limits={"elapsed": "2:30"})  # fmt: skip
        assert photos_of(in_doubt(run)).advice == advice


def test_neither_what_is_kept_nor_begun_nor_hopeless() -> None:
    assert photos_of(in_doubt(run_of(limit="6:30"))).advice == "keep"
    run = run_of(limit="3:00")
    run("began", 0, step="photos.1")
    assert photos_of(in_doubt(run)).advice != "later"
    # Half an hour with the way home behind it does not fit on any of the courses.
    assert photos_of(flat(run_of(limit="1:55").now)).advice == "drop"


def test_what_another_one_needs_cannot_be_moved_behind_it() -> None:
    lens = task("lens", step("1", "EV1", 5), priority="get-ahead")
    photos = task("photos", step("1", "EV1", 25), priority="get-ahead", needs=["lens"])
    run = Run(
        task("a", step("1", "EV1", 30)), lens, photos, task("b", step("1", "EV1", 60)), HOME,
        limits={"elapsed": "2:45"},
    )  # fmt: skip
    advice = {one.task: (one.advice, one.place) for one in in_doubt(run).optional}
    assert advice == {"lens": ("decide", None), "photos": ("later", "last")}


def test_the_same_whatever_was_asked_before() -> None:
    run = run_of(limit="3:00")
    run.done("a.1", at=1900)
    warm = [estimate(run.now, 1900 + s, scenarios=300).advice for s in (0, 60)]
    assert warm == [estimate(run.now, 1900 + s, scenarios=300, memory=Memory()).advice for s in (0, 60)]


def under_way() -> Run:
    """An excursion that cannot keep its limit unless it is called home in time."""
    a, b = task("a", step("1", "EV1", 30)), task("b", step("1", "EV1", 60))
    run = Run(a, b, HOME, limits={"elapsed": "1:30"})
    run.done("a.1", at=1800)
    return run


def late(run: Run, minutes: float) -> tuple[float | None, float | None]:
    turn = flat(run.now, minutes * 60).turn_back
    return turn.latest, turn.was_due


def test_when_turn_back_was_due() -> None:
    run = under_way()
    assert late(run, 30) == (70 * 60, None)
    assert late(run, 71) == (None, 70 * 60)
    run("noted", 4300, text="nothing new")
    run("limited", 4320, limit="elapsed", value="1:25")
    assert late(run, 73) == (None, 70 * 60)
    run("called", 4400, call="home")
    run.done("home.in", at=5700)
    assert late(run, 95) == (None, None)


def test_what_was_due_stays_on_the_way_home() -> None:
    run = under_way()
    run("called", 2400, call="home")
    made = flat(run.now, 2500)
    assert made.turn_back.homebound
    assert made.turn_back.was_due == pytest.approx(70 * 60)
