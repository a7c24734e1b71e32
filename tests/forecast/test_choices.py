"""What each choice comes to: the same, figure by figure, as an estimate of what is supposed."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis.strategies import booleans, integers, lists

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tests.streams import random_plan, random_run
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Choice, Estimate
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.wording import chance_of, need_of
from tracker.foundation.shown import up
from tracker.journal.progress import Progress

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)
AIR = {"id": "air", "unit": "kg", "start": 10.0, "reserve": 1.0, "per_hour": 1.0}


def crowded(limit: str = "4:00", **more: Any) -> Run:
    """EV1: must 60, three get-aheads of 60, 40 and 20 min; joint closeout 40; all of it takes 3:40."""
    return Run(
        task("core", step("1", "EV1", 60), step("2", "EV2", 30)),
        task("a", step("1", "EV1", 60), priority="should", value=30),
        task("b", step("1", "EV1", 40), priority="get-ahead", value=20),
        task("c", step("1", "EV1", 20), priority="get-ahead", value=5, needs=["b"]),
        HOME,
        limits={"elapsed": limit},
        **more,
    )


def table(progress: Progress, now: float | None = None, **more: Any) -> dict[str, Choice]:
    made = flat(progress, now, choices=True, **more)
    assert made.choices is not None
    return {choice.id: choice for choice in made.choices}


def test_only_where_it_is_asked_for() -> None:
    run = crowded()
    assert flat(run.now).choices is None and flat(run.now).as_json()["choices"] is None
    assert flat(run.now, choices=True).choices


def test_bases_and_each_task_the_other_way_on_paper() -> None:
    found = table(crowded("3:10").now)
    assert {id: (c.tasks, up(c.inside.p50), c.shift, c.value, c.meets) for id, c in found.items()} == {
        "must-only": ((), 6000, -3600, 0, True),
        "committed": ((), 6000, -3600, 0, True),
        "as-advised": (("a",), 9600, 0, 30, True),
        "everything": (("a", "b", "c"), 13200, 3600, 55, False),
        "keep:b": (("a", "b"), 12000, 2400, 50, False),
        "keep:c": (("a", "b", "c"), 13200, 3600, 55, False),
        "drop:a": ((), 6000, -3600, 0, True),
        "swap:b:a": (("b", "c"), 9600, 0, 25, True),
        "call-home": ((), 2400, -7200, None, True),
        "call-at-once": ((), 2400, -7200, None, True),
    }
    assert found["as-advised"].binding == "elapsed" and found["as-advised"].to_spare == 30 * 60


def test_musts_alone_leave_out_what_was_decided_and_break_off_what_is_begun() -> None:
    run = crowded()
    run.done("core.1", "core.2", at=3600)
    run("chose", 3600, task="c", choice="keep")
    found = table(run.now, 3900)
    assert run.now.tasks["a"].status == "begun"
    assert {id: found[id].tasks for id in ("must-only", "committed", "everything", "drop:a")} == {
        "must-only": (),
        "committed": ("a", "b", "c"),
        "everything": ("a", "b", "c"),
        "drop:a": ("b", "c"),
    }
    assert found["must-only"].inside.p50 == 3900 + 2400
    assert "drop:c" not in found and "keep:c" not in found, "what a person decided is no choice any more"


def test_each_must_given_up_where_nothing_else_is_enough() -> None:
    run = Run(
        task("one", step("1", "EV1", 60)),
        task("two", step("1", "EV1", 60), needs=["one"]),
        task("three", step("1", "EV2", 30)),
        HOME,
        limits={"elapsed": "2:00"},
    )
    found = table(run.now, 600)
    assert {id: (c.given_up, up(c.inside.p50), c.meets) for id, c in found.items() if c.given_up} == {
        "give-up:one": (("one", "two"), 2400 + 1800, True),
        "give-up:two": (("two",), 3600 + 2400, True),
        "give-up:three": (("three",), 7200 + 2400, False),
    }


@settings(max_examples=8, deadline=None)
@given(limit=integers(60, 220), minutes=lists(integers(5, 40), min_size=2, max_size=3), undecided=booleans())
def test_what_giving_up_promises_is_what_the_advice_leaves(
    limit: int, minutes: list[int], undecided: bool
) -> None:
    """Of a task that it was decided to keep, too: there is room for others, which the advice takes in."""
    run = Run(
        task("core", step("1", "EV1", 60)),
        task("extra", step("1", "EV1", 60), priority="should"),
        *(task(f"more{k}", step("1", "EV1", m), priority="get-ahead") for k, m in enumerate(minutes)),
        HOME,
        limits={"elapsed": f"{limit // 60}:{limit % 60:02}"},
    )
    run("chose", 0, task="extra", choice="keep")
    if not undecided:
        run("chose", 0, task="more0", choice="keep")
    for choice in table(run.now, 600).values():
        if choice.given_up:
            then = run.now.suppose(*({**event, "at": 600} for event in choice.events))
            left = flat(then, 600)
            assert (up(choice.inside.p50), choice.safe) == (up(left.inside.p50), left.safe)
            assert set(choice.tasks) == left.counted


def test_two_confidences_have_a_chance_each_in_every_choice_and_of_a_call() -> None:
    run = crowded(
        "5:00", consumables=[AIR | {"start": 4.3}], confidence={"elapsed": 0.9, "consumables": 0.95}
    )
    made = estimate(run.now, 0, scenarios=500, choices=True)
    found = {choice.id: choice for choice in made.choices or ()}
    assert found["as-advised"].safe_by == made.safe_by
    for choice in found.values():
        assert choice.safe_by is not None and choice.safe <= min(choice.safe_by.values())
    whole, home = found["everything"], found["call-home"]
    assert whole.safe_by is not None and whole.safe_by["elapsed"] != whole.safe_by["consumables"]
    assert made.turn_back.safe_by_if_now == home.safe_by and made.turn_back.safe_if_now == home.safe
    assert chance_of(found["as-advised"], made) == need_of(made)[1]


def test_what_had_better_be_put_off_is_a_choice_at_its_place() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("photos", step("1", "EV1", 30), priority="get-ahead"),
        task("b", step("1", "EV1", 60)),
        HOME,
        limits={"elapsed": "3:30"},
    )
    made = estimate(run.now, 0, scenarios=1000, choices=True)
    assert made.optional[0].advice == "later" and made.choices is not None
    [later] = [choice for choice in made.choices if choice.id == "later:photos"]
    [moved] = later.events
    kept = {"kind": "chose", "task": "photos", "choice": "keep", "at": 0}
    same(later, estimate(run.now.suppose({**moved, "at": 0}, kept), 0, scenarios=1000))


def test_no_recall_of_those_who_are_called_and_none_once_it_is_over() -> None:
    run = crowded()
    run("called", 600, call="home", crew=["EV1"])
    assert {"call-home", "call-at-once"} <= table(run.now).keys()
    run("called", 660, call="home", crew=["EV2"])
    assert table(run.now).keys() & {"call-home", "call-at-once"} == {"call-at-once"}
    run("called", 700, call="at once")
    assert not table(run.now).keys() & {"call-home", "call-at-once"}
    run("closed", 4000)
    assert flat(run.now, choices=True).choices == ()


def test_before_the_clock_nobody_is_called_home() -> None:
    run = crowded()
    early = Run(plan=run.now.plan, start=False)
    assert {"must-only", "everything"} <= table(early.now).keys()
    assert not table(early.now).keys() & {"call-home", "call-at-once"}


def pinned(progress: Progress, choice: Choice) -> list[Mapping[str, Any]]:
    """A choice's events, and beside them a decision on every task that it leaves as it is counted."""
    decided = {event.get("task") for event in choice.events}
    open_to = [n for n, s in progress.tasks.items() if s.optional and n not in decided]
    return [
        *choice.events,
        *({"kind": "chose", "task": n, "choice": "keep"} for n in open_to if n in choice.tasks),
        *({"kind": "dropped", "task": n} for n in open_to if n not in choice.tasks),
    ]


