"""Handing over, moving, adding, retiming, limits, readings and decisions."""

from __future__ import annotations

import pytest

from tests.runs import Run, step, task
from tracker.foundation.errors import EventError

AIR = {"id": "air", "unit": "kg", "start": 0.8, "reserve": 0.1, "per_hour": 0.1}
GAS = {"id": "gas", "unit": "bar", "start": 200, "reserve": 50, "per_hour": 10, "shared": True}


def three() -> Run:
    """EV1: a, b, c of three tasks; EV2: x, y, z of the same; home together."""
    return Run(
        task("one", step("a", "EV1", 10), step("x", "EV2", 10)),
        task("two", step("b", "EV1", 10), step("y", "EV2", 10)),
        task("three", step("c", "EV1", 10), step("z", "EV2", 10), priority="get-ahead"),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
        consumables=[AIR, GAS],
    )


def test_a_handed_step_keeps_its_place_in_the_new_owners_order() -> None:
    run = three()
    run("handed", 100, step="two.b", crew=["EV2"])
    assert run.order("EV1") == ("one.a", "three.c", "in.home")
    assert run.order("EV2") == ("one.x", "two.b", "two.y", "three.z", "in.home")
    assert run.step("two.b").crew == ("EV2",)
    assert run.step("two.b").step.crew == ("EV1",)
    assert run.step("two.b").evidence


def test_handing_the_current_step_away_sets_it_aside_and_its_time_is_no_evidence() -> None:
    run = three()
    run("handed", 200, step="one.a", crew=["EV2"])
    assert run.now.current == {"EV1": "two.b", "EV2": "one.x"}
    a = run.step("one.a")
    assert (a.worked_s, a.running_since, a.evidence) == (200, None, False)
    assert run.step("two.b").began == 200
    run.done("one.x", at=600)
    # Its place is before two.y, so EV2 goes on with it.
    assert run.now.current["EV2"] == "one.a"
    run.done("one.a", at=900)
    assert run.step("one.a").worked_s == 500
    assert [(one.step, one.blind) for one in run.now.observations] == [("one.x", False), ("one.a", True)]


def test_a_second_member_joins_work_in_progress() -> None:
    run = three()
    run("handed", 200, step="one.a", crew=["EV1", "EV2"])
    assert run.step("one.a").running_since == 0
    assert run.now.current["EV1"] == "one.a"
    run.done("one.x", at=400)
    assert run.now.current["EV2"] == "one.a"
    run.done("one.a", at=700)
    assert run.step("one.a").worked_s == 700
    assert run.spent("EV2")[:2] == [(0, 400, "work", "one.x"), (400, 700, "work", "one.a")]


def test_handing_over_what_is_done_is_refused() -> None:
    run = three()
    run.done("one.a", at=600)
    with pytest.raises(EventError, match=r"one.a was done"):
        run("handed", 700, step="one.a", crew=["EV2"])
    with pytest.raises(EventError, match="there is no crew member EV9; the crew is EV1, EV2"):
        run("handed", 700, step="two.b", crew=["EV9"])


def test_a_moved_task_comes_next_never_instead() -> None:
    run = three()
    run("moved", 100, task="three", before="one")
    assert run.now.current == {"EV1": "one.a", "EV2": "one.x"}
    assert run.order("EV1") == ("one.a", "three.c", "two.b", "in.home")
    run.done("one.a", at=600)
    assert run.now.current["EV1"] == "three.c"


def test_last_is_before_closeout_and_takes_only_open_steps() -> None:
    run = three()
    run.done("one.a", at=600)
    run("moved", 700, task="one", last=True)
    assert run.order("EV1") == ("two.b", "three.c", "in.home")
    assert run.order("EV2") == ("one.x", "two.y", "three.z", "in.home")
    run("began", 800, step="two.y")
    assert run.order("EV2") == ("two.y", "three.z", "one.x", "in.home")


def test_a_move_that_makes_a_circle_is_refused_and_says_which() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10)),
        task("two", step("c", "EV1", 10, needs=["one.b"])),
    )
    with pytest.raises(EventError, match=r"circle: .*two.c needs one.b"):
        run("moved", 100, task="two", before="one")


