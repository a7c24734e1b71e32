"""Cautions and numbers on the desk: below whoever is at the step, whole, and the list makes room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

import pytest

from tests.console.conftest import ZERO
from tests.flat import flat
from tests.runs import Run, step, task
from tests.screens import screen
from tracker.console.layout import layout_for
from tracker.console.view.crew import member_at
from tracker.console.view.scene import Disk, Scene, Snapshot

LONG = ("mind the spring and the edge of the bracket, " * 11).strip()[:490]
HOSTILE = "[b]<i>hot</i>[/b] \u202e=1+1"
SIZES = [(80, 24), (120, 36), (200, 55)]


def scene_of(*steps: Any, crew: str = "EV1 EV2 IV", now: float = 900) -> Scene:
    """Return the scene fifteen minutes into a plan of these steps."""
    run = Run(task("a", *steps), crew=crew)
    return Scene(Snapshot(run.now, flat(run.now, now)), now, ZERO + timedelta(seconds=now), disk=Disk(1))


def shown(scene: Scene, width: int, height: int) -> str:
    return " ".join(screen(scene, width, height).split())


def few() -> Sequence[Any]:
    return (
        step("board", "EV1", 20, do="Set up the tool board", cautions=["The plate springs up", HOSTILE]),
        step("drive", "EV2", 30, do="Drive the foot bolts", numbers={"torque": "12 N m", "turns": "7"}),
        step("plug", "EV1 EV2", 20, do="Mate the plugs", cautions="Pins bend: no force"),
    )


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_few_cautions(width: int, height: int, on_file: Callable[[str, str], None]) -> None:
    scene = scene_of(*few())
    text = screen(scene, width, height)
    on_file(f"heeded-{width}", text)
    assert "! The plate springs up" in text and "! [b]<i>hot</i>[/b] ?=1+1" in text
    assert "torque 12 N m, turns 7" in text
    assert text.count("! Pins bend: no force") == (height > 30)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_caution_is_never_cut(width: int, height: int) -> None:
    steps = [step("1", "EV1", 60, cautions=[LONG, LONG.upper()]), step("2", "EV2", 60, cautions=LONG.title())]
    scene = scene_of(*steps)
    said = shown(scene, width, height)
    found = [words in said for words in (LONG, LONG.upper(), LONG.title())]
    assert all(found) or (found[0] and "~ 15 more rows to heed: B has them" in said and height == 24)
    assert all(f" {n} {c} " in said for n, c in enumerate(("EV1", "EV2", "IV"), 1)) and "calm" in said


def test_a_plan_without_them_keeps_its_rows() -> None:
    bare = scene_of(step("1", "EV1", 60), step("2", "EV2", 60))
    assert [layout_for(bare, *size).crew for size in SIZES] == [6, 6, 3]


def test_a_click_on_a_caution_means_whose_it_is() -> None:
    scene = scene_of(*few())
    height = layout_for(scene, 120, 36).crew
    rows = [member_at(scene, 120, height, row) for row in range(height)]
    assert rows == [1, 1, 1, 1, 1, 2, 2, 2, 3, 3]
