"""What the estimate says of how pace may change and how ticks come late."""

from __future__ import annotations

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.report import report
from tracker.forecast.wording import tires_words
from tracker.foundation.shown import pet_up
from tracker.foundation.text import percent

N = 4000


def long_day() -> Run:
    """Six hours of work of one crew member."""
    return Run(task("a", *(step(f"s{i}", "EV1", 20) for i in range(18))), crew="EV1")


def made(run: Run, **prior: float) -> Estimate:
    belief = PacePrior(processes=prior) if prior else None
    return estimate(run.now, scenarios=N, prior=belief)


def test_every_way_has_its_share_and_a_crew_that_tires_is_later_and_less_safe() -> None:
    found = {one.id: one for one in made(long_day()).processes}
    assert list(found) == ["steady", "wanders", "tires", "warms", "streaks"]
    assert abs(sum(one.share for one in found.values()) - 1.0) < 1e-9
    assert abs(found["tires"].share - 0.12) < 1 / N
    run = long_day()
    at = 0
    for i, took in enumerate((900, 1700, 1100, 1500, 950, 1650, 1300, 1000, 1600)):
        at += took
        run.done(f"a.s{i}", at=at)
    found = {one.id: one for one in made(run).processes}
    tires, steady = found["tires"], found["steady"]
    assert tires.inside is not None and steady.inside is not None
    assert tires.inside.p50 is not None and steady.inside.p50 is not None
    assert tires.inside.p50 > steady.inside.p50 + 300
    assert tires.safe is not None and steady.safe is not None and tires.safe < steady.safe


def test_what_it_comes_to_if_the_crew_tires_is_said_in_words() -> None:
    run = long_day()
    whole = made(run)
    tires = next(one for one in whole.processes if one.id == "tires")
    assert tires.inside is not None and tires.safe is not None
    said = f"inside {pet_up(tires.inside.p50)}, {percent(tires.safe, 0.9)}"
    assert tires_words(whole) == f"if the crew tires (1 in 8): {said}"
    assert f"  {tires_words(whole)}" in report(run.now, whole)
    assert tires_words(made(run, level=1.0)) is None


def test_the_parts_make_the_whole() -> None:
    whole = made(long_day())
    told = [one for one in whole.processes if one.safe is not None]
    assert sum(one.share for one in told) > 0.999
    safe = sum(one.share * one.safe for one in told if one.safe is not None)
    assert abs(safe - whole.safe) < 1e-9


def test_of_a_way_that_few_scenarios_have_only_the_share_is_told() -> None:
    found = {one.id: one for one in made(long_day(), level=0.97, tires=0.03).processes}
    assert found["tires"].share > 0.0 and found["tires"].inside is None and found["tires"].safe is None
    assert (found["warms"].share, found["warms"].inside) == (0.0, None)


def test_how_late_a_tick_came_is_seen_by_the_step_after_it() -> None:
    run = long_day()
    assert made(run).lateness == {"EV1": None}
    for i, at in enumerate((1211, 2423, 4007)):
        run.done(f"a.s{i}", at=at)
    before = made(run).lateness["EV1"]
    run.done("a.s3", at=4811)
    after = made(run).lateness["EV1"]
    assert before is not None and after is not None and 0.0 < after < before


def test_typed_minutes_are_a_habit_and_a_course_on_paper_has_none() -> None:
    run = long_day()
    for i in range(4):
        run.done(f"a.s{i}", at=1200 * (i + 1))
    habit = made(run).habit
    assert habit is not None and habit["minutes"] + habit["five_minutes"] > 0.95
    assert flat(run.now).habit is None
