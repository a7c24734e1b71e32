"""The estimate on plans without spread, against answers worked out on paper."""

from __future__ import annotations

from typing import Any

import pytest

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate, Range
from tracker.foundation.shown import spare

HOME = task("home", step("in", "EV1 EV2", 40, effort="moderate"), closeout=True)
OXYGEN = {"id": "oxygen", "unit": "kg", "start": 3.0, "reserve": 0.5, "per_hour": 0.1, "per_megajoule": 0.5}
REST = 0.1 / 3600 + 0.5e-6 * 120
"""Units a second at rest."""

# EV1: a 0-30, waits for EV2's x until 60, b 60-80, home 80-120. EV2: x 0-60, waits, home 80-120.
USED_EV1 = 0.2 + 0.5 * (1800 * 300 + 1800 * 120 + 1200 * 450 + 2400 * 300) / 1e6
USED_EV2 = 0.2 + 0.5 * (3600 * 200 + 1200 * 120 + 2400 * 300) / 1e6


def two(limit: str = "3:00", **oxygen: Any) -> Run:
    return Run(
        task("a", step("1", "EV1", 30, effort="moderate"), step("b", "EV1", 20, effort="heavy", needs=["x"])),
        task("x", step("1", "EV2", 60)),
        HOME,
        consumables=[OXYGEN | oxygen],
        limits={"elapsed": limit},
    )


def store(made: Estimate, crew: str) -> Any:
    return next(c for c in made.consumables if c.crew == crew)


def test_ingress_margin_and_course() -> None:
    made = flat(two().now)
    assert (made.inside.p10, made.inside.p50, made.inside.p90, made.inside.mean) == (7200,) * 4
    assert (made.limit, made.margin.p50, made.margin.p90, made.safe) == (10800, 3600, 3600, 1.0)
    figures = {s.step: (s.start.p50, s.finish.p10, s.finish.p50, s.finish.p90) for s in made.steps}
    assert figures["a.b"] == (3600, 4800, 4800, 4800)
    tasks = {t.task: (t.start.p50, t.finish.p50, t.status) for t in made.tasks}
    assert tasks == {"a": (0, 4800, "begun"), "x": (0, 3600, "begun"), "home": (4800, 7200, "open")}
    assert {c: r.p50 for c, r in made.ingress.items()} == {"EV1": 7200, "EV2": 7200}


def test_oxygen_at_ingress_and_reserve_reached_after_it() -> None:
    made = flat(two().now)
    for crew, used in (("EV1", USED_EV1), ("EV2", USED_EV2)):
        figure = store(made, crew)
        assert figure.now == 3.0
        assert figure.at_inside.p50 == pytest.approx(3.0 - used, abs=1e-5)
        assert figure.at_inside.p10 == figure.at_inside.p90
        assert figure.reserve_reached.p50 == pytest.approx(7200 + (2.5 - used) / (used / 7200), abs=0.05)
        assert figure.short == 0.0


def test_reserve_reached_before_ingress_lies_on_the_course() -> None:
    """With 1.0 kg to use: 0.32 in the first step, 0.158 while waiting, 0.3033 in b, the rest going in."""
    made = flat(two(start=1.5).now)
    figure = store(made, "EV1")
    before = 0.1 * 80 / 60 + 0.5 * (1800 * 300 + 1800 * 120 + 1200 * 450) / 1e6
    rate = 0.1 / 3600 + 0.5 * 300 / 1e6
    assert figure.reserve_reached.p50 == pytest.approx(4800 + (1.0 - before) / rate, abs=0.05)
    assert figure.short == 1.0
    assert made.safe == 0.0
    assert made.binding is not None and (made.binding.id, made.binding.chance) == ("EV1.oxygen", 1.0)


@pytest.mark.parametrize("start", [0.75, 0.85, 1.0, 1.2, 1.4, 1.7, 1.708, 2.0])
def test_reserve_is_reached_before_ingress_exactly_when_it_is_short(start: float) -> None:
    for figure in flat(two(start=start).now).consumables:
        early = figure.reserve_reached.p50 is not None and figure.reserve_reached.p50 < 7200
        assert early == (figure.short == 1.0)


