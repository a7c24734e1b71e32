"""Labels of the plot of the ingress: whatever is shown at whatever size, no two of them meet."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.leads import NOW_S, Hand, Still, by_hand, excursion, points
from tracker.console.view.lead_1_day import DRAWN_FROM, ingress
from tracker.console.view.scene import LeadScene, Snapshot
from tracker.console.view.styled_text import Cells, text_of, width_of
from tracker.forecast.figures import Range
from tracker.foundation.shown import pet_up
from tracker.plan.read import read_plan


@cache
def under_way() -> LeadScene:
    """Under way, the course of the day known; no fixture, as it is too large to be told of an example."""
    hand = Hand()
    return Still(excursion(read_plan(Path(__file__).parent / "heron.yaml")), hand).session.scene(hand.utc())


def shown(scene: LeadScene, now: float, inside: Range, *, back: bool) -> LeadScene:
    estimate = by_hand(scene.progress, now, inside=inside)
    return replace(
        scene,
        snapshot=Snapshot(scene.progress, estimate),
        now=now,
        back=back,
        present=max(now, NOW_S),
        points=points(),
    )


def expected(inside: Range) -> list[str]:
    if inside.p10 == inside.p90:
        return [f"INSIDE {pet_up(inside.p50)}"]
    return [f"INSIDE {pet_up(inside.p50)}", f"until {pet_up(inside.p90)}", f"from {pet_up(inside.p10)}"]


@settings(max_examples=300, deadline=None)
@given(
    now=st.floats(0, 20000),
    middle=st.floats(600, 27000),
    below=st.floats(0, 6000),
    above=st.floats(0, 9000),
    fact=st.booleans(),
    back=st.booleans(),
    width=st.integers(60, 210),
    height=st.integers(DRAWN_FROM, 40),
)
def test_no_two_labels_meet(
    now: float,
    middle: float,
    below: float,
    above: float,
    fact: bool,
    back: bool,
    width: int,
    height: int,
) -> None:
    low, high = (0.0, 0.0) if fact else (min(below, middle), above)
    inside = Range(middle - low, middle, middle + high)
    lines = ingress(shown(under_way(), now, inside, back=back), width, height)
    assert [width_of(line) for line in lines] == [width] * height
    text = text_of(lines)
    for label in expected(inside):
        assert text.count(label) >= 1, f"{label!r} is cut or covered:\n{text}"
    assert re.search(r"═ elapsed 4:00|elapsed 4:00 ═| elapsed 4:00( |$)", text, re.MULTILINE), text


def test_the_end_of_an_excursion_at_its_limit_keeps_every_label_whole() -> None:
    for at in range(13500, 16000, 60):
        inside = Range(at + 30.0, at + 60.0, at + 90.0)
        for width in (60, 74, 96, 120):
            text = text_of(ingress(shown(under_way(), float(at), inside, back=False), width, 12))
            assert all(label in text for label in expected(inside)), text
            assert " elapsed 4:00" in text, text


def test_a_label_takes_the_first_free_place_or_none() -> None:
    cells = Cells(10, 2)
    assert cells.label([(8, 0), (0, 0)], "abc"), "the first does not fit"
    assert cells.label([(2, 0), (3, 0)], "de"), "the first meets another"
    assert not cells.label([(1, 0), (4, 0), (9, 1)], "fg")
    assert text_of(cells.lines()) == "abcde\n"


def test_the_scale_below_has_its_figures_apart() -> None:
    for width in range(30, 200):
        inside = Range(10000.0, 11000.0, 12000.0)
        scale = text_of(ingress(shown(under_way(), NOW_S, inside, back=False), width, 14)).splitlines()[-1]
        assert all(re.fullmatch(r"PET|\d+:\d\d", word) for word in scale.split()), scale
