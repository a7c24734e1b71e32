"""What others keep in a margin with a pencil, as text on file: matters, rounds, places, the handover."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.console.conftest import ZERO, estimate_by_hand
from tests.runs import Run
from tests.screens import screen
from tracker.console.view.scene import Disk, Scene, Snapshot
from tracker.debrief import tables
from tracker.debrief.excursion import debriefed
from tracker.forecast.alerts import alerts
from tracker.forecast.due import due
from tracker.forecast.figures import Before, Changed
from tracker.forecast.handover import brief
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

OnFile = Callable[[str, str], None]

MARGIN = """rounds: [{id: status, every: 0:30, ask: [oxygen, gloves]}]
sites: {pump: {home: 0:08}, rack: {home: 0:12}}
"""


@pytest.fixture(scope="module")
def run(plan: Plan) -> Run:
    source = plan.source.replace(
        "do: Release the captive bolts,", "do: Release the captive bolts, site: pump,"
    )
    run = Run(plan=parse_plan(source + MARGIN, file="heron.yaml", name="heron"))
    run.done("egress.check", at=400)
    run.done("egress.open", at=700)
    run("taken", 900, by="Kim")
    run("raised", 1000, what="question", about="survey", to="ground", by="EV2", text="survey still wanted?")
    run.done("egress.tools", at=1090)
    run("raised", 1200, what="reminder", due=3000, owner="EV2", text="look at the gloves")
    run("reading", 1300, crew="EV1", consumable="oxygen", value=0.7)
    run.done("pump.cover", at=1500)
    run("placed", 1600, crew="EV2", site="rack")
    answers = {"oxygen": 0.68, "gloves": "not ok: left one stiff"}
    run("checked", 1900, round="status", crew="EV1", answers=answers)
    run("raised", 1900, what="deviation", about="EV1", text="EV1 gloves not ok: left one stiff")
    run("raised", 2000, what="message", to="ground", text="go for the swap is coming")
    run("chose", 2100, task="lamp", choice="keep", advice="keep", by="lead")
    return run


@pytest.fixture(scope="module")
def scene(run: Run) -> Scene:
    now, chances = 2477.0, Before(0.95, 0.94)
    since = Changed(900, now, Before(11290.0, 11580.0), chances, (("pace of handle", 290.0),), ())
    made = replace(estimate_by_hand(run.now, now), since=since)
    made = replace(made, due=due(run.now, made, now=now))
    made = replace(made, alerts=tuple(one for one in alerts(run.now, made, now=now) if one.text))
    return Scene(Snapshot(run.now, made), now, ZERO + timedelta(seconds=now), disk=Disk(run.now.number))


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 36), (200, 55)])
def test_the_desk_has_it_all(scene: Scene, on_file: OnFile, width: int, height: int) -> None:
    text = screen(scene, width, height)
    on_file(f"margin-{width}", text)
    assert "status round" in text and "EV2 to answer" in text
    if width >= 100:
        assert "pump, 8 min home" in text and "rack, 12 min home" in text
    if width >= 200:
        assert "deviation 12: EV1 gloves not ok" in text and "message 13 to ground" in text


def test_the_handover_and_the_debrief_have_it(run: Run, scene: Scene, on_file: OnFile) -> None:
    assert scene.estimate is not None
    lines = brief(run.now, scene.estimate)
    assert len(lines) <= 24 and "since 0:15, taken by Kim:" in lines
    told = [tables.matters(one := debriefed(run.now, "one.sqlite", None)), tables.rounds(one)]
    rows = [" | ".join(row) for table in told for row in (("", table.title), table.headings, *table.rows)]
    on_file("margin-told", "\n".join([*lines, "", *rows]))
