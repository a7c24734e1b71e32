"""Advice on excursions: verdicts and reasons on paper, steadiness, and the same at every seat."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from tests.flat import FLAT, flat
from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate, OptionalFigure
from tracker.forecast.limits import to_enter
from tracker.forecast.memory import Memory

HOUR = 3600
HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)


def paper(limit: str = "6:30", x: int = 340, **lamp: Any) -> Run:
    """EV1: must 60 min, get-ahead 20, must 30; EV2: must x; joint closeout 40."""
    return Run(
        task("first", step("1", "EV1", 60)),
        task("long", step("1", "EV2", x)),
        task("lamp", step("1", "EV1", 20), **{"priority": "get-ahead", **lamp}),
        task("then", step("1", "EV1", 30)),
        HOME,
        limits={"elapsed": limit},
    )


def figure(made: Estimate, name: str) -> OptionalFigure:
    return next(one for one in made.optional if one.task == name)


def test_kept_with_its_last_call_and_what_it_costs() -> None:
    made = flat(paper().now)
    lamp = figure(made, "lamp")
    assert (lamp.advice, lamp.last_call, lamp.in_time) == ("keep", 5 * HOUR, 1.0)
    assert lamp.cost == 0
    assert made.advice.kept == {"lamp"} and made.advice.when_short == ()
    assert "5:00" in lamp.reason


def test_dropped_when_no_start_would_do() -> None:
    made = flat(paper(x=360).now)
    lamp = figure(made, "lamp")
    assert (lamp.advice, lamp.last_call, lamp.in_time) == ("drop", None, 0.0)
    assert made.advice.kept == frozenset()
    assert made.when_short and "not enough" in made.when_short[0]


def test_cost_is_the_median_and_takes_dependents_along() -> None:
    run = Run(
        task("a", step("1", "EV1", 20), priority="get-ahead"),
        task("b", step("1", "EV1", 10), priority="get-ahead", needs=["a"]),
        HOME,
    )
    made = flat(run.now)
    assert figure(made, "a").cost == 30 * 60
    assert figure(made, "b").cost == 10 * 60


def test_of_two_alike_the_first_of_the_file_is_kept() -> None:
    for names in (("a", "b"), ("b", "a")):
        tasks = [task(name, step("1", "EV1", 20), priority="get-ahead") for name in names]
        made = flat(Run(*tasks, HOME, limits={"elapsed": "1:05"}).now)
        assert made.advice.kept == {names[0]}
        assert [one.task for one in made.optional] == list(names)


def test_what_needs_a_task_that_is_not_kept_says_so() -> None:
    run = Run(
        task("a", step("1", "EV1", 30), priority="get-ahead"),
        task("b", step("1", "EV1", 10), priority="should", needs=["a"]),
        HOME,
        limits={"elapsed": "1:05"},
    )
    made = flat(run.now)
    assert figure(made, "b").advice == "drop"
    assert figure(made, "b").reason == "needs a, which is not kept"


def test_a_should_that_fits_nowhere_does_not_stop_get_aheads() -> None:
    run = Run(
        task("big", step("1", "EV1", 90), priority="should"),
        task("small", step("1", "EV1", 10), priority="get-ahead"),
        HOME,
        limits={"elapsed": "1:00"},
    )
    assert flat(run.now).advice.kept == {"small"}


def test_what_is_committed_is_advised_about_no_more() -> None:
    run = paper()
    run("chose", 0, task="lamp", choice="keep")
    made = flat(run.now)
    assert made.optional == () and made.advice.kept == frozenset()


def test_a_begun_task_stays_listed_and_its_next_step_has_the_last_call() -> None:
    run = Run(
        task("lamp", step("1", "EV1", 20), step("2", "EV1", 20), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:00"},
    )
    run("began", 0, step="lamp.1")
    made = flat(run.now, 600)
    lamp = figure(made, "lamp")
    assert (lamp.begun, lamp.advice, lamp.last_call) == (True, "keep", 60 * 60)
    run.done("lamp.1", at=1200)
    made = flat(run.now, 1300)
    assert (figure(made, "lamp").advice, figure(made, "lamp").last_call) == ("keep", None)
    assert "under way" in figure(made, "lamp").reason


def test_the_recall_leaves_nothing_to_turn_back_from() -> None:
    run = paper()
    assert flat(run.now).turn_back.latest is not None
    run("called", 1200, call="home")
    made = flat(run.now)
    assert made.turn_back.latest is None and made.optional == ()
    assert made.inside.p50 == 1200 + 40 * 60


@pytest.mark.parametrize(
    ("confidence", "scenarios", "wanted"), [(0.9, 10_000, 0.92), (0.9, 100, 0.95), (0.99, 10_000, 0.995)]
)
def test_work_is_taken_in_at_a_stricter_confidence(confidence: float, scenarios: int, wanted: float) -> None:
    assert to_enter(confidence, scenarios) == pytest.approx(wanted)


def busy(limit: str = "5:10") -> Run:
    """An excursion with spread, whose optional work is in doubt."""
    optional = [task(f"o{k}", step("1", "EV1", 15), priority="get-ahead", value=k + 1) for k in range(4)]
    must = [task(f"m{k}", step("1", "EV1", 20), step("2", "EV2", 22)) for k in range(8)]
    return Run(*must[:4], *optional, *must[4:], HOME, limits={"elapsed": limit})


def ticked(run: Run, count: int) -> list[float]:
    at = []
    for k in range(count):
        at.append(1300.0 * (k + 1) * (1.1 if k % 2 else 0.95))
        run.done(f"m{k}.1", at=round(at[-1]) - 30)
        run.done(f"m{k}.2", at=round(at[-1]))
    return at


def test_the_same_advice_whatever_was_asked_before() -> None:
    """The cache of the walk never changes what comes out: asked tick by tick, or once from cold."""
    run, asked = busy(), []
    for k in range(4):
        run.done(f"m{k}.1", at=1300 * (k + 1) - 30)
        run.done(f"m{k}.2", at=1300 * (k + 1))
        for later in (0, 40):
            asked.append(estimate(run.now, run.now.at + later, scenarios=400).advice)
    cold = [estimate(run.now, run.now.at + s, scenarios=400, memory=Memory()).advice for s in (0, 40)]
    assert cold == asked[-2:]


def test_what_is_counted_goes_at_reviews_only_and_is_asked_about_where_it_is_in_doubt() -> None:
    """Near what is needed each tick turned it: what INSIDE counts, and the alert of the chance."""
    run, reviews = busy("5:40"), [0.0]
    left: list[float] = []
    before, doubts = estimate(busy("5:40").now, 0.0, scenarios=400).counted, 0
    for k, late in enumerate((0.95, 1.25, 1.6)):
        for name, at in (("1", 1300 * (k + 1) - 40), ("2", 1300 * (k + 1))):
            run.done(f"m{k}.{name}", at=round(at * late))
            if run.now.at // 600 != reviews[-1] // 600:
                reviews.append(run.now.at)
            for later in (0, 90, 900):
                made = estimate(run.now, run.now.at + later, scenarios=400)
                assert made.counted <= before, "nothing is taken in unasked"
                left += [made.at] if made.counted < before else []
                in_doubt = {one.task for one in made.optional if one.advice == "decide"} & made.counted
                alert = any(alert.id == "confidence" for alert in made.alerts)
                assert alert or not in_doubt or made.optional[0].ground == "early"
                doubts += bool(in_doubt)
                before = made.counted
    assert left and doubts and set(left) <= set(reviews)


def test_a_decision_moves_the_task_that_it_is_about_and_an_undo_brings_back_the_set_of_before() -> None:
    run = busy("5:40")
    ticked(run, 2)

    def counted(*events: Mapping[str, Any]) -> frozenset[str]:
        supposed = run.now.suppose(*({"at": run.now.at, **event} for event in events))
        return estimate(supposed, scenarios=400).counted

    before = estimate(run.now, scenarios=400).counted
    [out, *_] = {"o0", "o1", "o2", "o3"} - before
    some = min(before)
    assert counted({"kind": "chose", "task": out, "choice": "keep"}) == before | {out}
    assert counted({"kind": "dropped", "task": some}) == before - {some}
    assert counted({"kind": "moved", "task": out, "last": True}) == before | {out}
    again = {"kind": "restored", "task": some}
    assert counted({"kind": "dropped", "task": some}, again) == before
    number = run("chose", run.now.at, task=out, choice="keep")
    run("withdrawn", None, event=number)
    assert estimate(run.now, scenarios=400).counted == before


def test_what_if_goes_on_from_the_same_before() -> None:
    run = busy()
    ticked(run, 2)
    before = estimate(run.now, scenarios=400).advice.kept
    more = run.now.suppose({"kind": "limited", "limit": "elapsed", "value": "9:00"})
    assert estimate(more, scenarios=400).advice.kept == {"o0", "o1", "o2", "o3"} > before
    assert estimate(run.now, scenarios=400).advice.kept == before


def test_prior_that_is_supposed_is_the_one_of_the_whole_walk() -> None:
    run = paper()
    run.done("first.1", at=3600)
    assert estimate(run.now, 3700, prior=FLAT, scenarios=50).advice.kept == {"lamp"}


def test_between_news_the_words_of_optional_work_stand_whoever_looks_and_when() -> None:
    run = Run(
        task("first", step("1", "EV1", 60)),
        task("long", *[step(str(k), "EV2", 9) for k in range(12)]),
        task("lamp", step("1", "EV1", 20), priority="get-ahead", value=5),
        task("mast", step("1", "EV1", 12), priority="get-ahead", value=4),
        task("photo", step("1", "EV1", 8), priority="get-ahead", value=3),
        task("then", step("1", "EV1", 30)),
        task("home", step("in", "EV1 EV2", 40), closeout=True),
        limits={"elapsed": "4:30"},
    )
    for k in range(7):
        run.done(f"long.{k}", at=540 * (k + 1))
    run("limited", run.now.at, limit="elapsed", value="3:30")
    made = [estimate(run.now, 3780 + later, scenarios=300) for later in (0, 60, 200)]
    assert all(one.advice.raised and len(one.advice.kept) == 3 for one in made), "in doubt all the time"
    words = {tuple(figure.advice for figure in one.optional) for one in made}
    assert words == {("keep", "keep", "decide")}
