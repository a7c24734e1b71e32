"""Each region at each size: exactly its cells, and the words that a reader without colour needs."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tracker.console.layout import MIDDLE
from tracker.console.view.alerts import alert_lines
from tracker.console.view.crew import crew_lines, crew_rows
from tracker.console.view.head import head
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import Line

SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]
Exact = Callable[[list[Line], int, int], str]
OnFile = Callable[[str, str], None]


def regions(scene: Scene, width: int, height: int, exact: Exact) -> str:
    crew = crew_rows(scene, width, height)
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
