"""The lead's view beside a desk: what another process ticks is seen, and nothing is ever written."""

from __future__ import annotations

import hashlib
import json
import queue
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.keyboard import until
from tests.leads import EVENTS, AtLead, by_hand, on_record
from tracker.console.app import TrackerApp
from tracker.console.lead import Lead
from tracker.console.lead_analysis import Following, Grown, NoJournal, told
from tracker.console.lead_session import LeadRuntime
from tracker.forecast.estimate import estimate
from tracker.journal.journal import Journal
from tracker.plan.model import Plan


def everything(folder: Path) -> dict[str, str]:
    """Return every file of a folder by name, with its content's hash."""
    return {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest()
        for file in folder.iterdir()
        if not file.name.endswith("-shm")
    }


def tick(path: Path, step: str, at: str) -> None:
    """Tick from another process, as a desk elsewhere would."""
    command = [sys.executable, "-m", "tracker", "record", str(path), "done", f"step={step}", "--at", at]
    subprocess.run(command, check=True, capture_output=True)


async def test_a_tick_of_another_process_is_seen(path: Path) -> None:
    runtime = LeadRuntime(path)
    app = TrackerApp(Lead(runtime))
    async with app.run_test(size=(200, 55)) as pilot:
        at = AtLead(pilot, app)
        await at.until("event 8")
        await at.until("chance by limit")
        assert runtime.session.followed.steps["pump.bolts"].ended is None
        tick(path, "pump.bolts", "0:40")
        await at.until("event 9")
        await at.press("S")
        await at.until("done EV1 Release the captive bolts")
        snapshot = runtime.session.snapshot
        assert snapshot is not None and snapshot.progress.steps["pump.bolts"].done == 2400
    with Journal.open(path, read_only=True) as journal:
        assert [event.kind for event in journal.fold.recorded][-2:] == ["noted", "done"]


async def test_the_figures_are_those_of_the_estimate(path: Path) -> None:
    runtime = LeadRuntime(path)
    app = TrackerApp(Lead(runtime))
    async with app.run_test(size=(200, 55)) as pilot:
        at = AtLead(pilot, app)
        await at.until("chance by limit")
        await at.until(lambda: len(runtime.session.studied.points) == 8)
        shown = runtime.session.snapshot
    with Journal.open(path, read_only=True) as journal:
        progress = journal.progress()
        assert shown is not None and shown.estimate is not None
        assert shown.estimate.inside == estimate(progress, progress.at).inside
        third = estimate(journal.progress(at=600), 600)
    points = runtime.session.studied.points
    assert [point.at for point in points] == [300.0 * k for k in range(8)]
    assert points[2].inside == third.inside


async def test_watching_changes_no_file(path: Path, tmp_path: Path) -> None:
    before = everything(tmp_path)
    runtime = LeadRuntime(path, at=1200.0)
    app = TrackerApp(Lead(runtime))
    async with app.run_test(size=(120, 36)) as pilot:
        at = AtLead(pilot, app)
        await at.until("AS OF 0:20:00")
        await at.press("f")
        await at.type("drop lamp")
        await at.press("enter")
        await at.until("change")
        await at.press("end", "full_stop", "left", "v")
    assert everything(tmp_path) == before


async def test_a_journal_that_is_not_there_ends_the_view(tmp_path: Path) -> None:
    runtime = LeadRuntime(tmp_path / "nothing.sqlite")
    app = TrackerApp(Lead(runtime))
    async with app.run_test():
        await until(app, lambda: runtime.failed)
    assert app.return_code == 1 and "nothing.sqlite" in runtime.failed[0]


