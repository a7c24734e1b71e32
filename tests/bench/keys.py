"""Keys a deed: real keys at a desk until what they mean is in the journal, beside what is aimed at.

Each deed begins at a desk of its own, with figures; one that asks first whether it is meant costs its answer.
"""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.bench.table import report
from tests.keyboard import handled, strike
from tracker.console.app import TrackerApp
from tracker.console.desk import Desk
from tracker.console.session import DeskRuntime
from tracker.journal.journal import Journal
from tracker.plan.read import parse_plan

PLAN = Path(__file__).parents[1] / "console" / "heron.yaml"
ROUND = "rounds: [{id: status, every: 0:30, ask: [oxygen, battery, gloves, visor]}]\n"
ZERO = datetime(2031, 5, 4, 14, tzinfo=UTC)
APART_S = 1.0
"""Between two keys, as a person presses them; more than a key that bounces."""


@dataclass(frozen=True)
class Deed:
    """Something that is done at a desk."""

    name: str
    keys: str
    """Keys by their characters, parted by nothing; `⏎` is Enter."""
    most: int
    """Keys that are aimed at."""
    kinds: tuple[str, ...]
    """Kinds of the events that it writes; none where it only supposes."""
    before: tuple[dict[str, Any], ...] = ()
    """What happened before it, besides the start."""


def done(step: str, at: int) -> dict[str, Any]:
    """A tick."""
    return {"kind": "done", "step": step, "at": at}


OUT = (done("egress.open", 600), done("egress.tools", 900))
BOLTS = (*OUT, done("pump.cover", 1200))
SWAP = (*BOLTS, done("pump.bolts", 1800), done("pump.lines", 1900))
ASKED = {"kind": "raised", "what": "question", "text": "how long?", "at": 1000}
HELD = {"kind": "held", "crew": ["EV2"], "at": 1300}
LOST = {"kind": "silent", "crew": ["EV2"], "at": 1300}

DEEDS = (
    Deed("tick", "1", 1, ("done",), OUT),
    Deed("one more", "+1", 2, ("counted",), BOLTS),
    Deed("go", "g", 1, ("went",), SWAP),
    Deed("tick, 3 min late", "-13", 3, ("done",), OUT),
    Deed("tick, 15 min late", "--15", 4, ("done",), OUT),
    Deed("tick at a wrong time", "u-13", 4, ("withdrawn", "done"), OUT),
    Deed("hold one", "h2⏎", 3, ("held",), OUT),
    Deed("resume one", "r2⏎", 3, ("resumed",), (*OUT, HELD)),
    Deed("keep", "ka⏎", 3, ("chose",), OUT),
    Deed("drop", "dc⏎", 3, ("chose", "dropped"), OUT),
    Deed("later", "la⏎", 3, ("chose", "moved"), OUT),
    Deed("takes 15 min more", "t1 15⏎", 6, ("retimed",), OUT),
    Deed("what if dropped", "fd b⏎", 5, (), OUT),
    Deed("inside, both", "i1 2⏎", 5, ("entered", "entered"), SWAP),
    Deed("hand over", "o1 2⏎", 5, ("handed",), OUT),
    Deed("move", "ma b⏎", 5, ("moved",), OUT),
    Deed("silent", "y2⏎", 3, ("silent",), OUT),
    Deed("heard", "y2⏎", 3, ("heard",), (*OUT, LOST)),
    Deed("four readings", "bo .727 .727 b 481 481⏎", 23, ("reading",) * 4, OUT),
    Deed("question", "Qphotos?⏎", 9, ("raised",), OUT),
    Deed("answer", "=4 yes⏎", 7, ("settled",), (*OUT, ASKED)),
    Deed("answer the only one", "=yes⏎", 5, ("settled",), (*OUT, ASKED)),
    Deed("reminder, beside six of text", "R10gloves⏎", 10, ("raised",), OUT),
    Deed("deviation, beside six of text", "Vgloves⏎", 9, ("raised",), OUT),
    Deed("status round, two people", "Koooooooo", 10, ("checked", "checked"), OUT),
    Deed("recall home", "cc", 2, ("called",), OUT),
    Deed("recall at once", "cn", 2, ("called",), OUT),
)

