"""A lead's view for tests: a small excursion, an estimate made by hand, a screen that hears no threads."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from textual.pilot import Pilot

from tests.journal.memory_store import in_memory
from tests.keyboard import handled, painted, strike, until
from tracker.console.app import TrackerApp
from tracker.console.lead import Lead
from tracker.console.lead_analysis import Grown
from tracker.console.lead_session import Hear, LeadRuntime, Studied
from tracker.console.pane import Pane
from tracker.console.settings import Settings
from tracker.console.view.scene import Moved, Point, Snapshot
from tracker.console.view.styled_text import text_of
from tracker.forecast.figures import (
    Advice,
    Alert,
    Choice,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
    StepFigure,
    TaskFigure,
    TurnBack,
)
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.model import Plan

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
START: dict[str, Any] = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}
EVENTS: tuple[dict[str, Any], ...] = (
    START,
    {"kind": "done", "step": "egress.check", "at": 400},
    {"kind": "done", "step": "egress.open", "at": 700},
    {"kind": "done", "step": "egress.tools", "at": 1090},
    {"kind": "done", "step": "pump.cover", "at": 1500},
    {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.68, "at": 1810},
    {"kind": "counted", "step": "pump.bolts", "count": 3, "at": 2300},
    {"kind": "noted", "text": "glare on the panel", "at": 2350},
)
NOW_S = 2477.0


def on_record(journal: Journal, events: Iterable[Mapping[str, Any]] = EVENTS, late_s: float = 5.0) -> None:
    """Record events, each some seconds after it happened."""
    for event in events:
        seconds = float(event.get("at", 0)) + late_s
        journal.record(dict(event), seat="desk", utc_now=ZERO + timedelta(seconds=seconds))


def excursion(plan: Plan, events: Iterable[Mapping[str, Any]] = EVENTS) -> Progress:
    """Return what the events add up to, in a journal that no file keeps."""
    journal = in_memory(plan, seed="0" * 32)
    on_record(journal, events)
    return journal.progress()


def by_hand(progress: Progress, now: float, **changes: Any) -> Estimate:
    """Return an estimate whose figures are plausible, the same everywhere, and none of them worked out."""
    late = 420.0
    inside = Range(10900.0, 11600.0, 12700.0, 11650.0)
    turn = TurnBack(11000.0, Range(4000.0, 4300.0, 4700.0), "pump.cover", None, 10400.0)
    optional = _optional()
    tasks = []
    for task in progress.plan.tasks:
        steps = [s.id for s in task.steps]
        begin, end = (
            min(progress.planned[s][0] for s in steps) + late,
            max(progress.planned[s][1] for s in steps) + late,
        )
        finish = Range(end - 200, end, end + 400)
        tasks.append(
            TaskFigure(
                task.id, task.priority, progress.tasks[task.id].status, Range(None, begin, None), finish
            )
        )
    limits = (
        LimitFigure(
            "elapsed", 14400.0, 0.02, Range(3500.0, 2800.0, 1700.0), Range(14400.0, 14400.0, 14400.0), 2760
        ),
        LimitFigure(
            "EV2.oxygen", None, 0.06, Range(2300.0, 1900.0, 900.0), Range(12500.0, 13500.0, 15000.0), 1860
        ),
        LimitFigure("window.daylight", None, 0.01, Range(None, None, None)),
    )
    fields: dict[str, Any] = {
        "excursion": progress.plan.excursion, "at": now, "scenarios": 10000, "confidence": 0.9,
        "pace_file": None, "inside": inside, "limit": 14400.0, "margin": limits[0].margin, "safe": 0.93,
        "without_optional_inside": Range(9000.0, 9600.0, 10400.0), "without_optional_safe": 0.99,
        "limits": limits, "binding": limits[1], "turn_back": turn, "pace": {"all": 1.08, "EV1": 1.02},
        "consumables": _accounts(), "tasks": tuple(tasks), "steps": _steps(progress, late),
        "optional": optional, "clocks": (), "open_items": (), "called": None,
        "alerts": (Alert("last-call:survey:15", "survey: last call 2:30, in 0:14", False),),
        "advice": Advice(now, frozenset({"survey", "lamp"}), optional, turn), "ingress": {"EV1": inside},
    }  # fmt: skip
    return Estimate(**{**fields, **changes})


def _steps(progress: Progress, late: float) -> tuple[StepFigure, ...]:
    return tuple(
        StepFigure(
            s,
            "open",
            state.crew,
            Range(None, progress.planned[s][0] + late, None),
            Range(None, progress.planned[s][1] + late, None),
        )
        for s, state in progress.steps.items()
        if state.ended is None
    )


def _optional() -> tuple[OptionalFigure, ...]:
    return (
        OptionalFigure("survey", "decide", 9000.0, 0.81, 900.0, False, "it holds if begun in time"),
        OptionalFigure("lamp", "keep", 9900.0, 0.97, 840.0, False, "it is kept"),
        OptionalFigure("grease", "drop", None, 0.02, 1020.0, False, "no last call is left"),
    )


def _accounts() -> tuple[ConsumableFigure, ...]:
    late, kg, wh = Range(14000.0, 15000.0, 16500.0), "kg", "Wh"
    return (
        ConsumableFigure("EV1", "oxygen", kg, 0.672, Range(0.2, 0.23, 0.26), 0.1, late, 0.01, None, 1810.0),
        ConsumableFigure("EV2", "oxygen", kg, 0.651, Range(0.13, 0.17, 0.21), 0.1, late, 0.06),
        ConsumableFigure("EV1", "battery", wh, 452.0, Range(270.0, 281.0, 292.0), 60.0, late, 0.0),
        ConsumableFigure("EV2", "battery", wh, 452.0, Range(40.0, 55.0, 70.0), 60.0, late, 0.6, "reads low"),
    )  # fmt: skip


def points() -> tuple[Point, ...]:
    """Return estimates through the day: the first above the limit, then settling."""
    found = []
    for k, at in enumerate(range(0, 2400, 300)):
        middle = 13600.0 - 260.0 * k
        inside = Range(middle - 900, middle, middle + 2200 - 150 * k)
        margins = {"elapsed": 14400 - middle, "EV2.oxygen": 2600.0, "window.daylight": None}
        levels = {"EV1.oxygen": 0.75 - 0.01 * k, "EV2.oxygen": 0.75 - 0.012 * k, "EV1.battery": 520.0 - 9 * k}
        chances, reached = (
            {"elapsed": 0.08, "EV2.oxygen": 0.1},
            {"elapsed": 14400.0, "EV2.oxygen": 13600.0 - k},
        )
        found.append(Point(float(at), inside, 0.9, margins, levels, 11000.0, chances, reached))
    return tuple(found)


MOVED = Moved(677.0, NOW_S, (("pace of general", -420.0), ("holds", 190.0), ("pace of fasten", -31.0)))
CHANCES = {"pump": 0.998, "survey": 0.9, "lamp": 0.44}


def choices(at: float = NOW_S) -> tuple[Choice, ...]:
    """Return the table of choices, its figures beside those of `by_hand`."""

    def row(id: str, tasks: str, shift: float, safe: float, value: float | None) -> Choice:
        inside, end = (
            Range(10900.0 + shift, 11600.0 + shift, 12700.0 + shift),
            -(-(11600.0 + shift) // 60) * 60,
        )
        reached = Range(13400.0, 13500.0, 13600.0)
        names = tuple(tasks.split())
        spare = 13500.0 - end
        return Choice(
            id,
            names,
            (),
            inside,
            safe,
            "EV2.oxygen",
            reached,
            spare,
            shift,
            value,
            safe >= 0.9,
            at,
            first=LimitFigure("EV2.oxygen", None, 1 - safe, Range(spare, spare, spare), reached, spare),
        )

    return (
        row("must-only", "", -2000.0, 0.99, 0.0), row("committed", "", -2000.0, 0.99, 0.0),
        row("as-advised", "lamp survey", 0.0, 0.93, 5.0),
        row("everything", "grease lamp survey", 1020.0, 0.71, 7.0),
        row("keep:grease", "grease lamp survey", 1020.0, 0.71, 7.0),
        row("drop:survey", "lamp", -900.0, 0.97, 2.0), row("drop:lamp", "survey", -840.0, 0.96, 3.0),
        row("call-home", "", -7300.0, 1.0, None), row("call-at-once", "", -7500.0, 1.0, None),
    )  # fmt: skip


class Hand:
    """A clock that stands until it is moved."""

    def __init__(self, passed: float = NOW_S) -> None:
        self.passed = passed

    def utc(self) -> datetime:
        """Return the instant."""
        return ZERO + timedelta(seconds=self.passed)

    def mono(self) -> float:
        """Return a clock for spans."""
        return self.passed


class Still(LeadRuntime):
    """Hears no threads: what is known was put there by hand."""

    def __init__(self, progress: Progress, hand: Hand, **changes: Any) -> None:
        super().__init__(Path("heron.sqlite"), utc_now=hand.utc, monotonic_s=hand.mono)
        session = self.session
        session.ask = lambda wanted: None
        session.study = lambda wish: None
        session.search.ask = lambda sought: None
        session.grown(Grown(progress, ()))
        if changes.pop("estimated", True):
            made = by_hand(progress, session.now(hand.utc()), **changes)
            session.settled = True
            if progress.zero is not None:
                made = replace(made, choices=choices(session.now(hand.utc())))
                session.studied = Studied(points(), MOVED, CHANCES)
            session.snapshot = Snapshot(progress, made)

    def start(self, hear: Hear) -> None:
        """Start nothing."""

    def stop(self) -> None:
        """Stop nothing."""


class AtLead:
    """A lead's view that is being looked at by a test."""

    def __init__(self, pilot: Pilot[None], app: TrackerApp) -> None:
        assert isinstance(app.live, Lead)
        self.pilot, self.app, self.lead = pilot, app, app.live
        self.session = app.live.runtime.session

    async def press(self, *keys: str) -> None:
        """Press keys."""
        await strike(self.app, *keys)
        await painted(self.app)

    async def type(self, text: str) -> None:
        """Type text."""
        await self.press(*text)

    async def until(self, words: str | Callable[[], object]) -> None:
        """Wait until the screen says something, or something holds."""
        holds = words if callable(words) else lambda: words in self.screen
        await until(self.app, holds, lambda: f"{words!r} on\n{self.screen}")

    async def painted(self) -> None:
        """Wait until what is to be shown is."""
        await painted(self.app)

    @property
    def screen(self) -> str:
        """Every cell of the terminal as text."""
        strips = self.app.screen._compositor.render_strips()
        return "\n".join(strip.text.rstrip() for strip in strips)

    @property
    def panes(self) -> str:
        """The text of the panes that are shown."""
        panes = [pane for pane in self.lead.query(Pane) if pane.display and pane.size.height]
        return "\n".join(text_of(pane.lines) for pane in panes)


@asynccontextmanager
async def open_lead(
    plan: Plan,
    size: tuple[int, int] = (120, 36),
    events: Iterable[Mapping[str, Any]] = EVENTS,
    hand: Hand | None = None,
    settings: Settings | None = None,
    **changes: Any,
) -> AsyncIterator[AtLead]:
    """Open the view on an excursion that is known by hand; `changes` are figures of the estimate."""
    still = Still(excursion(plan, events), hand or Hand(), **changes)
    lead = Lead(still, settings)
    app = TrackerApp(lead)
    async with app.run_test(size=size) as pilot:
        at = AtLead(pilot, app)
        await handled(app)
        at.lead.repaint()
        await painted(app)
        yield at
