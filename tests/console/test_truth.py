"""One truth on every page: an instant of a limit, INSIDE, the chance and what is to spare are said alike."""

from __future__ import annotations

from pathlib import Path

from tests.rehearsals import ticks
from tests.screens import scene_of
from tests.truth import Walk
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
