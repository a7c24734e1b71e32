"""Progress and estimates made by hand, and screens compared with text on file."""

from __future__ import annotations

import asyncio
import difflib
import os
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from textual.pilot import Pilot

from tests.keyboard import handled, painted, strike, until
from tests.leads import on_record, open_lead
from tracker.console import writer
from tracker.console.app import TrackerApp
from tracker.console.desk import Desk
from tracker.console.pane import Pane
from tracker.console.seat_clock import SeatClock
from tracker.console.session import DeskRuntime
from tracker.console.settings import Settings
from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import Line, text_of
from tracker.console.workers import EstimateScheduler
from tracker.forecast.figures import (
    Advice,
    Alert,
    ClockFigure,
    ConsumableFigure,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
    StepFigure,
    TurnBack,
)
from tracker.foundation.clock import SteadyClock
from tracker.journal.journal import Journal
from tracker.journal.progress import OpenItem, Progress, StepState, TaskState, called
from tracker.plan.model import Plan
from tracker.plan.read import read_plan
from tracker.plan.timeline import as_planned

HERE = Path(__file__).parent
ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep what this machine's person likes out of the tests."""
    monkeypatch.setenv("TRACKER_SETTINGS", "")


@pytest.fixture(scope="session")
def plan() -> Plan:
    return read_plan(HERE / "heron.yaml")


@pytest.fixture
def path(plan: Plan, tmp_path: Path) -> Path:
    """A journal of an excursion under way, long ago."""
    with Journal.create(tmp_path / "one.sqlite", plan) as journal:
        on_record(journal)
    return tmp_path / "one.sqlite"


def state(step: Any, done: float | None, began: float | None, **changes: Any) -> StepState:
    fields: dict[str, Any] = {
        "step": step,
        "crew": step.crew,
        "ended": "done" if done is not None else None,
        "began": began,
        "begin_kind": None if began is None else "implied",
        "done": done,
        "worked_s": done - began if done is not None and began is not None else 0.0,
        "running_since": began if done is None else None,
        "counted": step.count if done is not None else 0,
        "counted_worked_s": 0.0,
        "gone": step.hold_point is None,
        "evidence": True,
        "left_s": None,
        "left_worked_s": 0.0,
        "waited_s": 0.0,
        "held_s": 0.0,
        "waited_for": None,
        "done_number": None,
        "entry_lag_s": None,
        "seat": None,
    }
    return StepState(**{**fields, **changes})


def progress_by_hand(
    plan: Plan,
    done: Mapping[str, tuple[float, float]],
    running: Mapping[str, float],
    *,
    started: bool = True,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    **fields: Any,
) -> Progress:
    """Return progress in which these steps are done (start, end) and these are at work since."""
    line = as_planned(plan)
    steps = {}
    for id, step in plan.step.items():
        begun, ended = done.get(id, (running.get(id), None))
        steps[id] = state(step, ended, begun, **(changes or {}).get(id, {}))
    order = {c: tuple(s for s in line.order[c] if steps[s].ended is None) for c in plan.member}
    at = max([end for _, end in done.values()], default=0.0)
    needs = {"pump.lines": ("pump.cover",)} if steps["pump.cover"].ended is None else {}
    made: dict[str, Any] = {
        "plan": plan,
        "uuid": "0" * 32,
        "pace_text": None,
        "pace_name": None,
        "rehearsal": False,
        "zero": ZERO if started else None,
        "at": at,
        "number": len(done) + 1 if started else 0,
        "events": (),
        "tasks": {t.id: TaskState(t, "open", False, t.priority) for t in plan.tasks},
        "steps": steps,
        "order": order,
        "current": {c: (o[0] if o and started else None) for c, o in order.items()},
        "free_since": {c: at for c in order},
        "holds": {},
        "limits": {"elapsed": 14400.0},
        "limit_crew": {"elapsed": plan.outside},
        "reserves": {},
        "readings": (),
        "spent": {},
        "observations": (),
        "openings": {"daylight": ((0.0, 2820.0), (5520.0, 8340.0), (11100.0, 13920.0))},
        "planned": {s: (line.start[s], line.finish[s]) for s in plan.step},
        "needs": needs,
        "open_items": (OpenItem("hatch", "egress.open", "home.hatch"),) if done else (),
        "entered": {},
        "silent": {},
        "last_heard": {},
        "recall": {},
        "decisions": (),
        "acknowledged": frozenset(),
        "closed": None,
        "warnings": (),
        "fold": cast(Any, SimpleNamespace(recorded=())),
    }
    return Progress(**{**made, **fields})


