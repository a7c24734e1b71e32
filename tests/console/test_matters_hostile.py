"""Whatever somebody writes into what is raised, answered or handed over is text wherever it is shown."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tests.flat import flat
from tests.runs import Run, step, task
from tracker.console.view.alerts import alerts_list
from tracker.console.view.crew import crew_lines
from tracker.console.view.events import events_list
from tracker.console.view.lead_1_day import day
from tracker.console.view.lead_2_choices import choices
from tracker.console.view.right_pane import side
from tracker.console.view.scene import LeadScene, Scene, Snapshot
from tracker.console.view.styled_text import Line, text_of, width_of
from tracker.debrief import pages as debrief_pages
from tracker.debrief.excursion import debriefed
from tracker.debrief.records import csv_chunks, json_chunks
from tracker.forecast.changed import changed_since
from tracker.forecast.due import due_lines
from tracker.forecast.handover import brief
from tracker.forecast.report import page, report

BAD = (
    "=cmd|' /c calc'!A1 [bold]x[/bold] <script>alert(1)</script> \u202edlo\u2066 `rm` $(x)\n\tnext | cell "
    + "w" * 900
)
NAME = BAD.replace("\n\t", " ")[:90]
AIR = {"id": "air", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.01}


@pytest.fixture(scope="module")
def run() -> Run:
    made = Run(
        task("one", step("a", "EV1", 30, site="boom"), step("b", "EV1", 30)),
        task("two", step("x", "EV2", 60), priority="should"),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        consumables=[AIR],
        sites={"boom": {"home": "0:12"}},
        rounds=[{"id": "status", "every": "0:10", "ask": ["air", "gloves"]}],
        hardware=[{"id": "driver"}],
    )
    who = {"owner": NAME, "to": NAME, "by": NAME}
    made("raised", 60, what="question", about="two", text=BAD, **who)
    made("raised", 61, what="reminder", due=300, text=BAD, **who)
    made("raised", 62, what="deviation", text=BAD, **who)
    made("raised", 63, what="message", about="one.a", text=BAD, **who)
    made("taken", 100, by=NAME, text=BAD)
    made("settled", 120, event=5, text=BAD, by=NAME)
    made(
        "checked", 130, round="status", crew="EV1", answers={"air": 0.9, "gloves": f"not ok: {BAD}"}, text=BAD
    )
    made("took", 140, hardware="driver", crew="EV1", text=BAD, by=NAME)
    made("placed", 150, crew="EV2", site="boom", text=BAD, by=NAME)
    made("chose", 160, task="two", choice="keep", by=NAME, text=BAD)
    return made


def safe(text: str) -> None:
    """Nothing in it moves the cursor, turns the direction of writing, or breaks the line."""
    odd = {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs")}
    assert not odd, odd


def test_screens_keep_their_size_and_say_it_plainly(run: Run) -> None:
    made = replace(flat(run.now, 1500), since=changed_since(run.now, 1500, 100, scenarios=200))
    at = datetime(2031, 5, 4, 14, 25, tzinfo=UTC)
    scene = Scene(Snapshot(run.now, made), 1500.0, at)
    lead = LeadScene(Snapshot(run.now, made), 1500.0, at, present=1500.0)

    def regions(width: int) -> Iterator[list[Line]]:
        yield side(scene, width, 40)
        yield alerts_list(scene, width, 40)
        yield events_list(scene, width, 40)
        yield crew_lines(scene, width, 4)
        yield day(lead, width, 40)
        yield choices(lead, width, 40)

    for width in (80, 120):
        for lines in regions(width):
            assert {width_of(line) for line in lines} == {width}
            safe(text_of(lines))
    for told in (brief(run.now, made), report(run.now, made), due_lines(run.now, made)):
        assert not [line for line in told if "\n" in line]
        safe("\n".join(told))
    assert max(map(len, brief(run.now, made))) <= 80 and len(brief(run.now, made)) <= 24
    safe("\n".join(page(run.now, made, number=run.fold.number, digest="ab")))


def test_exports_neither_run_nor_mark_it_up(run: Run) -> None:
    run("closed", 4000)
    one = debriefed(run.now, "one.sqlite", None)
    assert [(a.round, a.crew, a.wrong, a.after, a.every) for a in one.rounds] == [
        ("status", "EV1", "gloves", 130, 600)
    ]
    assert len(one.matters) == 4 and one.matters[0].text == BAD
    pages = "".join(debrief_pages.page([one])), "".join(debrief_pages.markdown([one]))
    for text in pages:
        assert "<script>alert" not in text
        safe(text.replace("\t", ""))
    cells = [cell for row in csv.reader(io.StringIO("".join(csv_chunks([one])))) for cell in row]
    assert any("deviation" in cell or "message" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]
    assert BAD.split()[0] in "".join(json_chunks([one]))
