"""Instants and durations are told apart by their words, wherever the desk shows one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.rehearsals import ticks
from tests.screens import panes, scene_of
from tracker.console.typed_events import of_choices
from tracker.console.view.alerts import message_lines
from tracker.console.view.scene import Scene
from tracker.console.view.styled_text import text_of
from tracker.console.view.words import called_words
from tracker.journal.wording import event_words
from tracker.plan.read import read_plan

PLANS = Path(__file__).resolve().parents[2] / "plans"
SIZES = ((80, 24), (100, 30), (120, 36), (200, 55))
OURS = ("steps", "runway", "optional", "consumables", "home")

BEFORE_AN_INSTANT = re.compile(
    r"(\b(at|by|from|until|since|about|between|and|inside|INSIDE|alone|read|begins|ended|home|goes|[Aa]s of)"
    r"|->|8 in 10:|\.\.) *$"
)
"""Words of which one stands before every instant: `home` is behind `called`, `of` behind `as`."""
ABOVE = re.compile(r"\b(begins|ended|start by|at reserve|inside|planned|read|at)\b")
"""Heads of columns of instants."""
OF_SHIFTS = re.compile(r"\b(late|shift|INSIDE by)\b")
TIME = re.compile(r"(?<![\d:])\d{1,3}:\d\d(?![\d:])")
RUNNING = re.compile(r"\d+:\d\d( of \d+:\d\d)? min|\d+:\d\d(?= until \d+:\d\d)")
"""A running clock; and the begin of a step, of which the end stands behind it."""
SHIFT = re.compile(r"(?<![\w:.])[+-]\d+(?! (?:min|h)\b)(?! h)\b")


def unsaid(text: str) -> Iterator[str]:
    """Yield every time of a region of which nothing says whether it is an instant or a duration."""
    above: list[str] = []
    for row in text.splitlines():
        running = [range(*match.span()) for match in RUNNING.finditer(row)]
        for match in TIME.finditer(row):
            if any(match.start() in span for span in running):
                continue
            if not BEFORE_AN_INSTANT.search(row[: match.start()]) and not under(ABOVE, above, match):
                yield f"{match.group()} in {row!r}"
        for match in SHIFT.finditer(row):
            if not under(OF_SHIFTS, above, match) and " -> " not in row:
                yield f"{match.group()} in {row!r}"
        above.append(row)


def under(heads: re.Pattern[str], above: list[str], cell: re.Match[str]) -> bool:
    """Whether a cell stands below the head of such a column."""
    found = (head for row in above for head in heads.finditer(row))
    return any(head.start() < cell.end() and cell.start() < head.end() for head in found)


def regions(scene: Scene) -> Iterator[tuple[str, str]]:
    for width, height in SIZES:
        for view in OURS:
            for name, lines in panes(scene, width, height, view).items():
                yield f"{view} {name} {width}x{height}", text_of(lines)
    progress = scene.progress
    chosen = [*progress.steps, *progress.plan.member, *(str(e.number) for e in progress.events[-40:])]
    for one in chosen:
        yield f"message on {one}", text_of(message_lines(replace(scene, chosen=one), 400, 3))
    for event in progress.events[-40:]:
        yield "message of what was written", event_words(progress, event.kind, event.body)
    estimate = scene.estimate
    for choice in (estimate.choices or ()) if estimate is not None else ():
        follows = of_choices(choice.events, estimate)
        yield "message of what follows", "" if follows is None else follows.words
    yield "message of a call", called_words(estimate)


@pytest.mark.parametrize(("plan", "seed", "surprise"), [("larkspur", 3, "hold"), ("plateau", 2, "leak")])
def test_every_time_on_the_desk_says_what_it_is(plan: str, seed: int, surprise: str) -> None:
    looked = 0
    for number, (progress, at) in enumerate(
        ticks(read_plan(PLANS / f"{plan}.yaml"), seed, wanted=(surprise,))
    ):
        if number % 25 == 3:
            scene = scene_of(progress, at, scenarios=100, choices=True)
            found = [f"{where}: {time}" for where, text in regions(scene) for time in unsaid(text)]
            assert not found, "\n".join(found[:20])
            looked += 1
    assert looked >= 1


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (" EV2 wait for sun, from 3:31   since 2:09", 0),
        (" EV2 wait for sun   for 0:07", 1),
        (" turn back 5:29", 1),
        (" 5:44 of 5:00 min   10:00 min", 0),
        ("      begins   late\n a      2:17    +36\n b          12:00", 1),
        (" costs +36", 1),
        (" 8 in 10: 4:40..5:57, between 4:40 and 5:57", 0),
    ],
)
def test_a_time_that_says_nothing_is_found(text: str, found: int) -> None:
    assert len(list(unsaid(text))) == found
