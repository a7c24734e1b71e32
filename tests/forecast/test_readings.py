"""What readings do to an estimate as a whole."""

from __future__ import annotations

import math
import random

import pytest

from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Range
from tracker.forecast.memory import Memory
from tracker.forecast.wording import nothing_words

POWER = {"id": "power", "unit": "%", "start": 100, "reserve": 10, "per_hour": 20, "reading_sd": 1}


def _history(rng: random.Random, *, optional: bool) -> Run:
    """Return an excursion under way, with readings as they may come: slips, leaks, changed bottles."""
    works = [step("a", "EV1 EV2", 40, effort="heavy"), step("b", "EV1", 70), step("c", "EV2", 60)]
    works += [step("d", "EV1", 50, opens=["box"]), step("e", "EV1", 20, closes=["box"])]
    extra = [task("more", step("f", "EV2", 45), priority="get-ahead")] if optional else []
    stores = [
        {"id": "oxygen", "unit": "kg", "start": 0.7, "reserve": 0.1, "model": "oxygen", "reading_sd": 0.02},
        {"id": "power", "unit": "Wh", "start": 900, "reserve": 100, "per_hour": 160, "reading_sd": 15},
        {
            "id": "boat",
            "unit": "kg",
            "start": 9,
            "reserve": 1,
            "per_hour": 1,
            "reading_sd": 0.2,
            "shared": True,
        },
    ]
    run = Run(
        task("work", *works),
        *extra,
        task("home", step("in", "EV1 EV2", 15), closeout=True),
        consumables=stores,
    )
    for at in sorted(rng.sample(range(5, 60), rng.randint(0, 3))):
        name, left = rng.choice([("oxygen", 0.7), ("power", 900.0), ("boat", 9.0)])
        kind = "replaced" if rng.random() < 0.1 else "reading"
        value = left * (1 - rng.uniform(0.05, 0.3) * at / 60) + rng.choice([0, 0, 0, 0.2]) * left
        run(kind, at * 60.0, crew="*" if name == "boat" else "EV1", consumable=name, value=round(value, 4))
    run.done("work.a", at=3600.0)
    return run


@pytest.mark.parametrize("block", range(6))
def test_a_lower_latest_reading_moves_no_figure_of_the_estimate_the_better_way(block: int) -> None:
    """With the same work kept; what is kept may become less, and that brings everybody in earlier."""
    rng = random.Random(block)
    for number in range(6):
        run = _history(rng, optional=number % 2 == 0)
        name, usual = rng.choice([("oxygen", 0.5), ("power", 700.0), ("boat", 7.5)])
        values = sorted((usual * rng.uniform(0.2, 1.3), usual * rng.uniform(0.2, 1.3)), reverse=True)
        advice = None
        made = []
        for value in values:
            who = "*" if name == "boat" else "EV1"
            read_now = run.now.suppose(
                {"kind": "reading", "at": 3900, "crew": who, "consumable": name, "value": value}
            )
            full_one = estimate(read_now, 4000, scenarios=300)
            advice = advice or full_one.advice
            made.append((full_one, estimate(read_now, 4000, scenarios=300, advice=advice)))
        (first, above), (second, below) = made
        assert below.safe <= above.safe and below.without_optional_safe <= above.without_optional_safe
        for high, low in zip(above.limits, below.limits, strict=True):
            assert high.id == low.id and low.chance >= high.chance
            assert all(_no_later(low.margin, high.margin))
        for one, other in zip(above.consumables, below.consumables, strict=True):
            assert other.now <= one.now + 1e-9 and other.short >= one.short
            assert all(_no_later(other.at_inside, one.at_inside, grain=1e-6))
            assert all(_no_later(other.reserve_reached, one.reserve_reached, grain=0.1))
        if not first.optional:
            assert _at(second.turn_back.latest) <= _at(first.turn_back.latest)
        for yes, no in zip(first.optional, second.optional, strict=True):
            assert _at(no.last_call) <= _at(yes.last_call) + 0.1


def _no_later(low: Range, high: Range, grain: float = 0.05) -> list[bool]:
    pairs = zip((low.p10, low.p50, low.p90), (high.p10, high.p50, high.p90), strict=True)
    return [_at(a, math.inf) <= _at(b, math.inf) + grain for a, b in pairs]


