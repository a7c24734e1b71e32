"""What happens beside the screen: the writer, what is renewed when, and decisions beside their advice."""

from __future__ import annotations

import queue
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from textual.events import Resize
from textual.geometry import Size

from tracker.console.key_events import tick, with_decisions
from tracker.console.session import Session
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.workers import Estimated, Renewal, Wanted
from tracker.console.writer import Aside, Job, Opened, OthersWrote, Refused, Report, Unsaved, Writer, Written
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.plan.model import Plan

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
START = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}


def started(journal: Any) -> tuple[Writer, queue.Queue[Report]]:
    heard: queue.Queue[Report] = queue.Queue()
    writer = Writer(lambda: journal, "here", heard.put)
    writer.start()
    assert isinstance(heard.get(timeout=60), Opened)
    return writer, heard


def test_jobs_are_written_in_order_and_impossible_ones_refused(plan: Plan, tmp_path: Path) -> None:
    writer, heard = started(Journal.create(tmp_path / "one.sqlite", plan))
    for token, event in enumerate(
        (START, {"kind": "done", "step": "nothing"}, {"kind": "noted", "text": "x"})
    ):
        writer.submit(Job(token, (event,), ZERO))
    found = [heard.get(timeout=60) for _ in range(3)]
    assert [type(report) for report in found] == [Written, Refused, Written]
    assert writer.stop() == ()


def test_what_is_not_on_disk_comes_back_at_the_end(plan: Plan, tmp_path: Path) -> None:
    class Broken(Journal):
        def record_all(self, events: Any, **keys: Any) -> list[int]:
            raise JournalError("the disk is full")

    writer, heard = started(Broken.create(tmp_path / "one.sqlite", plan))
    job = Job(1, (START,), ZERO)
    writer.submit(job)
    report = heard.get(timeout=60)
    assert isinstance(report, Unsaved) and report.words == "the disk is full"
    assert writer.stop() == (job,)


def test_estimates_and_the_page_go_beside_the_events(plan: Plan, tmp_path: Path, under_way: Scene) -> None:
    path = tmp_path / "one.sqlite"
    writer, heard = started(Journal.create(path, plan))
    writer.submit(Job(1, (START,), ZERO))
    assert isinstance(heard.get(timeout=60), Written)
    assert under_way.estimate is not None
    writer.keep_estimate(under_way.estimate.as_json(), 1)
    writer.keep_page(under_way.progress, under_way.estimate)
    writer.stop()
    assert not [report for report in heard.queue if isinstance(report, Aside)]
    with Journal.open(path, read_only=True) as journal:
        assert [shown.event for shown in journal.estimates()] == [1]
    page = (tmp_path / "one.page.txt").read_text(encoding="utf-8")
    assert "Heron pump exchange" in page and under_way.estimate.advisory in page


def test_what_is_due_and_when(under_way: Scene) -> None:
    renewal, snapshot, now = Renewal(), under_way.snapshot, under_way.now
    assert renewal.wanted(snapshot, now, 0.0) is True
    assert renewal.wanted(snapshot, now + 5, 5.0) is None
    assert renewal.wanted(snapshot, now + 11, 11.0) is False
    assert renewal.wanted(snapshot, now + 31, 31.0) is True
    renewal.happened()
    assert renewal.wanted(snapshot, now + 32, 32.0) is True
    # The next change is the end of daylight, at 2820.
    assert renewal.due == 2820.0
    assert renewal.wanted(snapshot, 2820.0, 33.0) is True
    times = ((1, 0.0), (2, 30.0), (2, 61.0), (2, 200.0))
    kept = [renewal.keeps(replace(snapshot.progress, number=n), t) for n, t in times]
    assert kept == [True, False, True, False]
    assert [renewal.pages(t) for t in (0.0, 899.0, 901.0)] == [True, False, True]


def test_a_rehearsal_keeps_an_estimate_every_few_seconds(under_way: Scene) -> None:
    renewal = Renewal()
    rehearsed = replace(under_way.snapshot.progress, rehearsal=True)
    snapshot = Snapshot(rehearsed, under_way.estimate)
    kept = [renewal.keeps(rehearsed, t) for t in (0.0, 4.0, 5.0, 6.0, 10.5)]
    assert kept == [True, False, True, False, True], "whether or not something happened"
    assert not renewal.keeps(replace(rehearsed, closed=100.0), 100.0), "it is over, and nothing new happened"
    assert renewal.wanted(snapshot, under_way.now, 0.0) is True
    assert renewal.wanted(snapshot, under_way.now + 150, 5.0) is True


def test_what_events_overtake_is_shown_with_its_entry_and_tells_the_time_of_a_rehearsal(
    under_way: Scene,
) -> None:
    kept: list[int] = []
    session = Session(
        "desk", lambda job: None, lambda wanted: None, lambda made, n: kept.append(n), lambda *page: None
    )
    before = replace(under_way.progress, rehearsal=True)
    session.take(OthersWrote(before), 0.0)
    made = under_way.estimate
    assert made is not None
    session.take(OthersWrote(replace(before, number=before.number + 1)), 1.0)
    session.estimated(Estimated(made, Wanted(before, made.at, True), full=False), 1.1)
    assert session.snapshot is not None and session.snapshot.latest is made
    assert session.snapshot.known == before.number and kept == [before.number]
    newer = replace(made, safe=0.5)
    session.estimated(Estimated(newer, Wanted(session.progress, made.at, False), full=False), 1.2)
    session.estimated(Estimated(made, Wanted(before, made.at, True), full=True), 1.3)
    assert session.snapshot.latest is newer, "what knows less comes too late"


def test_a_drop_goes_on_record_beside_its_advice(under_way: Scene) -> None:
    events = with_decisions([{"kind": "dropped", "task": "lamp", "at": 60}], under_way.estimate)
    assert [e["kind"] for e in events] == ["dropped", "chose"]
    assert (events[1]["choice"], events[1]["advice"], events[1]["at"]) == ("drop", "keep", 60)
    assert events[1]["figures"]["last_call"] == 10200.0
    chosen = with_decisions([{"kind": "chose", "task": "survey", "choice": "drop"}], under_way.estimate)
    assert [e["kind"] for e in chosen] == ["chose", "dropped"]
    assert with_decisions([{"kind": "dropped", "task": "pump"}], under_way.estimate)[0]["kind"] == "dropped"


def test_a_tick_of_a_step_whose_items_were_counted_in_part_says_how_many(under_way: Scene) -> None:
    assert "done Release the captive bolts, 3 of 6 counted" in tick(under_way.progress, 1, None, 2400.0).words


async def test_what_comes_while_a_screen_closes_finds_no_pane_and_asks_for_none(
    at_desk: Callable[..., Any], at_lead: Callable[..., Any]
) -> None:
    for opened, name in ((at_desk(), "desk"), (at_lead(), "lead")):
        async with opened as at:
            screen = getattr(at, name)
            screen.app.exit()
            await screen.query("*").remove()
            screen.on_resize(Resize(Size(80, 24), Size(80, 24)))
            screen.repaint()