def test_a_limit_is_an_instant_and_the_smallest_margin_binds() -> None:
    limits = {limit.id: limit for limit in flat(two().now).limits}
    assert {name: limit.margin.p50 for name, limit in limits.items()} == {
        "elapsed": 3600,
        "EV1.oxygen": pytest.approx((2.5 - USED_EV1) / (USED_EV1 / 7200), abs=0.05),
        "EV2.oxygen": pytest.approx((2.5 - USED_EV2) / (USED_EV2 / 7200), abs=0.05),
    }
    for limit in limits.values():
        assert limit.reached is not None and limit.margin.p50 is not None and limit.to_spare is not None
        assert limit.reached.p50 == pytest.approx(7200 + limit.margin.p50, abs=0.01)
        assert limit.to_spare == limit.margin.p50 // 60 * 60
    loose = flat(two().now).binding
    tight = flat(two(start=2.0).now).binding
    assert loose is not None and (loose.id, loose.chance) == ("elapsed", 0.0)
    assert tight is not None and (tight.id, tight.chance) == ("EV1.oxygen", 0.0)


def test_one_limit_is_one_instant_with_one_margin() -> None:
    """On many courses: the reserve's range is its limit's, and broken means reached before ingress."""
    made = estimate(two(start=1.9).now, 0, scenarios=400)
    for figure in made.consumables:
        limit = next(one for one in made.limits if one.id == f"{figure.crew}.{figure.consumable}")
        assert figure.reserve_reached == limit.reached and figure.short == limit.chance
        assert limit.to_spare == spare(figure.reserve_reached.p50, made.inside.p50)
        assert limit.margin.p90 is not None
        assert (limit.margin.p90 < 0) == (limit.chance > 0.1)


def test_a_named_limit_is_held_against_its_own_crew() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("x", step("1", "EV2", 60)),
        task("home", step("in-1", "EV1", 10), step("in-2", "EV2", 10), closeout=True),
        limits={"elapsed": "2:00", "boat": {"at": "0:50", "crew": ["EV1"]}},
    )
    made = {limit.id: limit for limit in flat(run.now).limits}
    assert made["boat"].to_spare == 600 and made["elapsed"].to_spare == 50 * 60
    assert made["boat"].reached == Range(3000, 3000, 3000, 3000)


def test_two_confidences_have_a_chance_each() -> None:
    run = Run(
        task("a", step("1", "EV1", 60)),
        consumables=[OXYGEN | {"start": 0.7, "crew": ["EV1"]}],
        limits={"elapsed": "2:00"},
        confidence={"elapsed": 0.9, "consumables": 0.99},
    )
    made = flat(run.now)
    assert (made.safe, made.safe_by) == (0.0, {"elapsed": 1.0, "consumables": 0.0})
    assert flat(two().now).safe_by is None


def test_how_fast_a_store_fell_between_its_last_two_readings() -> None:
    run = two()
    assert store(flat(run.now), "EV1").rate is None
    for at, value in ((600, 2.9), (1200, 2.8), (1800, 2.7)):
        run("reading", at, crew="EV1", consumable="oxygen", value=value)
    rate = store(flat(run.now), "EV1").rate
    assert rate is not None and rate.per_hour == pytest.approx(0.6)
    assert rate.planned == pytest.approx(3600 * (0.1 / 3600 + 0.5e-6 * 300))
    run("replaced", 1900, crew="EV1", consumable="oxygen", value=3.0)
    assert store(flat(run.now), "EV1").rate is None


