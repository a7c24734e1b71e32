"""What may remain, in which order, and when each step may start, on plans without spread."""

from __future__ import annotations

from typing import Any

import pytest

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tracker.forecast.figures import Estimate
from tracker.forecast.remaining import build_world
from tracker.forecast.world import World

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)
SKY = "2031-05-04T14:00:00Z"


def world(run: Run, now: float | None = None) -> World:
    return build_world(run.now, now=run.now.at if now is None else now, scenarios=4, prior=FLAT)


def span(made: Estimate, name: str) -> tuple[float | None, float | None]:
    """Return projected start and done in minutes."""
    figure = next(s for s in made.steps if s.step == name)
    start, finish = figure.start.p50, figure.finish.p50
    return (None if start is None else start / 60, None if finish is None else finish / 60)


def groups(made: World, name: str) -> set[str]:
    node = next(n for n in made.nodes if n.step == name)
    return {made.optional[g].task for g in node.groups}


def test_nodes_come_after_their_needs_and_in_crew_order() -> None:
    run = Run(
        task("a", step("1", "EV1", 10, needs=["b.2"]), step("2", "EV1", 10)),
        task("b", step("1", "EV2", 10), step("2", "EV2", 10), step("3", "EV1 EV2", 5, needs=["a.2"])),
        HOME,
    )
    made = world(run)
    place = {node.step: i for i, node in enumerate(made.nodes)}
    for i, node in enumerate(made.nodes):
        assert all(need < i for need in node.needs)
    assert place["b.1"] < place["b.2"] < place["a.1"] < place["a.2"] < place["b.3"] < place["home.in"]


def test_needs_of_a_step_that_may_be_left_out_are_inherited() -> None:
    run = Run(
        task("first", step("x", "EV1", 60)),
        task("extra", step("y", "EV2", 5, needs=["first"]), priority="get-ahead"),
        task("more", step("z", "EV1", 5, needs=["extra"]), priority="get-ahead"),
        task("last", step("w", "EV2", 5), priority="get-ahead", needs=["more"]),
        HOME,
    )
    made = world(run)
    w = next(n for n in made.nodes if n.step == "last.w")
    assert {made.nodes[need].step for need in w.needs} == {"more.z", "first.x"}
    needs = {task.task: {made.optional[k].task for k in task.needs} for task in made.optional}
    assert needs == {"extra": set(), "more": {"extra"}, "last": {"more", "extra"}}


def test_a_closer_lives_as_long_as_any_opener() -> None:
    run = Run(
        task("must", step("open", "EV1", 5, opens=["hatch"])),
        task("g", step("lift", "EV1", 5, opens=["cover"]), priority="get-ahead"),
        task(
            "h",
            step("shut", "EV2", 5, closes=["cover"]),
            step("close", "EV2", 5, closes=["hatch"]),
            step("rest", "EV2", 5),
            priority="get-ahead",
        ),
        HOME,
    )
    made = world(run)
    assert groups(made, "g.lift") == {"g"}
    assert groups(made, "h.shut") == {"g", "h"}
    assert groups(made, "h.close") == set()
    assert groups(made, "h.rest") == {"h"}
    run("began", 0, step="must.open")
    run.done("must.open", at=300)
    run("began", 300, step="g.lift")
    assert groups(world(run), "h.shut") == set()


def test_a_dropped_task_leaves_the_closer_of_its_open_item() -> None:
    run = Run(
        task(
            "g",
            step("lift", "EV1", 5, opens=["cover"]),
            step("look", "EV1", 20),
            step("shut", "EV1", 5, closes=["cover"]),
        ),
        HOME,
    )
    run("began", 0, step="g.lift")
    run.done("g.lift", at=300)
    run("dropped", 300, task="g")
    assert [node.step for node in world(run).nodes] == ["g.shut", "home.in"]
    assert flat(run.now).inside.p50 == (5 + 5 + 40) * 60


