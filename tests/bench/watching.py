"""The lead's view in a real terminal, beside another process that ticks: a long plan, five crew."""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from datetime import timedelta
from functools import partial
from pathlib import Path
from statistics import median

from tests.bench.table import report
from tests.terminal import Terminal
from tracker.foundation.clock import utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal
from tracker.plan.read import read_plan

_DONE_S = 3 * 3600
"""PET up to which steps are done."""


def main(argv: list[str]) -> int:
    """Measure and print; `--quick` with fewer repetitions."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    times = 4 if parser.parse_args(argv).quick else 16
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder) / "long.yaml"
        plan.write_text(long_plan(), encoding="utf-8")
        journal = under_way(plan, Path(folder) / "long.sqlite")
        with _Watched(journal) as watched:
            _ticks(watched, journal, times)
            _scrubs(watched, times)
    return 0


def long_plan() -> str:
    """Return a plan of 301 steps: five crew, eight accounts, fifteen optional tasks, windows."""
    crew = ["EV1", "EV2", "EV3", "EV4"]
    lines = [
        "format: 1", "excursion: Bench", "zero: Both suits on battery power", "limits: {elapsed: 13:30}",
        "crew: [{id: EV1}, {id: EV2}, {id: EV3}, {id: EV4}, {id: IV, outside: false}]", "consumables:",
        *(
            f"  - {{id: {name}, unit: kg, start: 10, reserve: 1, per_hour: 0.35, per_megajoule: 0.1}}"
            for name in ("oxygen", "battery")
        ),
        "windows: [{id: light, open: [[0:00, 1:00], [1:32, 2:32], [3:04, 4:04], [4:36, 16:00]]}]", "tasks:",
    ]  # fmt: skip
    for task in range(60):
        priority = "get-ahead" if task % 4 == 3 else "must"
        lines.append(f"  - id: task{task}\n    title: Task {task}\n    priority: {priority}\n    steps:")
        for step in range(5):
            who = [crew[task % 4], crew[(task + 1) % 4]] if step == 4 and task % 10 == 0 else [crew[task % 4]]
            window = ", window: light" if step == 3 and task % 7 == 1 else ""
            lines.append(
                f"      - {{id: s{step}, do: Step {step}, crew: [{', '.join(who)}], time: 0:06{window}}}"
            )
    home = f"      - {{id: go, do: Go home, crew: [{', '.join(crew)}], time: 0:20}}"
    return "\n".join([*lines, "  - id: home", "    closeout: true", "    steps:", home]) + "\n"


def under_way(plan: Path, path: Path) -> Path:
    """Write a journal whose clock runs now, with steps done until three hours after its zero."""
    read, zero = read_plan(plan), utc_now() - timedelta(seconds=_DONE_S)
    with Journal.create(path, read) as journal:
        journal.record({"kind": "zero", "utc": format_instant(zero)})
        planned = journal.progress().planned
        for step in sorted(planned, key=lambda one: planned[one][1]):
            end = planned[step][1] * 1.08
            if end < _DONE_S - 60 and not step.startswith("home"):
                journal.record({"kind": "done", "step": step, "at": int(end)})
    return path


class _Watched(Terminal):
    """`tracker watch` in a terminal."""

    def __init__(self, journal: Path) -> None:
        super().__init__("watch", str(journal), size=(120, 36))

    def __enter__(self) -> _Watched:
        taken = self.until("chance")
        report("watching", "first figures, 301 steps, s", f"{taken:.2f}")
        self.rest(4.0)
        return self

    @property
    def head(self) -> str:
        return self.text.partition(" UTC")[0]

    @property
    def inside(self) -> str:
        found = re.search(r"8 in 10(?:: | between )(\S+)", self.text)
        return found[1] if found else ""


def _ticks(watched: _Watched, path: Path, times: int) -> None:
    """Record events that move the ingress by an hour, and see when the screen has them."""
    shown, figures = [], []
    with Journal.open(path) as journal:
        for k in range(times):
            before = watched.inside
            begin = time.perf_counter()
            took = "1:20" if k % 2 == 0 else "0:20"
            number = journal.record({"kind": "retimed", "step": "home.go", "time": took})
            watched.until(f"event {number}")
            shown.append(time.perf_counter() - begin)
            watched.until(partial(_other_inside, watched, before))
            figures.append(time.perf_counter() - begin)
            watched.rest((0.1, 1.2, 3.0)[k % 3])
    report("watching", "another's event on disk to on the screen, median s", f"{median(shown):.2f}")
    report("watching", "the same, to figures with it, median s", f"{median(figures):.2f}")
    report("watching", "the same, the longest, s", f"{max(figures):.2f}", "<= 1")


def _scrubs(watched: _Watched, times: int) -> None:
    """Go back minute by minute, then on again over what has been seen."""
    back: list[float] = []
    again: list[float] = []
    for keys, spans in (("\x1b[D", back), ("\x1b[C", again)):
        for _ in range(times - 1):
            head = watched.head
            spans.append(watched.press_s(keys, partial(_moved_on, watched, head)))
            watched.rest(0.3)
    report("watching", "a minute back, to figures with new advice, median s", f"{median(back):.2f}")
    report("watching", "a minute on, seen before, median s", f"{median(again):.2f}")


def _other_inside(watched: _Watched, before: str) -> bool:
    return watched.inside not in ("", before)


def _moved_on(watched: _Watched, head: str) -> bool:
    return watched.head != head and "estimating" not in watched.text