def estimate_by_hand(progress: Progress, now: float, **changes: Any) -> Estimate:
    """Return an estimate whose figures are plausible and whose every field is there."""
    line = as_planned(progress.plan)
    late = 420.0
    steps = tuple(
        StepFigure(
            s, "open", progress.steps[s].crew, Range(None, line.start[s] + late, None),
            Range(line.finish[s] + late - 200, line.finish[s] + late, line.finish[s] + late + 300),
        )
        for s in progress.steps
        if progress.steps[s].ended is None
    )  # fmt: skip
    inside = Range(10900.0, 11600.0, 12700.0, 11650.0)
    elapsed = LimitFigure(
        "elapsed", 14400.0, 0.02, Range(3500.0, 2800.0, 1700.0), Range(14400.0, 14400.0, 14400.0), 2760
    )
    oxygen = LimitFigure(
        "EV2.oxygen", None, 0.06, Range(2300.0, 1900.0, 900.0), Range(12500.0, 13500.0, 15000.0), 1860
    )
    turn = TurnBack(11000.0, Range(4000.0, 4300.0, 4700.0), "pump.cover", 10400.0)
    optional = (
        OptionalFigure("survey", "decide", 9000.0, 0.81, 900.0, False, "it holds if begun in time"),
        OptionalFigure("lamp", "keep", 10200.0, 0.96, 840.0, False, "it holds"),
        OptionalFigure("grease", "drop", None, 0.0, 1020.0, False, "no set with it holds"),
    )
    advice = Advice(now, frozenset({"survey", "lamp"}), optional, turn)
    fields: dict[str, Any] = {
        "excursion": progress.plan.excursion,
        "at": now,
        "scenarios": 10000,
        "confidence": 0.9,
        "pace_file": None,
        "inside": inside,
        "limit": 14400.0,
        "margin": Range(3500.0, 2800.0, 1700.0),
        "safe": 0.94,
        "without_optional_inside": Range(9000.0, 9700.0, 10500.0),
        "without_optional_safe": 0.99,
        "limits": (elapsed, oxygen),
        "binding": oxygen,
        "turn_back": turn,
        "pace": {"all": 1.06, "EV1": 1.02, "EV2": 1.11},
        "consumables": (
            ConsumableFigure(
                "EV1",
                "oxygen",
                "kg",
                0.61,
                Range(0.2, 0.24, 0.27),
                0.1,
                Range(14000, 15800, 17000),
                0.01,
                None,
                2400.0,
            ),
            ConsumableFigure(
                "EV2",
                "oxygen",
                "kg",
                0.58,
                Range(0.13, 0.18, 0.22),
                0.1,
                Range(12500, 13500, 15000),
                0.06,
                None,
                2400.0,
            ),
            ConsumableFigure(
                "EV1", "battery", "Wh", 452.0, Range(270, 281, 292), 60.0, Range(20000, 21000, 23000), 0.0
            ),
            ConsumableFigure(
                "EV2",
                "battery",
                "Wh",
                452.0,
                Range(270, 281, 292),
                60.0,
                Range(20000, 21000, 23000),
                0.0,
                "reads lower than it should: a second reading decides",
            ),
        ),
        "tasks": (),
        "steps": steps,
        "optional": optional,
        "clocks": (ClockFigure("pump.join", "pump.lines", None, 0.03),),
        "open_items": (),
        "called": called(progress),
        "counted": frozenset({"survey", "lamp"}),
        "alerts": (Alert("last-call:survey:15", "survey: last call 2:30, in 0:14", False),),
        "advice": advice,
        "ingress": {"EV1": Range(10900.0, 11600.0, 12700.0), "EV2": Range(10900.0, 11600.0, 12700.0)},
    }
    return Estimate(**{**fields, **changes})


@pytest.fixture
def before(plan: Plan) -> Scene:
    """Before the clock is started, without an estimate."""
    progress = progress_by_hand(plan, {}, {}, started=False)
    return Scene(Snapshot(progress, None), 0.0, ZERO)


@pytest.fixture
def under_way(plan: Plan) -> Scene:
    """A third through: one at a counted step, one waiting."""
    done = {
        "egress.open": (0.0, 700.0),
        "egress.tools": (700.0, 1090.0),
        "egress.check": (0.0, 400.0),
        "pump.cover": (700.0, 1500.0),
    }
    progress = progress_by_hand(
        plan, done, {"pump.bolts": 1500.0, "pump.lines": 1500.0}, changes={"pump.bolts": {"counted": 3}}
    )
    now = 2477.0
    return Scene(
        Snapshot(progress, estimate_by_hand(progress, now)), now, datetime(2031, 5, 4, 14, 41, 17, tzinfo=UTC)
    )


@pytest.fixture
def on_file() -> Callable[[str, str], None]:
    """Compare text with tests/console/snapshots/NAME.txt; TRACKER_SNAPSHOTS=write writes it anew."""

    def compare(name: str, text: str) -> None:
        path = HERE / "snapshots" / f"{name}.txt"
        if os.environ.get("TRACKER_SNAPSHOTS") == "write":
            path.parent.mkdir(exist_ok=True)
            path.write_text(text + "\n", encoding="utf-8")
        assert path.exists(), f"no {path.name}: look at the screen, then run with TRACKER_SNAPSHOTS=write"
        known = path.read_text(encoding="utf-8").splitlines()
        other = difflib.unified_diff(known, text.split("\n"), "on file", "as it is", lineterm="", n=30)
        if told := "\n".join(other):
            raise AssertionError(f"{path.name} is not the screen as it is:\n{told}")

    return compare