NAMES = {
    "⏎": "enter", " ": "space", "-": "minus", "+": "plus", "=": "equals_sign", "?": "question_mark",
    ".": "full_stop",
}  # fmt: skip


class Stopped:
    """A clock that only keys move."""

    def __init__(self, passed: float) -> None:
        self.passed = passed

    def utc(self) -> datetime:
        return ZERO + timedelta(seconds=self.passed)

    def mono(self) -> float:
        return self.passed


async def keys_of(deed: Deed, folder: Path) -> int:
    """Return how many keys a deed took; AssertionError where it wrote something else."""
    path = folder / f"{deed.name.replace(' ', '-').replace(',', '')}.sqlite"
    plan = parse_plan(PLAN.read_text(encoding="utf-8") + ROUND, file=str(PLAN), name=PLAN.stem)
    with Journal.create(path, plan) as journal:
        start = {"kind": "zero", "utc": f"{ZERO:%Y-%m-%dT%H:%M:%S}Z"}
        for event in (start, *deed.before):
            at = ZERO + timedelta(seconds=event.get("at", 0))
            journal.record(event, seat="desk", utc_now=at)
    clock = Stopped(2000.0)
    async with opened(path, clock) as (app, desk):
        pressed = await _press(app, desk, clock, deed.keys)
        if desk.runtime.session.said.endswith("Enter again writes it "):
            await asyncio.sleep(0.4)
            pressed += await _press(app, desk, clock, "⏎")
        await _saved(app, desk)
        supposed = desk.what_if.page.lines
    with Journal.open(path, read_only=True) as journal:
        written = [event.kind for event in journal.fold.recorded[1 + len(deed.before) :]]
    assert sorted(written) == sorted(deed.kinds), f"{deed.name}: {written}"
    assert deed.kinds or supposed, f"{deed.name}: nothing is supposed"
    return pressed


@asynccontextmanager
async def opened(path: Path, clock: Stopped) -> AsyncIterator[tuple[TrackerApp, Desk]]:
    """Open a desk and wait until its figures stand."""
    runtime = DeskRuntime(
        lambda: Journal.open(path), "desk", title="heron", utc_now=clock.utc, monotonic_s=clock.mono
    )
    desk = Desk(runtime)
    app = TrackerApp(desk)
    async with app.run_test(size=(120, 36)):
        for _ in range(1500):
            await handled(app)
            snapshot = runtime.session.snapshot
            if snapshot is not None and snapshot.estimate is not None:
                break
            if snapshot is not None:
                runtime.want()
            await asyncio.sleep(0.02)
        yield app, desk
    runtime.stop()


async def _press(app: TrackerApp, desk: Desk, clock: Stopped, keys: Sequence[str]) -> int:
    for key in keys:
        clock.passed += APART_S
        await strike(app, NAMES.get(key, key))
        await _saved(app, desk)
    return len(keys)


async def _saved(app: TrackerApp, desk: Desk) -> None:
    """Wait until nothing waits for the disk."""
    for _ in range(500):
        await handled(app)
        if not desk.runtime.session.unsaved:
            return
        await asyncio.sleep(0.01)


def main(argv: Sequence[str] = ()) -> None:
    """Print the keys of every deed beside those aimed at."""
    over = 0
    with tempfile.TemporaryDirectory() as folder:
        for deed in DEEDS:
            took = asyncio.run(keys_of(deed, Path(folder)))
            over += took > deed.most
            report("keys", deed.name, str(took), f"<= {deed.most}")
    report("keys", f"deeds of {len(DEEDS)} that take more", str(over), "0")
