"""What is offered when the chance is below what is needed: optional work first, must work by its name."""

from __future__ import annotations

from tests.forecast.test_alerts import HOME, alerts
from tests.runs import Run, step, task


def test_the_chance_says_what_is_short_and_the_cheapest_choice_that_meets_what_is_needed() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV2", 30), step("2", "EV2", 60), priority="get-ahead"),
        task("d", step("1", "EV2", 30), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:15"},
    )
    run("chose", 60, task="c", choice="keep")
    run.done("c.1", at=2400)
    run.done("a.1", at=3600)
    found = alerts(run, 3660, choices=True)["confidence"]
    assert found.text == (
        "chance <1 %, need 90 %: elapsed limit at 2:15, 5 min SHORT. drop c: inside 2:11, >99 %"
    )
    assert (found.severity, found.subject, found.do) == ("act", "elapsed", ("drop c",))
    assert found.figures["spare"] == -300


def test_what_was_kept_by_decision_goes_before_must_work_and_must_work_is_called_so() -> None:
    def run(first_min: float) -> Run:
        made = Run(
            task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
            task("b", step("1", "EV1", 30)),
            task("c", step("1", "EV1", 40), priority="get-ahead", value=50),
            HOME,
            limits={"elapsed": "3:00"},
        )
        made("chose", 60, task="c", choice="keep")
        made.done("a.1", at=60 * first_min)
        return made

    found = alerts(run(60), 3660, choices=True)["confidence"]
    assert found.text.endswith("drop c: inside 2:40, >99 %"), "not the must task, though more value is left"
    found = alerts(run(85), 85 * 60 + 60, choices=True)["confidence"]
    assert found.do == ("drop b", "drop c"), "must work goes with all that is optional"
    assert "drop b and drop c (b: must work, ask the lead), together: inside 2:35, >99 %" in found.text


def test_one_of_several_drops_is_not_taken_for_the_whole_remedy() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 30)),
        task("c", step("1", "EV1", 30), priority="get-ahead"),
        task("d", step("1", "EV1", 30), priority="get-ahead"),
        task("e", step("1", "EV2", 300, needs=["a"]), priority="get-ahead"),
        HOME,
        limits={"elapsed": "2:15"},
    )
    for name in "cd":
        run("chose", 60, task=name, choice="keep")
    run.done("a.1", at=3600)
    found = alerts(run, 3660, choices=True)["confidence"]
    assert found.do == ("drop c", "drop d"), "nobody counts e: to drop it changes nothing"
    assert "drop c and drop d, together: inside 2:10, >99 %" in found.text