@pytest.fixture
def exact() -> Callable[[list[Line], int, int], str]:
    """Hold lines to their size in cells, and return them as text."""
    from tracker.console.view.styled_text import width_of

    def check(lines: list[Line], width: int, height: int) -> str:
        assert len(lines) == height
        assert [width_of(line) for line in lines] == [width] * height
        return text_of(lines)

    return check


class Hand:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.passed = 0.0
        self.set_by = 0.0
        """By how much somebody set the wall clock."""

    def utc(self) -> datetime:
        return ZERO + timedelta(seconds=self.passed)

    def mono(self) -> float:
        return self.passed

    def wall(self) -> datetime:
        return self.utc() + timedelta(seconds=self.set_by)

    def move(self, seconds: float) -> None:
        self.passed += seconds


class At:
    """A desk that is being worked by a test."""

    def __init__(self, pilot: Pilot[None], desk: Desk, hand: Hand, path: Path) -> None:
        self.pilot, self.desk, self.hand, self.path = pilot, desk, hand, path

    async def press(self, *keys: str | float) -> None:
        """Press keys a second apart, as a person would, and wait for the disk; a number: so many seconds."""
        for key in keys:
            if not isinstance(key, str):
                self.hand.move(key)
                continue
            self.hand.move(1.0)
            await strike(self.pilot.app, key)
            await self.settle()

    async def strike(self, *keys: str) -> None:
        """Press keys at one instant, and do not wait for the disk."""
        await strike(self.pilot.app, *keys)

    async def type(self, text: str) -> None:
        await strike(self.pilot.app, *text)
        await self.painted()

    async def painted(self) -> None:
        await painted(self.pilot.app)

    async def until(self, holds: Callable[[], object]) -> None:
        """Wait until something holds."""
        await until(self.pilot.app, holds, lambda: self.whole)

    async def settle(self) -> None:
        for _ in range(1000):
            await handled(self.pilot.app)
            if self.desk.runtime.session.snapshot is not None and not self.desk.runtime.session.unsaved:
                break
            await asyncio.sleep(0.01)
        self.desk.repaint()
        await painted(self.pilot.app)

    @property
    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    @property
    def events(self) -> list[Any]:
        with Journal.open(self.path, read_only=True) as journal:
            return list(journal.fold.recorded)

    @property
    def said(self) -> str:
        return self.desk.runtime.session.said

    @property
    def screen(self) -> str:
        """The text of the panes that are shown, from the top down."""
        panes = [pane for pane in self.desk.query(Pane) if pane.display and pane.size.height]
        return "\n".join(text_of(pane.lines) for pane in panes)

    @property
    def whole(self) -> str:
        """Every cell of the terminal as text."""
        strips = self.desk.app.screen._compositor.render_strips()
        return "\n".join(strip.text.rstrip() for strip in strips)

    def estimate(self, **changes: Any) -> None:
        """Show an estimate made by hand."""
        session = self.desk.runtime.session
        now = session.now(self.hand.utc())
        session.snapshot = Snapshot(session.progress, estimate_by_hand(session.progress, now, **changes))
        self.desk.repaint()


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a desk look for what others wrote, and try a full disk again, many times a second."""
    monkeypatch.setattr(writer, "RETRY_S", 0.05)


@pytest.fixture
def at_desk(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Open a desk on a new journal; estimates only where they are asked for."""

    @asynccontextmanager
    async def open_desk(
        size: tuple[int, int] = (120, 36),
        *,
        estimates: bool = False,
        opener: Callable[[], Any] | None = None,
        settings: Settings | None = None,
    ) -> AsyncIterator[At]:
        hand, path = Hand(), tmp_path / "one.sqlite"
        if not estimates:
            monkeypatch.setattr(EstimateScheduler, "ask", lambda self, wanted: None)
        make = opener or (lambda: Journal.create(path, plan) if not path.exists() else Journal.open(path))
        clock = SeatClock(SteadyClock(hand.wall, hand.mono))
        runtime = DeskRuntime(make, "desk", title="heron", monotonic_s=hand.mono, seat_clock=clock)
        desk = Desk(runtime, settings)
        app = TrackerApp(desk)
        async with app.run_test(size=size) as pilot:
            at = At(pilot, desk, hand, path)
            await at.settle()
            yield at
        runtime.stop()

    return open_desk


@pytest.fixture
def at_lead(plan: Plan) -> Callable[..., Any]:
    """Open the lead's view on an excursion that is known by hand."""
    return partial(open_lead, plan)
