"""Better orders: suggested where they win two minutes or more, and never against a need."""

from __future__ import annotations

import pytest

from tests.flat import FLAT
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.orders import BetterOrder, better_orders, changes

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)


def found(run: Run, **more: object) -> tuple[BetterOrder, ...]:
    return better_orders(run.now, now=run.now.at, kept=(), prior=FLAT, scenarios=50, **more)  # type: ignore[arg-type]


def test_a_step_handed_to_who_would_wait() -> None:
    run = Run(task("a", step("1", "EV1", 60), step("2", "EV1", 40)), task("b", step("1", "EV2", 30)), HOME)
    best = found(run)[0]
    assert best.event == {"kind": "handed", "step": "a.2", "crew": ["EV2"]}
    assert best.gain_s == 30 * 60
    assert best.text.startswith("hand Do 2 over from EV1 to EV2: ") and "30 min earlier" in best.text


def test_its_gain_is_what_the_event_wins_once_recorded() -> None:
    run = Run(task("a", step("1", "EV1", 60), step("2", "EV1", 40)), task("b", step("1", "EV2", 30)), HOME)
    before = estimate(run.now, prior=FLAT, scenarios=50).inside.p90
    best = found(run)[0]
    event = dict(best.event)
    run(event.pop("kind"), run.now.at, **event)
    after = estimate(run.now, prior=FLAT, scenarios=50).inside.p90
    assert before is not None and after is not None
    assert before - after == pytest.approx(best.gain_s)


def test_a_task_in_a_new_place() -> None:
    """EV2's long work needs EV1's second task: doing that first saves EV2 half an hour of waiting."""
    run = Run(
        task("out", step("1", "EV1 EV2", 10)),
        task("a", step("1", "EV1", 30)),
        task("b", step("1", "EV1", 20)),
        task("c", step("1", "EV2", 90, needs=["b"])),
        HOME,
    )
    moves = [order for order in found(run) if order.event["kind"] == "moved"]
    assert [order.gain_s for order in moves] == [30 * 60], "a later or b sooner is one order, told once"
    assert moves[0].event["task"] in ("a", "b")


def test_of_two_that_undo_one_another_the_better_is_told() -> None:
    """The middle task waits for a window: each of the others fills the gap, the longer one better."""
    run = Run(
        task("out", step("1", "EV1 EV2", 10)),
        task("c", step("1", "EV1", 30, window="day")),
        task("x", step("1", "EV1", 40)),
        task("m", step("1", "EV1", 50), needs=["out"]),
        task("n", step("1", "EV2", 45, needs=["c"])),
        HOME,
        windows=[{"id": "day", "open": [["1:10", "6:00"]]}],
        zero_planned="2031-05-04T14:00:00Z",
    )
    told = [order.text.partition(":")[0] for order in found(run, most=9)]
    assert "do m before c" in told and "do c before m" not in told


def test_no_order_against_a_need_and_nothing_that_wins_less_than_two_minutes() -> None:
    run = Run(
        task("a", step("1", "EV1 EV2", 30)),
        task("b", step("1", "EV1 EV2", 30), needs=["a"]),
        task("c", step("1", "EV1", 11), step("2", "EV2", 10)),
        HOME,
    )
    assert found(run) == ()


def test_nothing_that_is_not_counted_and_nobody_leaves_a_step_half_done() -> None:
    run = Run(
        task("out", step("1", "EV1 EV2", 10)),
        task("a", step("1", "EV1", 30, count=3), step("2", "EV1", 20)),
        task("b", step("1", "EV1", 20)),
        task("c", step("1", "EV2", 90, needs=["b"])),
        task("d", step("1", "EV1", 20), priority="get-ahead"),
        HOME,
    )
    run.done("out.1", at=600)
    run("counted", 1200, step="a.1", count=1)
    told = list(changes(run.now, ()))
    moved = {name for event, _ in told for name in (event.get("task"), event.get("before")) if name}
    assert moved == {"b", "c"}, "a is half done, d is not counted"
    assert {event["step"] for event, _ in told if event["kind"] == "handed"} == {"a.2", "b.1", "c.1"}
    assert "d" in {event.get("task") for event, _ in changes(run.now, ("d",))}