def _at(instant: float | None, none: float = -math.inf) -> float:
    return none if instant is None else instant


def test_forgetting_what_was_judged_changes_no_digit_and_readings_taken_back_leave_nothing() -> None:
    run = Run(task("work", step("a", "EV1", 300)), crew="EV1", consumables=[POWER])
    known = Memory()
    for at, value in ((30, 85.0), (60, 70.0), (90, 40.0)):
        run("reading", at * 60.0, crew="EV1", consumable="power", value=value)
        without = run.now
        supposed = without.suppose(
            {"kind": "reading", "at": at * 60 + 60, "crew": "EV1", "consumable": "power", "value": 10}
        )
        for progress in (without, supposed, without):
            one, other = (estimate(progress, memory=memory, scenarios=200) for memory in (known, Memory()))
            assert one.as_json() == other.as_json()


def test_a_reserve_that_a_reading_says_is_broken_never_has_anything_to_spare() -> None:
    """A rough gauge that reads a little below the reserve, where a little above it was expected."""
    gas = {"id": "gas", "unit": "bar", "start": 100, "reserve": 40, "per_hour": 20, "reading_sd": 4}
    run = Run(
        task("work", step("a", "EV1", 180), step("b", "EV2", 200)),
        task("home", step("in", "EV1 EV2", 20), closeout=True),
        consumables=[gas | {"crew": ["EV1"]}],
    )
    run("reading", 7200.0, crew="EV1", consumable="gas", value=62)
    run("reading", 10000.0, crew="EV1", consumable="gas", value=39)
    instants = {}
    for kind, at in (("done", 10800.0), ("entered", 12000.0), ("entered", 13000.0), ("closed", 13100.0)):
        who = {"crew": "EV1" if at < 12500 else "EV2"} if kind == "entered" else {}
        run(kind, at, **who, **({"step": "work.a"} if kind == "done" else {}))
        made = estimate(run.now, at + 30, scenarios=100)
        [limit] = [one for one in made.limits if one.id == "EV1.gas"]
        assert limit.reached is not None and limit.to_spare is not None
        assert limit.chance == 1 and _at(limit.margin.p90, math.inf) < 0 and limit.to_spare < 0, kind
        instants[at] = _at(limit.reached.p50)
        assert made.consumables[0].now < 40
    # It was passed between the two readings, and that instant is where it was whatever happens later.
    assert 7200 < instants[10800.0] < 10000
    assert all(at == pytest.approx(instants[13100.0], abs=5) for at in instants.values())
    assert instants[12000.0] == instants[13000.0] == instants[13100.0]


def test_a_store_that_was_not_read_for_hours_is_at_nothing_and_never_below() -> None:
    gas = {"id": "gas", "unit": "bar", "start": 100, "reserve": 10, "per_hour": 40, "reading_sd": 2}
    run = Run(
        task("work", step("a", "EV1", 300)),
        task("home", step("in", "EV1", 20), closeout=True),
        crew="EV1",
        consumables=[gas],
    )
    run("reading", 3600.0, crew="EV1", consumable="gas", value=60)
    made = estimate(run.now, 3 * 3600.0, scenarios=200)
    told = made.as_json()["consumables"][0]
    amounts = [told[key] for key in ("now", "reserve", "read")]
    amounts += [*told["at_inside"].values(), *told["expected"].values()]
    assert min(amounts) == 0 == told["now"] and told["read"] == 60
    assert told["nothing_by"] == pytest.approx(2.5 * 3600, abs=120)
    words = "EV1 gas at nothing by 2:28 as it goes, last read 60 bar 1:00: read it"
    assert nothing_words(made.consumables[0]) == words
    [alert] = [one for one in made.alerts if one.id == "below:EV1.gas"]
    assert alert.text.startswith(words) and alert.do[0] == "reading EV1 gas"
    # On paper, before anything has begun, nothing is below nothing either.
    before = estimate(Run(task("work", step("a", "EV1", 300)), crew="EV1", consumables=[gas]).now, 0.0)
    assert before.consumables[0].at_inside.p10 == 0 and before.consumables[0].nothing_by is None
    run("entered", 3 * 3600.0 + 60, crew="EV1")
    run("closed", 3 * 3600.0 + 120)
    assert estimate(run.now).consumables[0].now == 0
