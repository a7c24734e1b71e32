"""Closeout comes after everything else of each crew member, also after work that comes while they wait."""

from __future__ import annotations

from typing import Any

import pytest

from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate


def waiting() -> Run:
    """EV2 is through with their own work at 0:10 and waits for EV1 at closeout."""
    run = Run(
        task("one", step("a", "EV1", 30), step("b", "EV1", 30)),
        task("two", step("x", "EV2", 10)),
        task("in", step("home", "EV1 EV2", 10), closeout=True),
    )
    run.done("two.x", at=600)
    assert run.now.current["EV2"] == "in.home"
    return run


@pytest.mark.parametrize(
    ("kind", "body", "next_step"),
    [
        ("handed", {"step": "one.b", "crew": ["EV2"]}, "one.b"),
        ("added", {"task": task("stow", step("bag", "EV2", 30))}, "stow.bag"),
    ],
)
def test_who_waits_at_closeout_does_first_what_has_come(
    kind: str, body: dict[str, Any], next_step: str
) -> None:
    run = waiting()
    run(kind, 900, **body)
    assert run.order("EV2") == (next_step, "in.home")
    assert run.step(next_step).running_since == 900
    run.done(next_step, at=2700)
    assert run.now.current["EV2"] == "in.home"
    assert run.spent("EV2")[:4] == [
        (0, 600, "work", "two.x"),
        (600, 900, "wait", "crew EV1"),
        (900, 2700, "work", next_step),
        (2700, None, "wait", "crew EV1"),
    ]


def test_handing_over_to_who_waits_at_closeout_brings_everybody_in_sooner() -> None:
    run = waiting()
    before = estimate(run.now, now=900, scenarios=200).inside.p50
    run("handed", 900, step="one.b", crew=["EV2"])
    after = estimate(run.now, now=900, scenarios=200).inside.p50
    assert before is not None and after is not None
    assert after < before - 600


def test_closeout_at_work_stays_and_what_comes_is_next() -> None:
    run = waiting()
    run.done("one.a", at=1800)
    run.done("one.b", at=3600)
    run("added", 3700, task=task("stow", step("bag", "EV2", 30)))
    assert run.order("EV2") == ("in.home", "stow.bag")
    assert run.step("in.home").running_since == 3600


def test_closeout_that_is_begun_before_other_work_is_done_is_current() -> None:
    run = Run(
        task("one", step("a", "EV1", 10), step("b", "EV1", 10)),
        task("two", step("x", "EV2", 40)),
        task("in", step("tidy", "EV1", 10), step("home", "EV1 EV2", 10), closeout=True),
    )
    run("began", 300, step="in.tidy")
    assert run.order("EV1") == ("in.tidy", "one.a", "one.b", "in.home")
    assert (run.step("one.a").worked_s, run.step("in.tidy").running_since) == (300, 300)
    run.done("in.tidy", at=900)
    assert (run.now.current["EV1"], run.step("in.tidy").worked_s) == ("one.a", 600)
