"""Turn-back: answers on paper, and against every instant tried."""

from __future__ import annotations

import pytest

from tests.calls import call_holds, inside_when_called
from tests.chance import Kind, chance
from tests.flat import flat
from tests.runs import Run, step, task
from tests.worlds import Ask, Store, Work, world
from tracker.forecast.figures import Alert
from tracker.forecast.kept_set import kept_set
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import _Finder, recall_course, turn_back
from tracker.forecast.world import World

MIN = 60.0


def paper(limit: float, closing: float = 20, **ask: object) -> World:
    """EV1: 60 min opens the cover, 60, then closes it, 60; EV2: 100, 120; joint closeout 30 and 40."""
    works = [
        Work("open", "EV1", 60 * MIN, opens="cover"),
        Work("a", "EV1", 60 * MIN),
        Work("b", "EV2", 100 * MIN),
        Work("shut", "EV1", closing * MIN, closes="cover"),
        Work("c", "EV1", 60 * MIN),
        Work("d", "EV2", 120 * MIN),
        Work("clean", "EV1 EV2", 30 * MIN, closeout=True),
        Work("home", "EV1 EV2", 40 * MIN, closeout=True),
    ]
    return world(works, limit * MIN, Ask(**ask))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("limit", "closing", "latest"),
    [
        (210, 20, 140),
        (205, 20, 115),
        (215, 20, 145),
        (150, 20, 60),
        (300, 20, 230),
        (255, 60, 185),
        (249, 60, 119),
    ],
)
def test_on_paper(limit: float, closing: float, latest: float) -> None:
    assert turn_back(TaskSets(paper(limit, closing)), ()).latest == latest * MIN


@pytest.mark.parametrize(
    ("called", "inside"), [(0, 70), (30, 120), (110, 200), (130, 210), (140, 210), (150, 220)]
)
def test_inside_when_called(called: float, inside: float) -> None:
    made = paper(210)
    judge = TaskSets(made)
    course = recall_course(made, made.present(()), judge.course(()))
    assert float(course.called(called * MIN).inside[0]) == inside * MIN


def test_inside_if_now_is_a_call_at_once() -> None:
    assert turn_back(TaskSets(paper(210)), ()).inside_if_now.p50 == 70 * MIN


def test_opening_a_cover_moves_turn_back_from_five_hours_to_four_oh_five() -> None:
    """Limit 6:00, an hour of closeout, 55 minutes to close the cover: 5:00 without it, 4:05 with it."""
    works = [
        Work("prepare", "EV1", 120 * MIN),
        Work("open", "EV1", 60 * MIN, opens="cover"),
        Work("repair", "EV1", 150 * MIN),
        Work("shut", "EV1", 55 * MIN, closes="cover"),
        Work("home", "EV1", 60 * MIN, closeout=True),
    ]
    found = turn_back(TaskSets(world(works, 360 * MIN)), ())
    assert (found.latest, found.mover) == (245 * MIN, "open")
    assert (found.moved_from, found.moved_to) == (300 * MIN, 245 * MIN)


def test_where_the_opening_comes_later_one_turns_back_before_it_or_is_committed() -> None:
    works = [
        Work("prepare", "EV1", 280 * MIN),
        Work("open", "EV1", 60 * MIN, opens="cover"),
        Work("shut", "EV1", 55 * MIN, closes="cover"),
        Work("home", "EV1", 60 * MIN, closeout=True),
    ]
    found = turn_back(TaskSets(world(works, 360 * MIN)), ())
    assert (found.latest, found.mover) == (280 * MIN, "open")
    assert (found.moved_from, found.moved_to) == (300 * MIN, 245 * MIN)


def test_an_item_that_is_open_now_has_to_be_closed_even_when_called_at_once() -> None:
    works = [
        Work("repair", "EV1", 150 * MIN, running=True),
        Work("shut", "EV1", 55 * MIN, closes="cover"),
        Work("home", "EV1", 60 * MIN, closeout=True),
    ]
    made = world(works, 360 * MIN, Ask(open_now={"cover": "open"}))
    found = turn_back(TaskSets(made), ())
    assert found.inside_if_now.p50 == 115 * MIN
    assert found.mover is None


def test_exactly_the_oxygen_for_a_turn_back_at_an_hour() -> None:
    """1 unit a minute outside, 1 more while at work: 60 working, 60 + 70 outside, all of 190 at 1:00."""
    works = [
        Work("work", "EV1", 200 * MIN, extra=1 / MIN),
        Work("home", "EV1", 70 * MIN, closeout=True),
    ]
    made = world(works, 600 * MIN, Ask(stores=[Store("EV1", 190.0, 0.0, 1 / MIN)]))
    assert turn_back(TaskSets(made), ()).latest == pytest.approx(60 * MIN, abs=1)