def test_a_circle_through_two_crew_members_is_refused() -> None:
    run = Run(
        task("one", step("s", "EV1", 5), step("t", "EV2", 5)),
        task("two", step("a", "EV1", 10), step("c", "EV2", 10)),
        task("three", step("b", "EV1", 10, needs=["two.c"]), step("d", "EV2", 10, needs=["two.a"])),
    )
    with pytest.raises(EventError, match="circle"):
        run("moved", 100, task="three", before="two")
    assert run.order("EV1") == ("one.s", "two.a", "three.b")


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"task": "one", "before": "one"}, "cannot come before itself"),
        ({"task": "in", "before": "one"}, "closeout"),
        ({"task": "nine", "before": "one"}, "there is no task nine"),
        ({"task": "one", "before": "nine"}, "there is no task nine"),
        ({"task": "one.a", "last": True}, "there is no task one.a"),
    ],
)
def test_moves_to_nowhere_are_refused(body: dict[str, object], why: str) -> None:
    run = three()
    with pytest.raises(EventError, match=why):
        run("moved", 100, **body)


def test_before_closeout_is_last() -> None:
    run = three()
    run("moved", 100, task="two", before="in")
    assert run.order("EV1") == ("one.a", "three.c", "two.b", "in.home")


def test_added_work_comes_next_for_its_crew_by_default() -> None:
    run = three()
    run.done("one.a", at=600)
    run("added", 700, task=task("leak", step("find", "EV1", 5), step("plug", "EV1 EV2", 5)))
    assert run.order("EV1") == ("two.b", "leak.find", "leak.plug", "three.c", "in.home")
    assert run.order("EV2") == ("one.x", "leak.plug", "two.y", "three.z", "in.home")
    assert run.now.tasks["leak"].added
    assert run.now.tasks["leak"].priority == "must"
    start, finish = run.now.planned["leak.find"]
    assert finish - start == 300
    assert start == run.now.planned["two.y"][0]


def test_added_work_can_have_a_place_and_gets_an_id() -> None:
    run = three()
    new = task("x", step("find", "EV1", 5))
    del new["id"]
    run("added", 0, task=new, before="three")
    run("added", 0, task=new, last=True)
    assert run.order("EV1") == (
        "one.a",
        "two.b",
        "added-1.find",
        "three.c",
        "added-2.find",
        "in.home",
    )
    assert run.fold.recorded[1].body["task"]["id"] == "added-1"


def test_ids_are_never_used_again() -> None:
    run = three()
    new = task("x", step("find", "EV1", 5))
    del new["id"]
    number = run("added", 0, task=new)
    run("withdrawn", 0, event=number)
    run("added", 10, task=new)
    assert "added-2.find" in run.now.steps
    assert "added-1.find" not in run.now.steps
    leak = run("added", 20, task=task("leak", step("find", "EV1", 5)))
    run("withdrawn", 30, event=leak)
    for used in ("one", "one.a", "leak", "added-1"):
        with pytest.raises(EventError, match="ids are never used again"):
            run("added", 40, task=task(used, step("find", "EV1", 5)))


def test_faults_of_an_added_task_are_told() -> None:
    run = three()
    with pytest.raises(EventError, match="EV9"):
        run("added", 0, task=task("leak", step("find", "EV9", 5)))
    with pytest.raises(EventError, match="0:12"):
        run("added", 0, task={"title": "x", "steps": [{"id": "a", "do": "x", "crew": ["EV1"], "time": 12}]})


def test_an_added_task_brings_needs_and_items_of_its_own() -> None:
    run = three()
    run(
        "added",
        0,
        task=task(
            "pipe",
            step("open", "EV1", 5, opens=["valve"]),
            step("shut", "EV2", 5, closes=["valve"], needs=["pipe.open"]),
        ),
    )
    assert run.needs("pipe.shut") == ("pipe.open",)
    run.done("one.a", at=300)
    assert [one.item for one in run.open_items()] == ["valve"]


def test_retimed_changes_what_a_step_is_planned_to_take() -> None:
    run = three()
    run("retimed", 100, step="two.b", time="0:19")
    assert run.step("two.b").step.time.likely == 1140
    run("retimed", 100, step="three.c", time={"low": "0:05", "likely": "0:08", "high": "0:20"})
    time = run.step("three.c").step.time
    assert (time.low, time.likely, time.high) == (300, 480, 1200)
    run.done("one.a", at=600)
    run.done("two.b", at=1800)
    assert run.now.observations[-1].planned_s == 1140
    assert run.row("two.b").planned_duration == 600
    assert run.row("two.b").variance == 600


