"""Changes of the order, played in the world that stands: as the journal has them, and bounded rightly."""

from __future__ import annotations

import random
from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pytest

from tests.runs import Run, step, task
from tracker.forecast.limits import going_on
from tracker.forecast.orders import CIRCLE, BetterOrder, Reorder, better_orders, changes
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world, prior_of
from tracker.forecast.world import advance, begin, inside
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress

CREW = ("EV1", "EV2", "EV3")
SCENARIOS = 40
OPTIONAL = {3, 5}
NOTHING_NEW = {"kind": "noted", "text": "nothing"}
OXYGEN = {
    "id": "oxygen",
    "unit": "kg",
    "start": 1.0,
    "reserve": 0.1,
    "per_hour": 0.1,
    "per_megajoule": 0.1,
}


@cache
def made(seed: int) -> Run:
    """Return an excursion by chance: joint steps, needs, a window, sites, open items, work done and begun."""
    rng = random.Random(seed)
    tasks = [_task(rng, n) for n in range(6)]
    tasks[0]["steps"][0]["site"] = "rack"
    tasks[1]["steps"][0]["opens"] = ["cover"]
    tasks[rng.choice((1, 4))]["steps"][-1]["closes"] = ["cover"]
    way: Any = "home" if rng.random() < 0.6 else "0:15"
    home = {"id": "go", "do": "Go home", "crew": list(CREW), "time": way}
    run = Run(
        *tasks,
        task("home", home, closeout=True),
        crew=" ".join(CREW),
        limits={"elapsed": f"{rng.randrange(2, 6)}:00"},
        windows=[{"id": "light", "open": [["0:00", "0:50"], ["1:20", "9:00"]]}],
        sites={"mast": {"home": "0:12"}, "rack": {"home": "0:03"}},
        consumables=[OXYGEN],
    )
    for _ in range(rng.randrange(6)):
        now = run.now
        _one_more(run, rng, now)
    return run


def _task(rng: random.Random, n: int) -> dict[str, Any]:
    steps = []
    for k in range(rng.randrange(1, 4)):
        crew = rng.sample(CREW, rng.choice((1, 1, 1, 1, 2)))
        more: dict[str, Any] = {}
        if k and rng.random() < 0.3:
            more["needs"] = [f"t{n}.s{k - 1}"]
        elif n and rng.random() < 0.2:
            more["needs"] = [f"t{rng.choice(sorted(set(range(n)) - OPTIONAL))}.s0"]
        if rng.random() < 0.2:
            more["window"] = "light"
        if rng.random() < 0.3:
            more["site"] = rng.choice(("mast", "rack"))
        steps.append(step(f"s{k}", crew, rng.randrange(3, 40), **more))
    optional = n in OPTIONAL and rng.random() < 0.7
    return task(f"t{n}", *steps, **({"priority": "get-ahead"} if optional else {}))


def _one_more(run: Run, rng: random.Random, now: Progress) -> None:
    """Let something happen that may happen."""
    crew = rng.choice(CREW)
    order = now.order[crew]
    at = now.at + rng.randrange(1, 20) * 60
    kind = rng.choice(("done", "done", "done", "began", "held", "handed"))
    try:
        if kind == "done" and order and order[0] != "home.go":
            run("done", at, step=order[0])
        elif kind == "began" and len(order) > 2:
            run("began", at, step=order[1])
        elif kind == "held":
            run("held", at, crew=[crew], until=f"{int(at) // 3600 + 1}:00")
        elif kind == "handed" and len(order) > 2:
            run("handed", at, step=order[-2], crew=[rng.choice(CREW)])
    except EventError:
        return


class _Truth:
    """What the journal says of every change."""

    def __init__(self, progress: Progress, now: float, kept: frozenset[str]) -> None:
        self.progress, self.now, self.kept = progress, now, kept

    def world(self, progress: Progress) -> Reorder:
        world = build_world(progress, now=self.now, scenarios=SCENARIOS)
        return Reorder(
            progress, world, frozenset(world.present(going_on(world.optional, self.kept))), prior_of(progress)
        )

    def p90(self, event: Mapping[str, Any]) -> float:
        try:
            found = self.world(self.progress.suppose(event))
        except EventError:
            return CIRCLE
        course = advance(found.world, begin(found.world), sorted(found.present))
        return one(inside(found.world, course), 0.9) + found.world.now


