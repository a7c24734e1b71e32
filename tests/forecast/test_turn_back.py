"""Turn-back: answers on paper, and against every instant tried."""

from __future__ import annotations

import pytest

from tests.worlds import Ask, Optional, Store, Work, world
from tracker.forecast.homeward import homeward
from tracker.forecast.judge import Judge
from tracker.forecast.turn_back import turn_back
from tracker.forecast.world import World

MIN = 60.0


def paper(limit: float, closing: float = 20, **ask: object) -> World:
    """EV1: 60 min opens the cover, 60, then closes it, 60; EV2: 100, 120; joint closeout 30 and 40."""
    works = [
        Work("open", "EV1", 60 * MIN, opens="cover"),
        Work("a", "EV1", 60 * MIN),
        Work("b", "EV2", 100 * MIN),
        Work("shut", "EV1", closing * MIN, closes="cover"),
        Work("c", "EV1", 60 * MIN),
        Work("d", "EV2", 120 * MIN),
        Work("clean", "EV1 EV2", 30 * MIN, closeout=True),
        Work("home", "EV1 EV2", 40 * MIN, closeout=True),
    ]
    return world(works, limit * MIN, Ask(**ask))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("limit", "closing", "latest"),
    [(210, 20, 140), (205, 20, 115), (215, 20, 145), (150, 20, 60), (300, 20, 230), (255, 60, 185), (249, 60, 119)],
)
def test_on_paper(limit: float, closing: float, latest: float) -> None:
    assert turn_back(Judge(paper(limit, closing)), ()).latest == latest * MIN


@pytest.mark.parametrize(
    ("called", "inside"), [(0, 70), (30, 120), (110, 200), (130, 210), (140, 210), (150, 220)]
)
def test_inside_when_called(called: float, inside: float) -> None:
    made = paper(210)
    judge = Judge(made)
    course = homeward(made, made.present(()), judge.course(()))
    assert float(course.called(called * MIN).inside[0]) == inside * MIN


def test_inside_if_now_is_a_call_at_once() -> None:
    assert turn_back(Judge(paper(210)), ()).inside_if_now.p50 == 70 * MIN
