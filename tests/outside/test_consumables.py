"""Published consumable figures, reproduced through readings and the estimate.

Left out: the suit's design load of 7000 and 6800 Btu (EVA-23 mishap report, p. 40), which is a product
of two figures and nothing that the program computes.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

from tests.runs import Run, step, task
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import ConsumableFigure
from tracker.forecast.pace_file import PacePrior

MINUTE = 60.0
EXACT = PacePrior(1.0, 0.0, (0.0,), (1.0,), 0.0, 6.0, 0.0, work_spread=0.0, use_spread=3.0, use_walk=0.0)
"""Steps take their planned time; how fast a store is used is not known at all beforehand."""


def outing(store: dict[str, Any], minutes: int, crew: str = "EV1") -> Run:
    """Return an excursion of steady work that goes on for so long."""
    works = [step(f"w{c}", c, minutes) for c in crew.split()]
    return Run(task("work", *works), crew=crew, limits={"elapsed": "20:00"}, consumables=[store])


def steady(name: str, unit: str, start: float, per_hour: float, sd: float) -> dict[str, Any]:
    return {"id": name, "unit": unit, "start": start, "reserve": 0, "per_hour": per_hour, "reading_sd": sd}


def figure(run: Run, crew: str = "EV1") -> ConsumableFigure:
    made = estimate(run.now, prior=EXACT, scenarios=2000)
    return next(c for c in made.consumables if c.crew == crew)


def test_36_percent_left_at_277_minutes_is_empty_at_433() -> None:
    """Apollo 17 surface journal, first excursion, note at 121:37:50: 432.8 min at steady use."""
    run = outing(steady("oxygen", "%", 100, 12, 0.01), 500)
    run("reading", 277 * 60, crew="EV1", consumable="oxygen", value=36)
    empty = figure(run).reserve_reached
    assert empty.p50 is not None and empty.p50 / MINUTE == pytest.approx(432.8, abs=1.0)


def test_92_percent_at_the_start_and_84_at_40_minutes_are_good_for_460() -> None:
    """Apollo 16 surface journal, note at 143:21:06."""
    run = outing(steady("oxygen", "%", 92, 14, 0.01), 500)
    run("reading", 40 * 60, crew="EV1", consumable="oxygen", value=84)
    empty = figure(run).reserve_reached
    assert empty.p50 is not None and empty.p50 / MINUTE == pytest.approx(460, abs=1.0)


def test_water_of_two_crew_members_and_which_of_them_binds() -> None:
    """Apollo 16 surface journal, note at 123:32:19, which cites the mission report: 446.6 and 571 min."""
    run = outing(steady("water", "lb", 12.04, 1.5, 0.001), 440, crew="LMP CDR")
    for crew, used in (("LMP", 11.62), ("CDR", 9.08)):
        run("reading", 431 * 60, crew=crew, consumable="water", value=12.04 - used)
    for crew, dry in (("LMP", 446.6), ("CDR", 571.0)):
        reached = figure(run, crew).reserve_reached.p50
        assert reached is not None and reached / MINUTE == pytest.approx(dry, abs=1.0)
    binding = estimate(run.now, prior=EXACT, scenarios=2000).binding
    assert binding is not None and binding.id == "LMP.water"


def test_gas_of_a_dive_by_depth() -> None:
    """US Navy Diving Manual, p. 8-3: 190 fsw, 1.4 acfm, 3 min on the bottom, 7 min ascent at a mean 95 fsw.

    28.38 + 38.01 = 66.39 scf; a floodable volume of 0.399 cubic feet and 135 psig minimum make 2580.95 psig.
    """
    atmosphere, surface = 33.0, 1.4
    bottom = step("bottom", "DV1", 3, use={"gas": (190 + atmosphere) / atmosphere})
    ascent = step("ascent", "DV1", 7, use={"gas": (95 + atmosphere) / atmosphere})
    gas = {"id": "gas", "unit": "scf", "start": 100, "reserve": 0, "per_hour": surface * 60, "reading_sd": 0}
    run = Run(
        task("dive", bottom), task("up", ascent, closeout=True), crew="DV1", consumables=[gas]
    )  # fmt: skip
    prior = PacePrior(1.0, 0.0, (0.0,), (1.0,), 0.0, 6.0, 0.0, work_spread=0.0, use_spread=0.0)
    at_inside = estimate(run.now, prior=prior, scenarios=10).consumables[0].at_inside.p50
    assert at_inside is not None
    used = 100 - at_inside
    assert used == pytest.approx(66.39, abs=0.02)
    assert used * 14.7 / 0.399 + 135 == pytest.approx(2580.95, abs=1.0)
    run.done("dive.bottom", at=180)
    now = estimate(run.now, prior=prior, scenarios=10).consumables[0].now
    assert 100 - now == pytest.approx(28.38, abs=0.01)


def gauge(crew: str) -> list[tuple[float, float]]:
    """Return (minutes, percent) as the crew read them out: Apollo 16 surface journal, first excursion."""
    path = Path(__file__).parent / "data" / "lunar_oxygen_gauge.csv"
    with path.open(newline="") as file:
        return [
            (float(r["pet_min"]), float(r["oxygen_percent"]))
            for r in csv.DictReader(file)
            if r["crew"] == crew
        ]


def test_an_oxygen_gauge_read_four_times_projects_damped_and_says_how_unsure_it_is() -> None:
    """Lines through the first and each later reading of the LMP project empty at 384, 492 and 491 min.

    A good projection swings less, and its range holds what all four readings say: 495 min.
    """
    (first, *later), rows = gauge("LMP"), gauge("LMP")
    lines = [t - y * (t - first[0]) / (y - first[1]) for t, y in later]
    assert lines == pytest.approx([384, 492, 491], abs=1.0)
    run = outing(steady("oxygen", "%", 100, 12, 5), 420)
    prior = PacePrior(use_spread=0.15)
    projected, ends = [], (0.0, 0.0)
    for minutes, percent in rows:
        run("reading", round(minutes * 60), crew="EV1", consumable="oxygen", value=percent)
        reached = estimate(run.now, prior=prior).consumables[0].reserve_reached
        assert reached.p10 is not None and reached.p50 is not None and reached.p90 is not None
        projected.append(reached.p50 / MINUTE)
        ends = (reached.p10 / MINUTE, reached.p90 / MINUTE)
    swing = max(projected[1:]) - min(projected[1:])
    assert swing < 0.5 * (max(lines) - min(lines))
    assert ends[0] < 495 < ends[1]
