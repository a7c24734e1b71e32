"""What to give up when dropping optional work is not enough: what is promised is what the deed gives."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tests.verdicts import rehearsed
from tracker.forecast.advice import Recovery, musts_given_up, recovery
from tracker.forecast.estimate import estimate
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.journal.progress import Progress, supposed_at
from tracker.plan.model import Plan
from tracker.plan.read import read_plan

TOP = Path(__file__).resolve().parents[2]
SCENARIOS = 600


def found_at(progress: Progress, now: float) -> Recovery:
    """Return what is found at an instant."""
    world = build_world(progress, now=now, scenarios=SCENARIOS)
    return recovery(progress, TaskSets(world), prior=None)


@cache
def in_trouble(seed: int) -> tuple[tuple[Progress, float, Recovery], ...]:
    """Return instants of a rehearsal between two events, with limits that dropping alone will not keep."""
    squeezed = _squeezed(read_plan(TOP / "plans" / "larkspur.yaml"), seed)
    return tuple((progress, now, found_at(progress, now)) for progress, now in squeezed)


def _squeezed(plan: Plan, seed: int) -> Iterator[tuple[Progress, float]]:
    whole = rehearsed(plan, seed)
    end = max(event.at for event in whole.events)
    for k, share in enumerate((0.25, 0.5, 0.7)):
        then = whole.fold.until(at=share * end).progress()
        now = then.at + 37.5
        bare = estimate(then, now, scenarios=SCENARIOS).without_optional_inside
        if bare.p10 is None or then.recall or then.closed is not None:
            continue
        limit = bare.p10 - (0, 600, 1800)[(seed + k) % 3]
        yield then.suppose({"kind": "limited", "limit": "elapsed", "value": int(limit), "at": then.at}), now


@pytest.mark.parametrize("seed", range(4))
def test_what_is_promised_is_what_the_deed_gives(seed: int) -> None:
    looked = 0
    for progress, now, found in in_trouble(seed):
        promise = found.promise
        if promise is None:
            continue
        at = supposed_at(progress, now)
        deed = progress.suppose(*({"kind": "dropped", "task": task, "at": at} for task in promise.tasks))
        given = estimate(deed, now, scenarios=SCENARIOS)
        assert promise.safe == given.safe
        assert promise.inside == pytest.approx(given.inside.p50, abs=0.01)
        assert promise.enough == (given.safe >= 0.9)
        looked += 1
    assert looked


def test_no_shorter_beginning_of_the_order_is_enough() -> None:
    shortened = 0
    for seed in range(4):
        for progress, now, found in in_trouble(seed):
            if found.promise is None or not found.promise.enough:
                continue
            fewer = [set((one, *others)) for one, others in found.order]
            for k in range(1, len(fewer)):
                tasks = set.union(*fewer[:k])
                if tasks >= set(found.promise.tasks):
                    break
                events = (
                    {"kind": "dropped", "task": name, "at": supposed_at(progress, now)} for name in tasks
                )
                assert estimate(progress.suppose(*events), now, scenarios=SCENARIOS).safe < 0.9
                shortened += 1
    assert shortened


def test_musts_by_what_they_win_back() -> None:
    run = Run(
        task("short", step("1", "EV1", 30)),
        task("long", step("1", "EV1", 60)),
        task("base", step("1", "EV1", 10)),
        task("on-top", step("1", "EV1", 5), needs=["base"]),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        limits={"elapsed": "1:30"},
    )
    world = build_world(run.now, now=0, scenarios=50, prior=FLAT)
    found = recovery(run.now, TaskSets(world), prior=FLAT)
    assert found.order == (("long", ()), ("short", ()), ("base", ("on-top",)), ("on-top", ()))
    assert found.promise is not None and found.promise.tasks == ("long",)
    assert (found.promise.safe, found.promise.inside) == (1.0, 85 * 60)
    first, second = flat(run.now).when_short
    assert first == (
        "Dropping all optional work is not enough: chance <1 %, need 90 %; "
        "most likely to be broken: elapsed limit."
    )
    assert second == "Giving up long is enough: inside 1:25, chance >99 %."


def test_it_is_supposed_now_and_not_at_the_last_event() -> None:
    """Half of the step is done by now: dropping it saves what is left of it, and the hatch is closed."""
    run = Run(
        task("a", step("1", "EV1", 60, opens=["hatch"])),
        task("b", step("1", "EV1", 10)),
        task("home", step("in", "EV1", 20, closes=["hatch"]), closeout=True),
        limits={"elapsed": "1:00"},
    )
    world = build_world(run.now, now=1800, scenarios=50, prior=FLAT)
    found = recovery(run.now, TaskSets(world), prior=FLAT)
    assert found.promise is not None and found.promise.tasks == ("a",)
    assert found.promise.inside == (30 + 10 + 20) * 60


def test_where_nothing_is_enough_it_says_so() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        limits={"elapsed": "0:30"},
    )
    assert flat(run.now).when_short[-1] == (
        "Not even giving up a is enough: inside 0:40, chance <1 %. Come home now, or ask for a later limit."
    )
    run.done("a.1", at=1800)
    assert flat(run.now).when_short[-1] == "There is no must task left to give up: closeout alone remains."


def test_what_takes_all_others_with_it_is_no_choice_among_them() -> None:
    run = Run(
        task("egress", step("1", "EV1", 5)),
        task("a", step("1", "EV1", 5), needs=["egress"]),
        task("b", step("1", "EV1", 5), needs=["egress"]),
    )
    assert list(musts_given_up(run.now)) == [("a", ()), ("b", ())]


def test_what_to_give_up_says_of_which_instant_it_is_and_goes_with_its_cause() -> None:
    run = Run(
        task("a", step("1", "EV1", 30)),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        limits={"elapsed": "1:00"},
    )
    made = flat(run.now)
    assert made.when_short and made.when_short == made.advice.when_short
    later = estimate(run.now, 120, advice=made.advice, prior=FLAT)
    assert later.when_short[0].startswith("As of 0:00: Dropping all optional work is not enough")
    met = run.now.suppose({"kind": "limited", "limit": "elapsed", "value": 7200, "at": 0})
    assert estimate(met, 120, advice=made.advice, prior=FLAT).when_short == ()