def test_limits_of_some_crew_and_of_a_limited_reserve() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("x", step("1", "EV2", 60)),
        task("home", step("in-1", "EV1", 10), step("in-2", "EV2", 10), closeout=True),
        consumables=[OXYGEN],
        limits={"elapsed": "2:00", "boat": {"at": "0:50", "crew": ["EV1"]}},
    )
    made = {limit.id: limit for limit in flat(run.now).limits}
    assert (made["boat"].at, made["boat"].margin.p50, made["boat"].chance) == (3000, 600, 0.0)
    run("limited", 60, limit="boat", value=2000)
    run("limited", 60, limit="EV1.oxygen", value=2.9)
    found = flat(run.now)
    assert {limit.id: limit.chance for limit in found.limits} == {
        "elapsed": 0.0, "boat": 1.0, "EV1.oxygen": 1.0, "EV2.oxygen": 0.0,
    }  # fmt: skip
    assert store(found, "EV1").reserve == 2.9


def test_nothing_is_used_before_entering_but_at_rest_until_all_are_inside() -> None:
    run = Run(
        task("a", step("1", "EV1", 30, effort="moderate")),
        task("x", step("1", "EV2", 60)),
        task("home", step("in-1", "EV1", 10), step("in-2", "EV2", 10), closeout=True),
        consumables=[OXYGEN],
    )
    work = 0.1 * 40 / 60 + 0.5 * (1800 * 300 + 600 * 200) / 1e6
    waits = flat(run.now)
    assert store(waits, "EV1").at_inside.p50 == pytest.approx(3.0 - work - 1800 * REST, abs=1e-5)
    run.done("a.1", at=1800)
    run.done("home.in-1", at=2400)
    run("entered", 2400, crew="EV1")
    made = flat(run.now, 3000)
    assert store(made, "EV1").now == pytest.approx(3.0 - work, abs=1e-6)
    assert store(made, "EV1").at_inside.p50 == pytest.approx(3.0 - work, abs=1e-6)
    assert store(made, "EV2").at_inside.p50 == pytest.approx(
        3.0 - 0.1 * 70 / 60 - 0.5 * (4200 * 200) / 1e6, abs=1e-5
    )


def test_holds_and_waiting_so_far_count_at_rest() -> None:
    run = two()
    run("held", 600, crew=["EV1"])
    made = flat(run.now, 1200)
    spent = 0.1 * 1200 / 3600 + 0.5 * (600 * 300 + 600 * 120) / 1e6
    assert store(made, "EV1").now == pytest.approx(3.0 - spent, abs=1e-6)


def test_use_factors_of_a_step_and_a_shared_store() -> None:
    gas = {"id": "gas", "unit": "bar", "start": 100, "reserve": 10, "per_hour": 6.0, "per_megajoule": 2.0}
    run = Run(
        task("a", step("1", "EV1", 30, effort=300, use={"gas": 2.5})),
        task("x", step("1", "EV2", 60, effort=200)),
        task("home", step("in", "EV1 EV2", 10, effort=250, use={"gas": 1.5}), closeout=True),
        consumables=[gas | {"shared": True}],
    )
    clock = 6.0 * 70 / 60 + 1.5 * 6.0 * 30 / 60 + 0.5 * 6.0 * 10 / 60
    energy = 2.0 * (2.5 * 1800 * 300 + 1800 * 120 + 3600 * 200 + 2 * 1.5 * 600 * 250) / 1e6
    made = flat(run.now)
    (figure,) = made.consumables
    assert figure.crew == "*"
    assert figure.at_inside.p50 == pytest.approx(100 - clock - energy, abs=1e-3)
    assert [limit.id for limit in made.limits] == ["elapsed", "*.gas"]
    run.done("a.1", at=1800)
    run.done("x.1", at=3600)
    run.done("home.in", at=4200)
    (figure,) = flat(run.now).consumables
    assert figure.now == pytest.approx(100 - clock - energy, abs=1e-6)