def test_when_not_even_now_does_there_is_no_latest() -> None:
    works = [Work("work", "EV1", 10 * MIN), Work("home", "EV1", 70 * MIN, closeout=True)]
    found = turn_back(TaskSets(world(works, 60 * MIN)), ())
    assert (found.latest, found.inside_if_now.p50) == (None, 70 * MIN)


def test_on_the_way_home_there_is_nothing_to_turn_back_from() -> None:
    works = [
        Work("clean", "EV1", 10 * MIN, closeout=True, running=True),
        Work("home", "EV1", 60, closeout=True),
    ]
    found = turn_back(TaskSets(world(works, 60 * MIN)), ())
    assert found.latest is None and found.homebound


@pytest.mark.parametrize(
    "kind",
    [Kind(20), Kind(20, two=True), Kind(20, windows=False), Kind(20, leaks=True, items=False)],
    ids=str,
)
def test_the_latest_call_is_the_last_second_that_holds(kind: Kind) -> None:
    found = 0
    for seed in range(12):
        made = chance(seed, kind)
        kept = kept_set(TaskSets(made)).tasks
        latest = turn_back(TaskSets(made), kept).latest
        if latest is None:
            assert not call_holds(made, kept, 0.0), seed
        else:
            assert call_holds(made, kept, latest), seed
            assert not call_holds(made, kept, latest + 1), seed
            found += 1
    assert found >= 4


def test_the_latest_call_is_where_halving_the_time_between_leads() -> None:
    """Of two thousand scenarios a part says where to look, and those that are settled are left out."""
    for seed in (1, 2, 5):
        made = chance(seed, Kind(2000, two=seed % 2 == 1))
        sets, kept = TaskSets(made), kept_set(TaskSets(made)).tasks
        finder = _Finder(sets, kept, recall_course(made, made.present(kept), sets.course(kept)))
        latest = finder.latest()
        assert latest is not None and len(finder.chosen) > 512
        low, high = int(latest) - 3000, int(latest) + 3000
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if finder.holds(middle) else (low, middle)
        assert latest == low, seed


def test_with_ways_home_no_later_instant_holds_on_a_grid_of_a_minute() -> None:
    for seed in range(6):
        made = chance(seed, Kind(20, homes=True, optional=3))
        latest = turn_back(TaskSets(made), ()).latest
        limit = int(made.limits[0].at)
        if latest is None:
            assert not call_holds(made, (), 0.0)
        else:
            assert call_holds(made, (), latest), seed
            assert not any(call_holds(made, (), at) for at in range(int(latest) + 1, limit, 60)), seed


def test_every_call_ends_as_played_step_by_step() -> None:
    for seed in range(6):
        made = chance(seed, Kind(10, homes=seed % 2 == 1))
        judge = TaskSets(made)
        course = recall_course(made, made.present((0, 1)), judge.course((0, 1)))
        for at in (0.0, 500.0, 1500.0, 2600.0, 4000.0):
            called = course.called(at)
            for n in range(made.scenarios):
                inside, elapsed, reserves = inside_when_called(made, (0, 1), n, at)
                assert called.inside[n] == pytest.approx(inside, abs=0.01)
                assert (not called.elapsed[n], not called.consumables[n]) == (elapsed, reserves)


def test_what_begins_at_the_instant_of_the_call_has_opened_nothing() -> None:
    """The plan of `paper` through a journal: called at 0 inside at 70 minutes, at 0:30 at 120."""
    run = Run(
        task("t", step("open", "EV1", 60, opens=["cover"]), step("shut", "EV1", 20, closes=["cover"])),
        task("u", step("a", "EV2", 100)),
        task("home", step("in", "EV1 EV2", 70), closeout=True),
    )
    for now, inside in ((0, 70), (30, 120)):
        assert flat(run.now, now * MIN).turn_back.inside_if_now.p50 == inside * MIN