def test_what_committed_work_needs_is_as_good_as_committed() -> None:
    run = Run(
        task("a", step("1", "EV1", 10), priority="get-ahead"),
        task("b", step("1", "EV1", 10), priority="get-ahead", needs=["a"]),
        HOME,
    )
    assert [t.task for t in world(run).optional] == ["a", "b"]
    run("chose", 0, task="b", choice="keep")
    assert world(run).optional == ()
    assert flat(run.now).without_optional_inside.p50 == 60 * 60


def test_waits_for_need_crew_and_window() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), step("2", "EV1", 20, needs=["b.1"])),
        task("b", step("1", "EV2", 60), step("2", "EV2", 10, window="day")),
        HOME,
        windows=[{"id": "day", "open": [["0:00", "0:47"], ["1:32", "2:19"]]}],
        zero_planned=SKY,
    )
    made = flat(run.now)
    assert span(made, "a.2") == (60, 80)
    assert span(made, "b.2") == (92, 102)
    assert span(made, "home.in") == (102, 142)


@pytest.mark.parametrize(("before", "expected"), [(46, 46), (47, 92), (138, 138)])
def test_windows_are_half_open(before: int, expected: int) -> None:
    assert span(flat(windowed(before, window="day").now), "a.2")[0] == expected


def windowed(before: int, **more: Any) -> Run:
    return Run(
        task("a", step("1", "EV1", before), step("2", "EV1", 10, **more)),
        HOME,
        windows=[
            {"id": "day", "open": [["0:00", "0:47"], ["1:32", "2:19"]]},
            {"id": "link", "open": [["0:40", "1:40"], ["2:00", "3:00"]]},
        ],
        zero_planned=SKY,
    )


def test_a_list_of_windows_means_inside_all() -> None:
    assert span(flat(windowed(10, window=["day", "link"]).now), "a.2")[0] == 40
    assert span(flat(windowed(47, window=["day", "link"]).now), "a.2")[0] == 92
    assert span(flat(windowed(100, window=["day", "link"]).now), "a.2")[0] == 120


def test_whole_wants_the_planned_time_to_fit() -> None:
    fits = windowed(37, window="day", whole=True)
    assert span(flat(fits.now), "a.2")[0] == 37
    assert span(flat(windowed(38, window="day", whole=True).now), "a.2")[0] == 92


@pytest.mark.parametrize(("ticked", "shut"), [(139 * 60 - 1, False), (139 * 60, True)])
def test_shut_out_is_its_own_limit_and_nothing_is_infinite(ticked: int, shut: bool) -> None:
    run = windowed(100, window="day")
    run.done("a.1", at=ticked)
    run("held", ticked, crew=["EV1"])
    run("resumed", ticked, crew=["EV1"])
    made = flat(run.now, ticked)
    assert {limit.id: limit.chance for limit in made.limits if limit.id.startswith("window")} == (
        {"window.day": 1.0} if shut else {}
    )
    assert made.safe == (0.0 if shut else 1.0)
    assert made.binding is not None and made.binding.id == ("window.day" if shut else "elapsed")
    if shut:
        assert made.inside.p50 is None and made.inside.mean is None and made.margin.p90 is None


def test_a_hold_ends_now_or_at_its_until() -> None:
    run = Run(task("a", step("1", "EV1", 30)), HOME)
    run("held", 600, crew=["EV1"])
    assert span(flat(run.now, 900), "a.1") == (0, 35)
    run("held", 600, crew=["EV2"], until=4800)
    assert span(flat(run.now, 900), "home.in") == (80, 120)


def test_work_in_progress_keeps_what_it_has() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 10)), HOME)
    assert span(flat(run.now, 600), "a.1") == (0, 30)
    assert span(flat(run.now, 2400), "a.1") == (0, 40)
    run("began", 600, step="a.2")
    made = flat(run.now, 900)
    assert span(made, "a.2") == (10, 20)
    assert span(made, "a.1") == (0, 40)