def test_a_shared_store_that_runs_short_does_so_along_the_course() -> None:
    gas = {"id": "gas", "unit": "bar", "start": 20, "reserve": 0, "per_megajoule": 10.0}
    run = Run(
        task("a", step("1", "EV1", 30, effort=300)),
        task("x", step("1", "EV2", 60, effort=200)),
        task("home", step("in", "EV1 EV2", 60, effort=250), closeout=True),
        consumables=[gas | {"shared": True}],
    )
    used_in_an_hour = 10.0 * (1800 * 300 + 1800 * 120 + 3600 * 200) / 1e6
    (figure,) = flat(run.now).consumables
    assert figure.reserve_reached.p50 == pytest.approx(3600 + (20 - used_in_an_hour) / (10 * 500e-6), abs=0.1)
    assert figure.short == 1.0


def test_optional_work_is_in_the_estimate_only_when_advised() -> None:
    extra = task("g", step("1", "EV1", 30), priority="get-ahead")
    roomy = Run(task("a", step("1", "EV1", 30)), extra, HOME, limits={"elapsed": "2:00"})
    tight = Run(task("a", step("1", "EV1", 30)), extra, HOME, limits={"elapsed": "1:30"})
    with_it, without = flat(roomy.now), flat(tight.now)
    assert (with_it.inside.p50, with_it.without_optional_inside.p50) == (6000, 4200)
    assert (without.inside.p50, without.without_optional_inside.p50) == (4200, 4200)
    assert [o.advice for o in with_it.optional] == ["keep"]
    assert with_it.advice.kept == {"g"}
    step_g = next(s for s in without.steps if s.step == "g.1")
    assert step_g.start.p50 is None and step_g.status == "open"
    tight("chose", 0, task="g", choice="keep")
    committed = flat(tight.now)
    assert committed.inside.p50 == 6000 and committed.optional == () and committed.safe == 0.0


def test_statuses() -> None:
    run = Run(
        task("a", step("1", "EV1", 10), step("2", "EV1", 10), step("3", "EV1", 10)),
        task("b", step("1", "EV2", 10, needs=["a.2"]), step("2", "EV2", 10)),
        task("c", step("1", "EV1", 10), priority="get-ahead"),
        HOME,
    )
    run.done("a.1", at=600)
    run("skipped", 600, step="a.3")
    run("dropped", 600, task="c")
    made = {s.step: s for s in flat(run.now, 700).steps}
    assert {name: s.status for name, s in made.items()} == {
        "a.1": "done", "a.2": "current", "a.3": "skipped", "b.1": "waiting", "b.2": "open",
        "c.1": "dropped", "home.in": "open",
    }  # fmt: skip
    assert made["b.1"].waits_for == "need a.2"
    assert (made["a.1"].start.p50, made["a.1"].finish.p90) == (0, 600)
    run("held", 700, crew=["EV1"])
    assert {s.step: s.status for s in flat(run.now).steps}["a.2"] == "held"


def test_advice_given_is_taken_as_it_is() -> None:
    run = Run(task("a", step("1", "EV1", 30)), task("g", step("1", "EV1", 30), priority="get-ahead"), HOME)
    first = flat(run.now, 0)
    later = flat(run.now, 600, advice=first.advice)
    assert later.advice is first.advice and later.optional == first.optional


def test_shown_ranges_leave_far_steps_out() -> None:
    steps = [step(str(k), "EV1", 3) for k in range(60)]
    run = Run(task("a", *steps), HOME)
    shown = flat(run.now, 0, ranges="shown")
    everything = flat(run.now, 0)
    figures = {s.step: s for s in shown.steps}
    assert figures["a.5"] == next(s for s in everything.steps if s.step == "a.5")
    assert figures["a.50"].finish.p50 is None
    assert shown.tasks == everything.tasks and shown.inside == everything.inside


def test_equals_the_paper_timeline_for_any_flat_plan() -> None:
    from tracker.plan.timeline import as_planned

    run = two()
    made, paper = estimate(run.now, 0, scenarios=3, prior=FLAT), as_planned(run.now.plan)
    assert made.inside.p50 == paper.everybody_inside
    for figure in made.steps:
        assert (figure.start.p50, figure.finish.p50) == (paper.start[figure.step], paper.finish[figure.step])