def test_inside_if_now_is_what_a_call_now_brings() -> None:
    """Held until 0:50, and a step at a far site begun at the very instant: as the recall itself has it."""
    run = Run(
        task("near", step("1", "EV1", 20, site="near"), step("2", "EV2", 20, opens=["lid"])),
        task("far", step("1", "EV1", 30, site="far"), step("2", "EV2", 10, closes=["lid"])),
        task("home", {**step("walk", "EV1", 0), "time": "home"}, step("in", "EV1 EV2", 10), closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )
    run.done("near.1", at=1200)
    run("held", 1200, crew=["EV2"], until=3000)
    for minute, inside in ((20, 50 + 10 + 10), (22, 50 + 10 + 10)):
        found = flat(run.now, minute * 60).turn_back.inside_if_now.p50
        called = run.now.suppose({"kind": "called", "call": "home", "at": minute * 60})
        assert (found, flat(called).inside.p50) == (inside * 60, inside * 60)


def test_a_step_that_begins_as_they_are_called_is_no_place_to_come_home_from() -> None:
    run = Run(
        task("near", step("1", "EV1", 20, site="near")),
        task("far", step("1", "EV1", 30, site="far")),
        task("home", {**step("walk", "EV1", 0), "time": "home"}, step("in", "EV1 EV2", 10), closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )
    run.done("near.1", at=1200)
    called = run.now.suppose({"kind": "called", "call": "home", "at": 1200})
    assert flat(run.now).turn_back.inside_if_now.p50 == flat(called).inside.p50 == (20 + 10 + 10) * 60
    assert flat(run.now, 1260).turn_back.inside_if_now.p50 == (21 + 25 + 10) * 60


def test_who_handed_a_step_away_comes_home_from_its_site_and_its_new_owner_does_not() -> None:
    run = Run(
        task("near", step("1", "EV1", 40, site="near")),
        task("far", step("1", "EV2", 40, site="far"), step("2", "EV2", 30)),
        task("home", {**step("walk", "EV1", 0), "time": "home"}, {**step("wade", "EV2", 0), "time": "home"},
             closeout=True),
        sites={"near": {"home": "0:10"}, "far": {"home": "0:25"}},
    )  # fmt: skip
    run("handed", 1200, step="far.1", crew=["EV1"])
    called = run.now.suppose({"kind": "called", "call": "home", "at": 1500})
    for found in (flat(run.now, 1500).turn_back.inside_if_now, flat(called).ingress["EV2"]):
        assert found.p50 == (25 + 25) * 60
    assert flat(called).ingress["EV1"].p50 == (25 + 10) * 60


def test_a_closer_that_was_set_aside_is_taken_up_at_once_when_called() -> None:
    """Of 30 minutes 10 are done when EV2 hands the closing to EV1, who has other work before it."""
    run = Run(
        task("a", step("open", "EV2", 10, opens=["lid"]), step("1", "EV1", 80)),
        task("b", step("shut", "EV2", 30, closes=["lid"]), step("2", "EV2", 60)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        limits={"elapsed": "2:00"},
    )
    run.done("a.open", at=600)
    run("handed", 1200, step="b.shut", crew=["EV1"])
    assert flat(run.now).inside.p50 == (80 + 20 + 10) * 60
    made = flat(run.now).turn_back
    called = run.now.suppose({"kind": "called", "call": "home", "at": 1200})
    assert made.inside_if_now.p50 == flat(called).inside.p50 == (20 + 20 + 10) * 60
    assert made.latest == 120 * 60 - 10 * 60


def test_once_everybody_is_inside_a_call_changes_nothing() -> None:
    run = Run(
        task("a", step("1", "EV1", 10)),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    run.done("a.1", at=600)
    run.done("home.in", at=1200)
    made = flat(run.now, 3000)
    assert made.inside.p50 == made.turn_back.inside_if_now.p50 == 1200


def test_a_limit_of_those_who_are_inside_holds_nobody_back() -> None:
    """EV2 came in before the boat's limit; EV1 may stay out till ten minutes before three hours are over."""
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("home", step("in", "EV1", 10), closeout=True),
        limits={"elapsed": "3:00", "boat": {"at": "0:30", "crew": ["EV2"]}},
    )
    run("entered", 960, crew="EV2")
    for now in (1000, 2400):
        assert flat(run.now, now).turn_back.latest == (180 - 10) * MIN


HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)


def told(run: Run, now: float) -> dict[str, Alert]:
    """Return the alerts about turning for home."""
    return {alert.id: alert for alert in flat(run.now, now).alerts if alert.kind == "turn-back"}


def test_turn_home_stays_told_until_it_is_ten_minutes_ahead_again() -> None:
    run = Run(task("a", *(step(str(k), "EV1", 60) for k in range(1, 4))), HOME, limits={"elapsed": "3:00"})
    run.done("a.1", at=3600)
    run.done("a.2", at=7200)
    run("limited", 7300, limit="elapsed", value="2:40")
    assert told(run, 7300)["turn-back"].severity == "act"
    run("limited", 7400, limit="elapsed", value="2:50")
    near = told(run, 7400)
    assert [*near] == ["turn-back"] and near["turn-back"].severity == "act"
    assert near["turn-back"].text.startswith(
        "turn home by 2:10, in 6 min (no call kept every limit at 2:01): inside "
    )
    run("limited", 7500, limit="elapsed", value="3:00")
    assert list(told(run, 7500)) == ["turn-back:15"], "as near as it is, and no nearer"
    assert list(told(run, 8400 - 299)) == ["turn-back:5"]
    run("limited", 8110, limit="elapsed", value="3:03")
    assert list(told(run, 8110)) == ["turn-back:5"], "eight minutes ahead again"
