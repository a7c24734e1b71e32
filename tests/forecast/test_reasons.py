"""What is said against a task that only a hardware clock forbids."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.forecast.figures import OptionalFigure
from tracker.forecast.wording import reason_words


def unplugged(first: str) -> OptionalFigure:
    """The extra 20 minutes stand before the mate, due 40 minutes after the unplug and 30 long."""
    run = Run(
        task("out", step("un", "EV1", 10)),
        task("soon", step("look", "EV1", 5)),
        task("extra", step("x", "EV1", 20), priority="get-ahead"),
        task(
            "home",
            {**step("mate", "EV1", 30), "within": {"of": "out.un", "time": "0:40"}},
            step("way", "EV1 EV2", 30),
            closeout=True,
        ),
    )
    run.done("out.un", at=600)
    if first == "at work":
        run("skipped", 600, step="soon.look")
    (figure,) = flat(run.now).optional
    return figure


def test_what_does_not_fit_so_far_is_not_said_to_be_out_while_too_little_is_known() -> None:
    """*Not yet* stood beside *cannot fit: 69 %*."""
    figure = unplugged("ahead")
    words = "with it the chance is 69 %, need 90 %"
    drop = replace(figure, advice="drop", ground="figures", reason=f"cannot fit: {words}")
    assert reason_words(drop) == drop.reason
    assert reason_words(replace(drop, ground="early")) == (f"too little is done to say; as it looks, {words}")


@pytest.mark.parametrize("first", ["ahead", "at work"])
def test_a_clock_that_would_run_out_is_named(first: str) -> None:
    figure = unplugged(first)
    assert figure.advice == ("drop" if first == "at work" else "decide")
    assert "hardware clock of home.mate is too likely to run out" in figure.reason
    assert ("under way" in figure.reason) == (first == "at work")


def test_what_has_come_to_fit_is_offered_and_counts_once_a_person_keeps_it() -> None:
    """Lamp (6 worth) and photos do not fit together; at 0:45 the lamp does not fit any more, photos do."""
    run = Run(
        task("a", step("1", "EV1", 20)),
        task("b", step("1", "EV2", 45)),
        task("lamp", step("x", "EV1", 60), priority="get-ahead", value=6),
        task("photos", step("x", "EV1", 30), priority="get-ahead"),
        task("home", step("way", "EV1 EV2", 30), closeout=True),
        limits={"elapsed": "1:50"},
    )
    assert flat(run.now).advice.kept == {"lamp"}
    lamp, photos = flat(run.now, 2700).optional
    assert (lamp.advice, photos.advice) == ("drop", "decide")
    run.done("b.1", at=2700)
    [_, photos] = flat(run.now).optional
    assert photos.advice == "decide" and "it fits, and counts once it is kept" in photos.reason
    assert flat(run.now).counted == frozenset()
    run("chose", 2700, task="photos", choice="keep")
    assert flat(run.now).counted == {"photos"}