def test_retimed_left_counts_from_now_on_and_is_no_evidence() -> None:
    run = three()
    run("retimed", 200, step="one.a", time="0:15", left=True)
    a = run.step("one.a")
    assert (a.left_s, a.left_worked_s, a.evidence) == (900, 200, False)
    assert a.step.time.likely == 600
    run.done("one.a", at=1100)
    assert [one.blind for one in run.now.observations] == [True]


def test_a_step_cannot_take_no_time_at_all_but_nothing_may_be_left_of_it() -> None:
    run = three()
    with pytest.raises(EventError, match="0:00 is no time at all"):
        run("retimed", 100, step="one.a", time="0:00")
    run("retimed", 100, step="one.a", time="0:00", left=True)
    assert run.step("one.a").left_s == 0


def test_limits_and_reserves_change() -> None:
    run = three()
    assert run.now.limits == {"elapsed": 23400}
    run("limited", 100, limit="elapsed", value="6:00")
    assert run.now.limits == {"elapsed": 21600}
    run("limited", 100, limit="elapsed", value=20000)
    assert run.now.limits == {"elapsed": 20000}
    run("limited", 100, limit="elapsed", value="2031-05-04T19:00:00Z")
    assert run.now.limits == {"elapsed": 18000}
    run("limited", 100, limit="EV1.air", value=0.2)
    assert run.now.reserves == {("EV1", "air"): 0.2, ("EV2", "air"): 0.1, ("*", "gas"): 50}
    run("limited", 100, limit="*.air", value=0.3)
    run("limited", 100, limit="*.gas", value=60)
    assert run.now.reserves == {("EV1", "air"): 0.3, ("EV2", "air"): 0.3, ("*", "gas"): 60}


@pytest.mark.parametrize(
    ("limit", "value", "why"),
    [
        ("boat", 100, "there is no limit boat; there are elapsed, EV1.air"),
        ("EV1.gas", 100, "gas is one store for all"),
        ("EV9.air", 0.1, "there is no crew member EV9"),
        ("EV1.water", 0.1, "there is no consumable water"),
        ("EV1.air", "0:10", "a number"),
    ],
)
def test_limits_that_there_are_not_are_refused(limit: str, value: object, why: str) -> None:
    with pytest.raises(EventError, match=why):
        three()("limited", 100, limit=limit, value=value)


def test_readings_and_replacements_are_kept() -> None:
    run = three()
    run("reading", 600, crew="EV1", consumable="air", value=0.7)
    run("replaced", 700, crew="*", consumable="gas", value=200)
    first, second = run.now.readings
    assert (first.crew, first.value, first.replaced, first.at, first.number) == ("EV1", 0.7, False, 600, 2)
    assert (second.crew, second.replaced) == ("*", True)
    with pytest.raises(EventError, match="air is no shared store; name one of EV1, EV2"):
        run("reading", 800, crew="*", consumable="air", value=0.7)
    with pytest.raises(EventError, match="its crew is `\\*`"):
        run("reading", 800, crew="EV1", consumable="gas", value=0.7)


def test_a_decision_is_kept_with_the_advice_of_its_moment_and_keep_commits() -> None:
    run = three()
    run("chose", 600, task="three", choice="keep", advice="drop", figures={"in_time": 0.4})
    three_now = run.now.tasks["three"]
    assert three_now.committed
    assert three_now.priority == "must"
    assert not three_now.optional
    (decision,) = run.now.decisions
    assert (decision.choice, decision.advice, decision.figures) == ("keep", "drop", {"in_time": 0.4})
    assert (decision.number, decision.seat) == (2, "test")
    run("chose", 700, task="three", choice="open")
    assert run.now.tasks["three"].optional


def test_alerts_are_acknowledged_by_their_id() -> None:
    run = three()
    run("acknowledged", 600, alert="last-call:three:5")
    assert run.now.acknowledged == {"last-call:three:5"}


def test_the_way_home_is_planned_from_the_last_site() -> None:
    run = Run(
        task("near", step("dig", "EV1", 10, site="ridge")),
        task("far", step("dig", "EV1", 10, site="hill")),
        task("in", {**step("home", "EV1", 0), "time": "home"}, closeout=True),
        sites={"hill": {"home": "0:30"}, "ridge": {"home": "0:05"}},
    )
    run.done("near.dig", at=600)
    run("skipped", 700, step="far.dig")
    run.done("in.home", at=1300)
    assert run.now.observations[-1].planned_s == 300
    assert run.now.observations[-1].worked_s == 600
