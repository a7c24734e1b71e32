"""Hands that press anything: sizes, keys, typed and pasted text, clicks and the wheel, drawn by a seed."""

from __future__ import annotations

from pathlib import Path
from random import Random

from textual import events
from textual.geometry import Size

from tests.journals import MORNING
from tests.journals import journal as journal_in
from tests.keyboard import key, painted
from tracker.console.app import TrackerApp
from tracker.console.commands import commands_of
from tracker.console.desk import Desk
from tracker.console.seat_clock import SeatClock
from tracker.console.session import DeskRuntime
from tracker.console.view.scene import Snapshot
from tracker.forecast.estimate import estimate
from tracker.foundation.clock import SteadyClock
from tracker.journal.journal import Journal

_LEAVES = {"q", "ctrl+q", "ctrl+c", "ctrl+p", "f1"}
KEYS = sorted({k for command in commands_of("desk") for k in command.keys} - _LEAVES)
KEYS += ["question_mark"] * 8 + [
    "enter",
    "backspace",
    "space",
    "tab",
    "escape",
    "escape",
    "home",
    "delete",
    "shift+tab",
    "0",
]
VIEWS = [c.keys[0] for c in commands_of("desk") if c.group in ("Views", "Alerts") or c.id == "help"]
TEXTS = [
    "9" * 5000,
    "1 -3",
    "hold EV1 until 9999:99",
    "\u202e\u200bnote \x1b[2J",
    "note " + "é" * 3000,
    "k a",
]
TEXTS += ["add EV1 0:10 \U0001f680" * 50, "\n\n1\n2\n", "=1+1", "[bold]x[/bold]", "clock wall", "; ;;", "k a"]
SIZES = [(1, 1), (2, 1), (1, 60), (300, 2), (300, 90), (80, 24), (79, 23), (120, 36), (40, 10), (17, 5)]


async def fumble(folder: Path, seed: int, deeds: int) -> list[str]:
    """Do so many things at a desk; what was done if it ended meanwhile. A fault is raised with it."""
    random, done = Random(seed), list[str]()
    with journal_in(folder, *MORNING) as made:
        path = made.path
    runtime = DeskRuntime(lambda: Journal.open(path), "op", seat_clock=SeatClock(SteadyClock()))
    runtime.session.ask = lambda wanted: None
    desk = Desk(runtime)
    app = TrackerApp(desk)
    try:
        async with app.run_test(size=random.choice(SIZES)):
            while runtime.session.snapshot is None:
                await painted(app)
            progress = runtime.session.progress
            runtime.session.snapshot = Snapshot(progress, estimate(progress, progress.at, scenarios=100))
            for _ in range(deeds):
                done.append(_one(app, desk, random))
                await painted(app)
                if not app.is_running:
                    break
    except Exception as error:
        error.add_note(f"seed {seed}: {', '.join(done)}")
        raise
    finally:
        runtime.stop()
    return done if len(done) < deeds else []


def _one(app: TrackerApp, desk: Desk, random: Random) -> str:
    """Do one thing, and say what it was."""
    chance = random.random()
    if chance < 0.1:
        # A view at a size at which nobody looks at it.
        for name in ("escape", "escape", random.choice(VIEWS)):
            app.post_message(key(name))
        return f"view {name}, {_sized(app, random.choice(SIZES[:5]))}"
    if chance < 0.25:
        return _sized(app, random.choice([*SIZES, (random.randint(1, 250), random.randint(1, 70))]))
    if chance < 0.35:
        text = random.choice(TEXTS)
        app.post_message(events.Paste(text))
        return f"paste {text[:20]!r}"
    if chance < 0.4:
        text = random.choice(TEXTS)[:60]
        for char in text:
            app.post_message(key(char))
        return f"type {text[:20]!r}"
    if chance < 0.5:
        x, y = random.randrange(max(1, app.size.width)), random.randrange(max(1, app.size.height))
        kind = random.choice((events.MouseDown, events.MouseUp, events.MouseScrollDown, events.MouseScrollUp))
        app.post_message(kind(None, x, y, 0, 0, random.randint(0, 2), False, False, False, x, y))
        return f"{kind.__name__} {x} {y}"
    name = random.choice(KEYS)
    app.post_message(key(name))
    return f"key {name}"


def _sized(app: TrackerApp, size: tuple[int, int]) -> str:
    """Give the terminal another size."""
    assert app._driver is not None
    app._driver._size = Size(*size)
    app.post_message(events.Resize(Size(*size), Size(*size)))
    return f"size {size}"
