"""`python -m tests.pictures [NAME …]`: makes plans/pictures/*.png from the real program.

A simulated crew plays the demo from a fixed seed up to a PET, the real desk or lead's view is opened on
that journal under a clock that stands, keys are pressed, and what is on the screen becomes an SVG and then a
PNG. The same call makes the same picture again. It needs `rsvg-convert` (Debian: librsvg2-bin).
"""

from __future__ import annotations

import asyncio
import io
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from PIL import Image
from rich.console import Console
from textual.app import App
from textual.pilot import Pilot

from tracker.console.app import TrackerApp
from tracker.console.desk import Desk
from tracker.console.lead import Lead
from tracker.console.lead_session import LeadRuntime
from tracker.console.session import DeskRuntime
from tracker.foundation.times import parse_pet
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios, zero_of

TOP = Path(__file__).resolve().parents[1]
PLAN = TOP / "plans" / "larkspur.yaml"
PLACE = TOP / "plans" / "pictures"
SEED = 3
FONT, ADVANCE = "DejaVu Sans Mono", 0.60205
"""A font that every Linux has, and the width of its characters over their height."""
CELL = (20 * ADVANCE, 20 * 1.22)
"""Width and height of a cell as Rich exports it."""
COLOURS = 256
PATIENCE_S, QUIET_S = 60.0, 5.0
MOST_BYTES = 200_000

FRAME = """\
<svg xmlns="http://www.w3.org/2000/svg" xml:space="preserve" viewBox="-12 -12 WIDE HIGH">
<style>
.{unique_id}-matrix {{ font-family: 'FONT', monospace; font-size: {char_height}px; }}
{styles}
</style>
<defs>{lines}</defs>
<rect x="-12" y="-100" width="WIDE" height="3000" fill="GROUND"/>
<g shape-rendering="crispEdges">{backgrounds}</g>
<g class="{unique_id}-matrix">{matrix}</g>
</svg>
"""
"""The cells with a little ground around them: no window, and every blank counts."""


@dataclass(frozen=True)
class Shot:
    """One picture: up to which PET is played, how large the terminal is, which keys are pressed."""

    pet: str
    size: tuple[int, int]
    keys: tuple[str, ...] = ()
    lead: bool = False
    width_px: int = 1200
    silent: str = "0:00"
    """How long the crew has said nothing when the picture is taken."""


SHOTS = {
    "desk": Shot("2:14:37", (120, 36)),
    "desk-80": Shot("2:14:37", (80, 24), width_px=960),
    "desk-200": Shot("2:14:37", (200, 55), width_px=1440),
    "start": Shot("0:00", (120, 36)),
    "entry": Shot("2:14:37", (100, 30), ("e", *"1 >plug -3"), width_px=1000),
    "last-call": Shot("4:05", (100, 30), width_px=1000, silent="0:24"),
    "what-if": Shot("2:14:37", (120, 36), ("f", *"drop lamp", "enter")),
    "recall": Shot("3:30", (100, 30), ("c", "c"), width_px=1000),
    "lead": Shot("2:14:37", (120, 36), lead=True),
}


class Stood:
    """A clock that stands; what tells keys apart goes on."""

    def __init__(self, at: datetime) -> None:
        self._at, self.apart_s = at, 0.0

    def utc(self) -> datetime:
        return self._at

    def mono(self) -> float:
        return self.apart_s


def played(path: Path, pet_s: float) -> datetime:
    """Play the demo into a journal up to a PET, and return its instant. At PET 0 no clock runs yet."""
    plan = read_plan(PLAN)
    uuid = seed_of_scenarios(plan, SEED)
    with Journal.create(path, plan, rehearsal=True, uuid=uuid) as journal:
        rehearsal = Rehearsal(journal, plan, SEED, advised=True)
        if pet_s:
            rehearsal.start(zero_of(plan))
            rehearsal.play.to(pet_s)
    return zero_of(plan) + timedelta(seconds=pet_s)


async def until(holds: Callable[[], bool], pilot: Pilot[Any], what: str) -> None:
    """Wait until something holds; TimeoutError when it does not."""
    for _ in range(int(PATIENCE_S / 0.05)):
        if holds():
            await pilot.pause()
            return
        await asyncio.sleep(0.05)
        await pilot.pause()
    raise TimeoutError(f"waited {PATIENCE_S:g} s for {what}")


async def pressed(pilot: Pilot[Any], keys: tuple[str, ...], clock: Stood) -> None:
    """Press keys as on a keyboard, apart as a person's."""
    named = {" ": "space", "-": "minus", ">": "greater_than_sign"}
    for key in keys:
        clock.apart_s += 1.0
        await pilot.press(named.get(key, key))
        await pilot.pause()