def test_the_way_home_starts_at_the_last_site() -> None:
    run = Run(
        task("a", step("1", "EV1", 30, site="near"), step("2", "EV1", 20, site="far")),
        task("g", step("1", "EV2", 10, site="far"), priority="get-ahead"),
        task("home", {**step("walk", "EV1 EV2", 5), "time": "home"}, closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )
    assert span(flat(run.now), "home.walk") == (50, 75)
    run("dropped", 0, task="g")
    run.done("a.1", at=1800)
    run("skipped", 1800, step="a.2")
    assert span(flat(run.now), "home.walk") == (30, 40)
    run("began", 1800, step="home.walk")
    assert span(flat(run.now, 2100), "home.walk") == (30, 40)


def test_who_is_at_another_site_walks_home_from_there() -> None:
    run = Run(
        task("a", step("1", "EV1", 30, site="near")),
        task("g", step("1", "EV2", 60, site="far"), priority="get-ahead"),
        task("home", {**step("walk", "EV1 EV2", 5), "time": "home"}, closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )
    run.done("a.1", at=1800)
    assert span(flat(run.now), "home.walk") == (60, 85)
    run("dropped", 2400, task="g")
    assert span(flat(run.now), "home.walk") == (40, 65)


def test_who_was_at_no_site_has_no_way_home() -> None:
    """Work that is given up before anybody went to it is no place to come home from."""
    run = Run(
        task("a", step("1", "EV1", 30, site="near")),
        task("b", step("1", "EV2", 60)),
        task("g", step("1", "EV2", 60, site="far"), priority="get-ahead"),
        task("home", {**step("walk", "EV1 EV2", 5), "time": "home"}, step("in", "EV1 EV2", 5), closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )
    assert span(flat(run.now), "home.walk") == (120, 145)
    assert flat(run.now, 600).turn_back.inside_if_now.p50 == (10 + 10 + 5) * 60
    run("dropped", 600, task="g")
    assert span(flat(run.now), "home.walk") == (60, 70)
    run("called", 600, call="home")
    assert flat(run.now).inside.p50 == (10 + 10 + 5) * 60


def test_called_before_any_site_nobody_walks_home() -> None:
    run = Run(
        task("a", step("0", "EV1", 30), step("1", "EV1", 30, site="near")),
        task("home", {**step("walk", "EV1 EV2", 5), "time": "home"}, step("in", "EV1 EV2", 5), closeout=True),
        sites={"near": {"home": "0:10"}},
    )
    assert flat(run.now, 600).turn_back.inside_if_now.p50 == 900
    run("called", 600, call="home")
    assert flat(run.now).inside.p50 == 900


def test_a_step_without_an_owner_still_keeps_the_excursion_open() -> None:
    run = Run(task("a", step("1", "EV1", 30)), task("b", step("1", "EV2", 60)), HOME)
    run("entered", 600, crew="EV2")
    made = world(run)
    assert next(n for n in made.nodes if n.step == "b.1").crew == ()
    assert [made.crew[c] for c in made.counted] == ["EV1"]
    estimate = flat(run.now)
    assert estimate.ingress["EV2"].p50 == 600
    assert estimate.inside.p50 == 600 + 60 * 60


def test_the_recall_leaves_closers_and_closeout() -> None:
    run = Run(
        task("a", step("1", "EV1", 30, opens=["x"]), step("2", "EV1", 60), step("3", "EV1", 5, closes=["x"])),
        task("b", step("1", "EV2", 90)),
        HOME,
    )
    run.done("a.1", at=1800)
    run("called", 1900, call="home")
    made = flat(run.now)
    assert made.called == "home"
    assert [n.step for n in world(run).nodes] == ["a.3", "home.in"]
    assert made.inside.p50 == 1900 + 45 * 60
    run("called", 2000, call="at once")
    assert flat(run.now).called == "at once"
    assert flat(run.now).inside.p50 == 2000 + 40 * 60


def test_hardware_clocks_run_from_the_done_of_another_step() -> None:
    run = Run(
        task(
            "a",
            step("1", "EV1", 10),
            step("2", "EV1", 30),
            step("3", "EV1", 10, within={"of": "a.1", "time": "0:35"}),
        ),
        HOME,
    )
    made = flat(run.now)
    assert [(c.step, c.of, c.due, c.late) for c in made.clocks] == [("a.3", "a.1", None, 1.0)]
    run.done("a.1", at=600)
    made = flat(run.now)
    assert [(c.due, c.late) for c in made.clocks] == [(2700, 1.0)]
    run.done("a.2", at=1500)
    assert [c.late for c in flat(run.now).clocks] == [0.0]


def test_before_zero_everything_starts_at_pet_0() -> None:
    run = Run(task("a", step("1", "EV1", 30)), HOME, start=False)
    run("noted", -600, text="suits on")
    for now in (None, -60, 0, 900):
        made = flat(run.now, now)
        assert made.at == 0.0
        assert made.inside.p50 == 70 * 60
    assert {s.status for s in made.steps} == {"open"}


def test_an_instant_before_the_last_event_is_refused() -> None:
    run = Run(task("a", step("1", "EV1", 30)), HOME)
    run.done("a.1", at=1800)
    with pytest.raises(ValueError, match="before the last event"):
        flat(run.now, 1700)


def test_the_world_is_the_same_every_time() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV2", 20)), HOME)
    first, second = (build_world(run.now, now=60, scenarios=100) for _ in range(2))
    assert (first.durations == second.durations).all()


STORE = {"id": "oxygen", "unit": "kg", "start": 1.0, "reserve": 0.1, "per_hour": 1.0, "reading_sd": 0}


@pytest.mark.parametrize("shared", [False, True])
def test_once_everybody_is_inside_it_is_a_fact(shared: bool) -> None:
    """Work left over, and the time since, change neither the ingress nor what was kept by then."""
    run = Run(
        task("a", step("1", "EV1", 10)),
        task("g", step("1", "EV1 EV2", 30), priority="get-ahead"),
        HOME,
        limits={"elapsed": "1:00", "boat": {"at": "0:50", "crew": ["EV2"]}},
        consumables=[STORE | {"shared": shared}],
    )
    run.done("a.1", at=600)
    run("entered", 1800, crew="EV1")
    run("entered", 2400, crew="EV2")
    for now in (2400, 7200):
        made = flat(run.now, now)
        assert (made.inside.p50, made.safe) == (2400, 1.0)
        assert [limit.chance for limit in made.limits] == [0.0] * len(made.limits)
        assert (made.turn_back.latest, made.turn_back.homebound) == (None, True)


@pytest.mark.parametrize("shared", [False, True])
def test_a_reserve_that_was_not_there_at_ingress_stays_broken(shared: bool) -> None:
    run = Run(task("a", step("1", "EV1", 10)), HOME, consumables=[STORE | {"shared": shared}])
    run.done("a.1", at=600)
    run("entered", 1200, crew="EV1")
    run("entered", 3400, crew="EV2")
    for now in (3400, 7200):
        made = flat(run.now, now)
        name = "*.oxygen" if shared else "EV2.oxygen"
        assert {limit.id: limit.chance for limit in made.limits}[name] == 1.0
        assert (made.safe, made.consumables[-1].short) == (0.0, 1.0)


def test_a_closer_left_of_a_task_waits_for_nothing_in_place_of_abandoned_work() -> None:
    """Left out in advice as when dropped: its need on the step between falls away, with what that needs."""
    run = Run(
        task("x", step("1", "EV2", 60)),
        task(
            "a",
            step("open", "EV1", 10, opens=["lid"]),
            step("look", "EV1", 10, needs=["x"]),
            step("shut", "EV1", 5, closes=["lid"], needs=["a.look"]),
            priority="get-ahead",
        ),
        HOME,
    )
    run.done("a.open", at=600)
    made = flat(run.now, 700)
    assert made.inside.p50 == (60 + 10 + 5 + 40) * 60
    dropped = run.now.suppose({"kind": "dropped", "task": "a", "at": 700})
    assert made.without_optional_inside.p50 == flat(dropped).inside.p50 == (60 + 40) * 60
