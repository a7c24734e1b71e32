"""Each region at each size: exactly its cells, and the words that a reader without colour needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tests.flat import flat
from tests.leads import choices
from tests.runs import Run, step, task
from tracker.console.layout import MIDDLE, layout_for
from tracker.console.view.alerts import alert_lines
from tracker.console.view.crew import crew_lines
from tracker.console.view.head import chance_forms, head
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import Line, text_of
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Range
from tracker.forecast.wording import chance_words
from tracker.foundation.text import percent

SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]
Exact = Callable[[list[Line], int, int], str]
OnFile = Callable[[str, str], None]


def regions(scene: Scene, width: int, height: int, exact: Exact) -> str:
    crew = layout_for(scene, width, height).crew
    views = {name: view for name, view in MIDDLE.items() if name not in ("home", "events")}
    parts = [exact(head(scene, width, 3), width, 3), exact(crew_lines(scene, width, crew), width, crew)]
    parts += [exact(view(scene, width, 18), width, 18) for view in views.values()]
    parts.append(exact(alert_lines(scene, width, 2), width, 2))
    return "\n\n".join(parts)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_regions_under_way(under_way: Scene, exact: Exact, on_file: OnFile, width: int, height: int) -> None:
    on_file(f"regions-under-way-{width}", regions(under_way, width, height, exact))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_regions_before_the_clock(
    before: Scene, exact: Exact, on_file: OnFile, width: int, height: int
) -> None:
    on_file(f"regions-before-{width}", regions(before, width, height, exact))


def test_the_head_is_alarmed_when_the_alert_is() -> None:
    """A joint step is work of all its crew: a tenth of the steps' time may be less of the crew's."""
    steps = (step("1", "EV1", 10), step("2", "EV1 EV2", 60), step("3", "EV1", 20))
    run = Run(task("a", *steps), limits={"elapsed": "1:40"})
    for name, at, alarmed in (("a.1", 600, False), ("a.2", 5600, True)):
        run.done(name, at=at)
        made = estimate(run.now, at, scenarios=50)
        words = chance_forms(made)[0]
        assert words.text == chance_words(made) == f"chance {percent(made.safe, 0.9)}, need 90 %"
        act = {alert.id for alert in made.alerts if alert.severity == "act"}
        assert (words.ink == "alarm") == alarmed == bool(act & {"confidence", "turn-back"})


def test_what_to_give_up_is_told_once(under_way: Scene) -> None:
    """By the choices where they are there: what stands beside them is of an older instant."""
    assert under_way.estimate is not None
    short = replace(under_way.estimate, when_short=("Giving up pump is enough: inside 2:00, chance 95 %.",))
    alone = replace(under_way, snapshot=Snapshot(under_way.progress, replace(short, choices=None)))
    assert "Giving up pump is enough" in text_of(MIDDLE["optional"](alone, 100, 30))
    beside = replace(alone, snapshot=Snapshot(under_way.progress, replace(short, choices=choices())))
    assert "Giving up pump" not in text_of(MIDDLE["optional"](beside, 100, 30))


def test_a_range_of_a_minute_is_an_instant_and_nothing_past_begins() -> None:
    """Nor is anybody late before anything could have ended."""
    run = Run(task("a", step("1", "EV1", 9), step("2", "EV1", 20)), limits={"elapsed": "1:40"}, crew="EV1")
    made = flat(run.now, 26)
    late = replace(made, steps=tuple(replace(s, start=Range(600, 600, 600)) for s in made.steps))

    def rows(now: float, inside: Range) -> str:
        shown = replace(late, inside=inside)
        scene = Scene(Snapshot(run.now, shown), now, datetime(2031, 5, 4, 14, tzinfo=UTC))
        return text_of([*head(scene, 120, 3), *crew_lines(scene, 200, 1)])

    first = rows(26, Range(1800, 2000, 2400))
    assert "begins 0:10" in first and "late" not in first and "8 in 10 between 0:30 and 0:40" in first
    assert "begins 0:10, 1 min late" in rows(580, made.inside)
    then = rows(1200, Range(1780, 1790, 1830))
    assert "begins" not in then and "8 in 10" not in then
