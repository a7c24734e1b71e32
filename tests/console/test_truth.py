"""One truth on every page: an instant of a limit, INSIDE, the chance and what is to spare are said alike."""

from __future__ import annotations

from pathlib import Path

from tests.rehearsals import ticks
from tests.runs import Run, step, task
from tests.screens import scene_of
from tests.truth import Walk
from tracker.console.view.crew import crew_lines
from tracker.console.view.styled_text import text_of
from tracker.foundation.shown import pet_nearest
from tracker.plan.read import read_plan

PLANS = Path(__file__).resolve().parents[2] / "plans"


def test_every_page_says_the_same_through_a_rehearsal() -> None:
    walk = Walk()
    for number, (progress, at) in enumerate(
        ticks(read_plan(PLANS / "larkspur.yaml"), seed=5, wanted=("leak",))
    ):
        if number % 16 == 0:
            walk.look(scene_of(progress, at, scenarios=100, choices=number % 32 == 0))
    assert not walk.wrong, "\n".join(walk.wrong[:20])
    assert walk.instants >= 6 and walk.compared > 1000


def test_a_wait_names_what_ends_last_with_its_end_and_lasts_through_a_hold() -> None:
    run = Run(
        task("a", step("1", "EV1", 5), step("2", "EV1", 20)),
        task("b", step("0", "EV2", 2), step("1", "EV2", 5, needs=["a.1", "a.2"])),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    run.done("b.0", at=60)
    run("held", 90, crew=["EV2"])
    run("resumed", 240, crew=["EV2"])
    scene = scene_of(run.now, 250, scenarios=200)
    figures = {figure.step: figure for figure in scene.estimate.steps} if scene.estimate else {}
    assert figures["b.1"].waits_for == "need a.2"
    row = text_of(crew_lines(scene, 120, 8))
    assert f"wait for EV1 to do 2, about {pet_nearest(figures['a.2'].finish.p50)}: " in row
    assert "since 0:01" in row
