"""What is taken over from before an event is what would be made anew."""

from __future__ import annotations

from typing import Any

import pytest

from tests.runs import Run, step, task
from tracker.forecast.remaining import remaining_work
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress

TASKS = (
    task("a", step("1", "EV1", 10), step("2", "EV1 EV2", 20, window="day"), step("3", "EV1", 5, site="far")),
    task(
        "b", step("1", "EV2", 15), step("2", "EV2", 10, needs=["a.1"]), step("3", "EV1", 5), priority="should"
    ),
    task("c", step("1", "EV2", 10, window="day"), step("2", "EV1", 5), priority="get-ahead"),
    task("home", {**step("walk", "EV1 EV2", 5), "time": "home"}, step("in", "EV1 EV2", 10), closeout=True),
)
DAY: dict[str, Any] = {
    "windows": [{"id": "day", "open": [["0:20", "1:00"], ["1:40", "9:00"]]}],
    "sites": {"far": {"home": "0:20"}},
}


def anew(progress: Progress) -> Progress:
    """Return the same journal folded afresh, which shares nothing with it."""
    fold = Fold.start(progress.plan, uuid=progress.uuid).add_all(progress.fold.recorded)
    return fold.progress()


@pytest.mark.parametrize(
    "event",
    [
        ("done", {"step": "a.1"}),
        ("skipped", {"step": "b.1"}),
        ("dropped", {"task": "c"}),
        ("handed", {"step": "c.2", "crew": ["EV2"]}),
        ("retimed", {"step": "b.3", "time": "0:30"}),
        ("chose", {"task": "b", "choice": "keep"}),
        ("called", {"call": "home"}),
        ("added", {"task": task("d", step("1", "EV1", 10))}),
    ],
)
def test_after_an_event_all_is_as_if_made_anew(event: tuple[str, dict[str, Any]]) -> None:
    run = Run(*TASKS, **DAY)
    before = run.now
    known = remaining_work(before)
    kind, body = event
    run(kind, 900, **body)
    after = run.now
    made = remaining_work(after)
    fresh_progress = anew(after)
    fresh = remaining_work(fresh_progress)
    for now in (900.0, 1500.0, 7000.0):
        assert made.at(after, now) == fresh.at(fresh_progress, now)
    assert any(made.still[s] is known.still[s] for s in made.still if s in known.still) or kind == "called"
    assert not any(fresh.still[s] is made.still[s] for s in fresh.still)
