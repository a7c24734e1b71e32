"""The desk in a real terminal: first frame, key to durable and painted, keys a tick, an idle desk."""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from statistics import median, quantiles

import pexpect

from tests.bench.table import report
from tracker.foundation.clock import utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan

_ROWS, _COLUMNS = 36, 120
_MESSAGE_ROW = _ROWS - 1
_BARE = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("PET")
Bare().run()
"""


def main(argv: list[str]) -> int:
    """Measure and print; `--quick` with fewer repetitions."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args(argv).quick
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder) / "long.yaml"
        plan.write_text(long_plan(300), encoding="utf-8")
        _first_frame(plan, 3 if quick else 9)
        _key_to_paint(plan, 30 if quick else 150)
        _keys_a_tick(plan)
        _idle(plan, 20.0 if quick else 120.0)
    return 0


def long_plan(steps: int) -> str:
    """Return a plan of so many steps for two crew members, with eight accounts and eight optional tasks."""
    lines = [
        "format: 1", "excursion: Bench", "zero: Both suits on battery power", "limits: {elapsed: 9:00}",
        "crew: [{id: EV1, name: Lead}, {id: EV2, name: Second}]", "consumables:",
    ]  # fmt: skip
    for name in ("oxygen", "scrubber", "battery", "water"):
        lines.append(
            f"  - {{id: {name}, unit: kg, start: 10, reserve: 1, per_hour: 0.5, per_megajoule: 0.1}}"
        )
    lines.append("windows: [{id: light, open: [[0:00, 1:00], [1:32, 2:32], [3:04, 4:04], [4:36, 9:00]]}]")
    lines.append("tasks:")
    for task in range(steps // 10):
        priority = "get-ahead" if task % 4 == 3 and task < 32 else "must"
        lines.append(f"  - id: task{task}\n    title: Task {task}\n    priority: {priority}\n    steps:")
        for step in range(10):
            crew = "EV1" if step % 2 else "EV2"
            window = ", window: light" if step % 5 == 4 else ""
            lines.append(
                f"      - {{id: s{step}, do: Step {step} of task {task}, crew: [{crew}], time: 0:02{window}}}"
            )
    lines.append("  - id: home\n    title: Home\n    closeout: true\n    steps:")
    lines.append("      - {id: go, do: Go home, crew: [EV1, EV2], time: 0:10}")
    return "\n".join(lines) + "\n"


@contextmanager
def _terminal(*command: str) -> Iterator[pexpect.spawn[bytes]]:
    """Run a command in a terminal of its own, and end it afterwards."""
    env = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
    child: pexpect.spawn[bytes] = pexpect.spawn(
        sys.executable, list(command), dimensions=(_ROWS, _COLUMNS), env=env, timeout=30
    )
    child.delaybeforesend = None
    try:
        yield child
    finally:
        child.close(force=True)


def _desk(source: Path, journal: Path | None = None) -> tuple[str, ...]:
    where = ("--journal", str(journal)) if journal else ()
    return ("-m", "tracker", "run", str(source), "--seat", "bench", *where)


def _first_frame(plan: Path, times: int) -> None:
    bare, desk = [], []
    for n in range(times):
        bare.append(_until_painted("-c", _BARE))
        desk.append(_until_painted(*_desk(plan, plan.with_name(f"frame{n}.sqlite"))))
    ratio = median(desk) / median(bare)
    report("screen", "first frame of a bare app, ms", f"{median(bare) * 1e3:.0f}")
    report("screen", "first frame of the desk, ms", f"{median(desk) * 1e3:.0f}")
    report("screen", "first frame of the desk / of a bare app", f"{ratio:.2f} x", "<= 2.5")


def _until_painted(*command: str) -> float:
    begin = time.perf_counter()
    with _terminal(*command) as child:
        child.expect("PET")
        return time.perf_counter() - begin


def _opened(child: pexpect.spawn[bytes]) -> None:
    """Wait until the journal is open and the clock runs."""
    child.expect("Step 1 of task 0")
    _drain(child, 2.0)
    child.send("z")
    _drain(child, 2.0)


def _until(child: pexpect.spawn[bytes], pattern: re.Pattern[bytes]) -> None:
    """Read until what comes from now on holds a pattern."""
    seen, end = b"", time.perf_counter() + 5.0
    while not pattern.search(seen) and time.perf_counter() < end:
        seen += child.read_nonblocking(1 << 20, timeout=5.0)


def _drain(child: pexpect.spawn[bytes], seconds: float) -> int:
    """Read what comes for so long; return how many bytes."""
    count, end = 0, time.perf_counter() + seconds
    while (left := end - time.perf_counter()) > 0:
        try:
            count += len(child.read_nonblocking(1 << 20, timeout=left))
        except pexpect.TIMEOUT:
            break
    return count


def _key_to_paint(plan: Path, ticks: int) -> None:
    """Time from a key to the line that says it is on disk; that line is only painted once it is."""
    took, row = [], re.compile(rb"\x1b\[%d;" % _MESSAGE_ROW)
    with _terminal(*_desk(plan, plan.with_name("keys.sqlite"))) as child:
        _opened(child)
        for n in range(ticks):
            begin = time.perf_counter()
            child.send("12"[n % 2])
            _until(child, row)
            took.append(time.perf_counter() - begin)
            _drain(child, 0.3 + n % 7 * 0.2)
    with Journal.open(plan.with_name("keys.sqlite"), read_only=True) as journal:
        written = sum(event.kind == "done" for event in journal.fold.recorded)
    report("screen", f"ticks on disk of {ticks}", f"{written}", f"{ticks}")
    report("screen", "key to durable and painted, 300 steps, median, ms", f"{median(took) * 1e3:.0f}")
    report(
        "screen",
        "key to durable and painted, 300 steps, p95, ms",
        f"{quantiles(took, n=20)[18] * 1e3:.0f}",
        "<= 60",
    )


def _keys_a_tick(plan: Path) -> None:
    """Tick 60 steps, 12 of them late, 3 taken back and ticked again; count the keys."""
    path, keys = plan.with_name("mix.sqlite"), 0
    _an_hour_in(plan, path)
    with _terminal(*_desk(path)) as child:
        child.expect("Step 1 of task 0")
        _drain(child, 3.0)
        for n in range(60):
            crew = "12"[n % 2]
            presses = f"-{crew}11" if n % 5 == 4 else crew
            presses += f"u{crew}" if n in (10, 30, 50) else ""
            for press in presses:
                child.send(press)
                _drain(child, 0.33)
            keys += len(presses)
    with Journal.open(path, read_only=True) as journal:
        progress = journal.progress()
    done = sum(state.ended == "done" for state in progress.steps.values())
    report("screen", "steps done after 60 ticks, 12 late, 3 undone", f"{done}", "60")
    report("screen", "keys a tick in that mix", f"{keys / 60:.2f}", "<= 1.8")


def _an_hour_in(plan: Path, path: Path) -> None:
    """Make a journal whose clock was started an hour ago, so that late ticks have a time to go back to."""
    with Journal.create(path, read_plan(plan)) as journal:
        start = utc_now() - timedelta(hours=1)
        journal.record({"kind": "zero", "utc": format_instant(start)}, utc_now=start)


def _idle(plan: Path, seconds: float) -> None:
    path = plan.with_name("idle.sqlite")
    with _terminal(*_desk(plan, path)) as child:
        _opened(child)
        child.send("1")
        _drain(child, 10.0)
        before = _cpu_s(child.pid)
        count = _drain(child, seconds)
        cpu = _cpu_s(child.pid) - before
    report("screen", "idle desk, share of a core", f"{100 * cpu / seconds:.1f} %", "<= 3 %")
    report("screen", "idle desk, bytes a second to the terminal", f"{count / seconds:.0f}", "<= 400")


def _cpu_s(pid: int | None) -> float:
    """Return the processor time of a process in seconds; Linux."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