def _asked(seed: int) -> tuple[_Truth, Reorder]:
    rng, progress = random.Random(-seed), made(seed).now
    kept = frozenset(name for name in ("t3", "t5") if rng.random() < 0.5)
    truth = _Truth(progress, progress.at + rng.choice((0, 150)), kept)
    return truth, truth.world(progress)


@pytest.mark.parametrize("seed", range(24))
def test_a_change_comes_to_what_the_journal_comes_to_with_it(seed: int) -> None:
    truth, world = _asked(seed)
    if not world.work.tells_all:
        return
    handed = {event["step"] for event, _ in changes(truth.progress) if event["kind"] == "handed"}
    drawn = {c: world.in_hands_of(c, handed) for c in CREW}
    stood = world.world.durations.copy()
    for event, _ in changes(truth.progress):
        if not world.tells_all_about(event):
            continue
        if event["kind"] == "moved":
            p90 = world.moved(event["task"], event.get("before"))
        else:
            who = event["crew"][0]
            p90 = world.handed(event["step"], who, drawn[who][world.work.place[event["step"]]])
        assert p90 is None or p90 == truth.p90(event), event
    assert np.array_equal(stood, world.world.durations), "the durations that stand are as they were"


@pytest.mark.parametrize("seed", range(24))
def test_no_change_brings_anybody_in_before_its_bound(seed: int) -> None:
    truth, world = _asked(seed)
    if not world.work.tells_all:
        return
    stands = truth.p90(NOTHING_NEW)
    for event, _ in changes(truth.progress):
        if world.tells_all_about(event):
            bound = world.bound(event["kind"], event.get("step") or event["task"])
            assert (stands if bound is None else bound) <= truth.p90(event), event


@pytest.mark.parametrize("seed", range(24))
def test_no_change_wins_more_than_those_that_are_told(seed: int) -> None:
    truth, _ = _asked(seed)
    told = better_orders(truth.progress, now=truth.now, kept=truth.kept, scenarios=SCENARIOS)
    every = better_orders(truth.progress, now=truth.now, kept=truth.kept, scenarios=SCENARIOS, most=1000)
    assert told == every[:3]
    gains = {_subject(order): order.gain_s for order in every}
    before = truth.p90(NOTHING_NEW)
    for event, _ in changes(truth.progress):
        gain = before - truth.p90(event)
        if gain >= 120.0 and _safer(truth, event):
            twins = [won for (kind, _), won in gains.items() if kind == event["kind"] == "moved"]
            # Two moves that come to the same order are told once, under the name of either.
            told_as = gains.get((event["kind"], event.get("step") or event["task"]), max(twins, default=0.0))
            assert told_as >= gain


def test_a_search_that_is_ended_tells_what_it_found_so_far() -> None:
    truth, _ = _asked(2)
    calls = 0

    def found(until: float, most: int = 3) -> tuple[BetterOrder, ...]:
        nonlocal calls
        calls = 0

        def heed(share: float) -> bool:
            nonlocal calls
            calls += 1
            return calls < until

        return better_orders(
            truth.progress, now=truth.now, kept=truth.kept, scenarios=SCENARIOS, most=most, heed=heed
        )

    every = found(10_000, most=1000)
    found(10_000)
    some = found(calls)
    assert some and set(map(_subject, some)) <= set(map(_subject, every))
    assert all(order in every for order in some)
    assert found(1) == ()


def _subject(order: BetterOrder) -> tuple[str, str]:
    return order.event["kind"], order.event.get("step") or order.event["task"]


def _safer(truth: _Truth, event: Mapping[str, Any]) -> bool:
    from tracker.forecast.limits import breaches

    shares = []
    for progress in (truth.progress, truth.progress.suppose(event)):
        found = truth.world(progress)
        course = advance(found.world, begin(found.world), sorted(found.present))
        shares.append(breaches(found.world, found.present, course).share_safe)
    return shares[1] >= shares[0]
