"""A debrief made by hand, for tests of what is written from it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from tracker.debrief.consumed import Consumed, StoreCurve
from tracker.debrief.decided import Decided
from tracker.debrief.excursion import Answered, Excursion, Held, Matter, Part, PlanChange, Totals
from tracker.debrief.forecast_scores import Forecasted, judgement
from tracker.debrief.replay import Hindsight
from tracker.debrief.rows import Spent, StepRow, by_crew, by_task, by_work
from tracker.debrief.verdict import Nearest, Verdict
from tracker.journal.as_run import SpentRow
from tracker.journal.progress import Reading

HOSTILE = (
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2+3",
    "@SUM(1;2)",
    "\t=1+1",
    "\r=1+1",
    "  =1+1",
    'a",=1+1',
    "a;=1+1",
    "x\r\n=HYPERLINK(1)",
    "\uff1d1+1",
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "[red]bold[/red] [link](javascript:1)",
    "`$\\frac{1}{0}$` $x^$ | a | b",
    "\x1b[31mred\x1b[0m \x07 \u202eright to left\u202c \u2028 line",
    "&amp; &lt; \" ' <!-- -->",
    "http://example.org www.example.org",
)
"""What a plan may hold that some reader would run."""


def row(**changes: Any) -> StepRow:
    """Return the row of a step that took 12 instead of 10 minutes."""
    usual = StepRow(
        journal="one.sqlite",
        excursion="Test",
        task="mount",
        title="Mount it",
        priority="must",
        step="mount.1",
        do="Turn four bolts",
        crew=("EV1",),
        planned_crew=("EV1",),
        work="fasten",
        status="done",
        planned_start=0.0,
        planned_finish=600.0,
        planned_duration=600.0,
        actual_start=60.0,
        actual_finish=780.5,
        actual_duration=720.5,
        variance=120.5,
        ratio=720.5 / 600,
        finish_late=180.5,
        waited=60.0,
        waited_for="crew EV2",
        held=0.0,
        held_for="",
        planned_place=1,
        actual_place=1,
        added=False,
        dropped=False,
        count=1,
        count_done=1,
        advised="",
        chosen="",
        begin_kind="implied",
        entry_lag=2.0,
        seat="a@b",
        said="",
    )
    return replace(usual, **changes)


def excursion(text: str = "fine", **changes: Any) -> Excursion:
    """Return a debrief of two steps in which every text is `text`."""
    rows = (
        row(
            excursion=text,
            title=text,
            do=text,
            work=text,
            waited_for=text,
            held_for=text,
            seat=text,
            said=text,
            raised=text,
        ),
        row(step="mount.2", crew=("EV1", "EV2"), variance=-120.0, actual_duration=480.0, ratio=0.8),
    )
    moments = [
        Forecasted(
            100.0 * i, 900.0, 1000.0, 1100.0, 800.0, 950.0, 20.0 + i, 60.0, 50.0, i != 2, 0.5, 0.9, True
        )
        for i in (1, 2, 3)
    ]
    usual = Excursion(
        journal="one.sqlite",
        uuid="0",
        excursion=text,
        rehearsal=False,
        zero=datetime(2031, 5, 4, 14, 0, tzinfo=UTC),
        events=5,
        closed=True,
        end=1100.0,
        limit=1200.0,
        planned_inside=900.0,
        inside=1000.0,
        crew_inside={"EV1": 1000.0, "EV2": None},
        last_in="EV1",
        totals=Totals(
            tasks=by_task(rows),
            crew=by_crew(rows, ()),
            work=by_work(rows),
            spent=(Spent("EV1", 700, 100, 100, 200, 1100), Spent("EV2", 480, 0, 0, 620, 1100)),
            waterfall=(Part("as planned", 900.0), Part(f"pace: {text}", 120.0), Part("holds", -20.0)),
        ),
        steps=rows,
        holds=(Held("EV1", 100.0, 200.0, "mount.1", text),),
        changes=(PlanChange(3, 50.0, "moved", f"task {text}", text, text),),
        decisions=(
            Decided(4, 60.0, "mount", "keep", "keep", True, {"in_time": 0.9, "text": text}, text, "done"),
        ),
        hindsight=(Hindsight(4, 60.0, "mount", "keep", "keep", True, True, True, text, 0.95, text, text),),
        notes=(PlanChange(5, 70.0, "noted", "", text, text),),
        consumables=(
            Consumed("EV1", "oxygen", "kg", 0.75, 0.1, 0.4, 0.42, 0.5, 1.2, 0.25, 2, 0, 0.3, 900.0),
            Consumed("*", text, text, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0, 1, None, None),
        ),
        judgement=judgement(moments, [1000.0] * 3, 2000),
        verdict=text,
        limits=(
            Verdict(text, "EV1", False, 900.0, 1000.0, -100.0, None, None, None, None, "read", text),
            Verdict(
                f"EV1.{text}",
                "EV1",
                True,
                0.1,
                0.25,
                600.0,
                0.15,
                text,
                Nearest(1000.0, 600.0),
                False,
                "rates",
                text,
            ),
        ),
        stretches=(SpentRow("EV1", 0.0, 1000.0, "work", "mount.1", text),),
        readings=(Reading("EV1", "oxygen", 900.0, 0.3, False, 2),),
        curves=(
            StoreCurve("EV1", "oxygen", (0.0, 900.0), (0.75, 0.3), (0.7, 0.25), (0.8, 0.35), (0.75, 0.4)),
            StoreCurve("*", text, (0.0, 1000.0), (1.0, 0.0), (0.9, 0.0), (1.1, 0.1), (1.0, 0.5)),
        ),
        plan_sha256="ab" * 32,
        last_hash="cd" * 32,
        tool="tracker 0",
        matters=(
            Matter(
                6, 80.0, "deviation", text, 90.0, text, text, text, text, 20.0, 100.0, "settled", text, text
            ),
            Matter(7, 90.0, "message", "", None, "", "", "op", text, 1010.0, None, "", "", ""),
        ),
        rounds=(Answered(8, 95.0, text, "EV1", text, text, 95.0, 60.0),),
    )
    return replace(usual, **changes)