async def desk(shot: Shot, path: Path, clock: Stood) -> str:
    """Return the desk on a journal as SVG, once its advice stands."""
    runtime = DeskRuntime(
        lambda: Journal.open(path), "desk", title=PLAN.name, utc_now=clock.utc, monotonic_s=clock.mono
    )
    session = runtime.session

    def settled() -> bool:
        found = session.snapshot.estimate if session.snapshot else None
        if found is None or session.unsaved or session.snapshot is None:
            return False
        called = any(session.progress.recall.values())
        return found.at == session.now(clock.utc()) and (found.called is not None) == called

    app = TrackerApp(Desk(runtime))
    async with app.run_test(size=shot.size) as pilot:
        await until(settled, pilot, "the estimate")
        await pressed(pilot, shot.keys, clock)
        await until(settled, pilot, "the estimate after the keys")
        app.live.repaint()
        await pilot.pause()
        picture = svg(app)
    runtime.stop()
    return picture


async def lead(shot: Shot, path: Path, clock: Stood) -> str:
    """Return the lead's view of a journal as SVG, once nothing changes in it any more."""
    runtime = LeadRuntime(path, utc_now=clock.utc, monotonic_s=clock.mono)
    app = TrackerApp(Lead(runtime))
    async with app.run_test(size=shot.size) as pilot:
        await until(lambda: _studied(runtime), pilot, "the studies beside the estimate")
        await grown(runtime, pilot)
        await pressed(pilot, shot.keys, clock)
        app.live.repaint()
        await pilot.pause()
        picture = svg(app)
    runtime.stop()
    return picture


async def grown(runtime: LeadRuntime, pilot: Pilot[Any]) -> None:
    """Wait until the estimates through the day, which come one after the other, are all there."""
    points, since = runtime.session.scene(runtime.utc_now()).points, time.monotonic()
    while time.monotonic() - since < QUIET_S:
        await asyncio.sleep(0.05)
        await pilot.pause()
        if (now := runtime.session.scene(runtime.utc_now()).points) != points:
            points, since = now, time.monotonic()


def _studied(runtime: LeadRuntime) -> bool:
    session = runtime.session
    if session.snapshot is None or session.snapshot.estimate is None:
        return False
    scene = session.scene(runtime.utc_now())
    return scene.moved is not None and bool(scene.chances) and bool(scene.points)


def svg(app: App[Any]) -> str:
    """Return what is on the screen as SVG, in cells of the font's own width and without a frame."""
    width, height = app.size
    console = Console(
        width=width, file=io.StringIO(), force_terminal=True, color_system="truecolor", record=True
    )
    console.print(app.screen._compositor.render_update(full=True))
    frame = FRAME
    ground = app.get_css_variables()["background"]
    around = {"FONT": FONT, "GROUND": ground, "WIDE": width * CELL[0] + 24, "HIGH": height * CELL[1] + 24}
    for name, value in around.items():
        frame = frame.replace(name, str(value))
    return console.export_svg(code_format=frame, font_aspect_ratio=ADVANCE, unique_id="screen")


def converted(picture: str, target: Path, width_px: int) -> None:
    """Write an SVG as a PNG of a given width, in few colours, which is all that a terminal's text has."""
    command = ["rsvg-convert", "--width", str(width_px), "--keep-aspect-ratio"]
    made = subprocess.run(command, input=picture.encode(), capture_output=True, check=True).stdout
    image = Image.open(io.BytesIO(made)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    image.save(target, optimize=True)


async def make(name: str) -> Path:
    """Make one picture and return where it is."""
    shot = SHOTS[name]
    target = PLACE / f"{name}.png"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "larkspur.sqlite"
        clock = Stood(played(path, parse_pet(shot.pet)) + timedelta(seconds=parse_pet(shot.silent)))
        show: Callable[[Shot, Path, Stood], Awaitable[str]] = lead if shot.lead else desk
        converted(await show(shot, path, clock), target, shot.width_px)
    return target


def main(names: list[str]) -> int:
    """Make the named pictures, or all; 1 when one is too large, 2 for an unknown name or a missing tool."""
    if unknown := [name for name in names if name not in SHOTS]:
        print(f"There is no picture {', '.join(unknown)}; there are: {', '.join(SHOTS)}", file=sys.stderr)
        return 2
    if shutil.which("rsvg-convert") is None:
        print("rsvg-convert is missing; Debian has it in librsvg2-bin", file=sys.stderr)
        return 2
    PLACE.mkdir(exist_ok=True)
    status = 0
    for name in names or SHOTS:
        target = asyncio.run(make(name))
        size = target.stat().st_size
        print(f"{target.relative_to(TOP)}  {size:,} bytes")
        status |= size > MOST_BYTES
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