def test_nothing_that_writes_is_even_loaded() -> None:
    code = (
        "import sys, tracker.console.app, tracker.console.lead, tracker.cli.watch; "
        "print(*(m for m in sys.modules if m.startswith('tracker.console')))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(ran.stdout.split())
    assert "tracker.console.lead" in loaded
    assert not loaded & {"tracker.console.writer", "tracker.console.session", "tracker.console.desk_actions"}


def test_what_is_followed_survives_a_file_that_goes_away(path: Path) -> None:
    heard: queue.Queue[Any] = queue.Queue()
    following = Following(path, heard.put)
    following.start()
    assert isinstance(first := heard.get(timeout=60), Grown) and first.progress.number == 8
    aside = path.with_suffix(".aside")
    path.rename(aside)
    gone = heard.get(timeout=60)
    assert gone.trouble and gone.progress.number == 8
    aside.rename(path)
    back = heard.get(timeout=60)
    assert not back.trouble and back.progress.number == 8
    following.stop()
    following.join(timeout=60)
    assert not following.is_alive()


def test_a_file_that_is_no_journal_is_said(tmp_path: Path) -> None:
    (tmp_path / "one.sqlite").write_text("not a journal")
    heard: queue.Queue[Any] = queue.Queue()
    following = Following(tmp_path / "one.sqlite", heard.put)
    following.start()
    report = heard.get(timeout=60)
    assert isinstance(report, NoJournal) and "one.sqlite" in report.lines[0]


def test_estimates_on_record_are_taken_as_they_were_shown(path: Path) -> None:
    with Journal.open(path) as journal:
        shown = by_hand(journal.progress(), 2400.0)
        journal.write_estimate(shown.as_json(), 8)
    heard: queue.Queue[Any] = queue.Queue()
    following = Following(path, heard.put)
    following.start()
    (point,) = heard.get(timeout=60).told
    following.stop()
    assert (point.at, point.inside.p50, point.turn_back) == (2400.0, 11600.0, 11000.0)
    assert point.margins["EV2.oxygen"] == 1900.0 and point.margins["window.daylight"] is None
    assert point.levels["EV1.oxygen"] == 0.672


@pytest.mark.parametrize(
    "text", ["", "[]", "null", "{}", '{"at": null}', "[" * 9999, '{"at": 1, "inside": 3}']
)
def test_a_row_that_is_no_estimate_is_left_out(text: str) -> None:
    assert told(text) is None


def test_an_estimate_comes_back_from_its_json(plan: Plan) -> None:
    journal = in_memory(plan)
    on_record(journal, EVENTS[:4])
    found = estimate(journal.progress(), 1200)
    point = told(json.dumps(found.as_json()))
    assert point is not None and point.at == 1200
    # The JSON holds milliseconds.
    assert point.inside.p90 == pytest.approx(found.inside.p90, abs=0.001)


async def test_a_live_clock_runs_on(plan: Plan, tmp_path: Path) -> None:
    began = datetime.now(UTC) - timedelta(minutes=30)
    zero = {"kind": "zero", "utc": f"{began:%Y-%m-%dT%H:%M:%S}.000Z"}
    with Journal.create(tmp_path / "live.sqlite", plan) as journal:
        journal.record(zero, utc_now=began)
    moment = [began.replace(microsecond=0) + timedelta(seconds=1800)]
    runtime = LeadRuntime(tmp_path / "live.sqlite", utc_now=lambda: moment[0])
    app = TrackerApp(Lead(runtime))
    async with app.run_test(size=(100, 30)) as pilot:
        at = AtLead(pilot, app)
        await at.until("PET 0:30:00")
        moment[0] += timedelta(seconds=61)
        await at.until("PET 0:31:01")


async def test_a_rehearsal_is_followed_by_what_its_desk_keeps_on_record(plan: Plan, tmp_path: Path) -> None:
    """Its clock is not this one, and between two events time passes there too."""
    path = tmp_path / "played.sqlite"
    with Journal.create(path, plan, rehearsal=True) as journal:
        on_record(journal, EVENTS[:4])
        runtime = LeadRuntime(path)
        app = TrackerApp(Lead(runtime))
        async with app.run_test(size=(100, 30)) as pilot:
            at = AtLead(pilot, app)
            await at.until("PET 0:18:10")
            journal.write_estimate(by_hand(journal.progress(), 1300.0).as_json(), 4)
            await at.until("PET 0:21:40")
            assert "rehearsal, as of 0:21" in at.screen