def same(choice: Choice, made: Estimate) -> None:
    limit = next((limit for limit in made.limits if limit.id == choice.binding), None)
    assert (choice.inside.p10, choice.inside.p50, choice.inside.p90) == pytest.approx(
        (made.inside.p10, made.inside.p50, made.inside.p90), abs=0.02
    )
    assert choice.safe == pytest.approx(made.safe, abs=2e-4)
    assert made.binding is None or made.binding.chance == (limit.chance if limit else None)
    assert set(choice.tasks) == made.counted and choice.meets == made.meets


def agrees(progress: Progress, now: float, prior: PacePrior) -> int:
    """Hold every choice against estimates of its own, which count the same set; how many there are."""
    more: dict[str, Any] = {"scenarios": 500, "prior": prior}
    found = estimate(progress, now, choices=True, **more).choices
    assert found
    for choice in found:
        at = int(max(now, progress.at))
        events = [{**event, "at": at} for event in pinned(progress, choice)]
        if not choice.id.startswith("call-"):
            same(choice, estimate(progress.suppose(*events), now, **more))
        deed = [{**event, "at": at} for event in choice.events]
        made = estimate(progress.suppose(*deed), now, **more)
        same(choice, made)
    return len(found)


def test_figures_are_those_of_an_estimate_of_the_deed_in_a_tight_excursion() -> None:
    run = crowded("3:30", consumables=[AIR])
    run.done("core.2", at=2000)
    run.done("core.1", at=3900)
    assert agrees(run.now, 4100.0, DEFAULT_PRIOR) >= 5


@pytest.mark.parametrize("seed", range(6))
def test_figures_are_those_of_an_estimate_of_the_deed(seed: int) -> None:
    rng = random.Random(seed)
    run = random_run(rng, random_plan(rng))
    progress = run.progress()
    if progress.closed is None:
        agrees(progress, progress.at + 45.0, DEFAULT_PRIOR)


def test_a_table_costs_no_second_set_of_random_numbers() -> None:
    """Each choice goes on with the draws of the estimate: the same step takes as long in all of them."""
    made = estimate(crowded("9:00").now, 0.0, scenarios=500, choices=True, prior=FLAT)
    assert made.choices is not None
    ends = {choice.id: choice.inside.p50 for choice in made.choices}
    assert ends["as-advised"] == ends["everything"] == made.inside.p50
