"""What a debrief costs: a thousand journals of 60 steps, and one journal of 100,000 events."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from subprocess import run
from time import perf_counter
from typing import Any

from tests.bench.table import report
from tests.seasons import Truth, events, plan
from tracker.journal.journal import Journal

MANY, STEPS, LONG = 1_000, 60, 100_000


def main(argv: list[str]) -> None:
    """Measure, in processes of their own so that their memory is their own."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench debrief")
    parser.add_argument("--quick", action="store_true", help="a twentieth of it")
    quick = parser.parse_args(argv).quick
    with tempfile.TemporaryDirectory() as folder:
        _many(Path(folder), MANY // 20 if quick else MANY)
        _long(Path(folder), LONG // 20 if quick else LONG)


def _many(folder: Path, count: int) -> None:
    paths = []
    started = perf_counter()
    for seed in range(count):
        paths.append(folder / f"excursion-{seed:04d}.sqlite")
        with Journal.create(paths[-1], plan(STEPS, seed=seed % 20)) as journal:
            journal.record_all(events(journal.plan, Truth(), seed=seed))
    report("debrief", f"{count} journals of {STEPS} steps: written in", f"{perf_counter() - started:.1f} s")
    exports = [word for name in ("csv", "json", "html", "markdown") for word in (f"--{name}", folder / name)]
    cost = measured("debrief", *paths, *exports)
    target = "60 s" if count == MANY else ""
    report("debrief", f"{count} journals: all four exports, forecasts scored", cost.words(), target)
    report("debrief", f"{count} journals: peak memory, all processes", f"{cost.megabytes:.0f} MB", "500 MB")
    cost = measured("debrief", *paths, "--csv", folder / "csv")
    report("debrief", f"{count} journals: CSV alone", cost.words(), target)
    cost = measured("learn", *paths, "--out", folder / "pace.yaml")
    report("debrief", f"{count} journals: learn", f"{cost.words()}, {cost.megabytes:.0f} MB")


def _long(folder: Path, count: int) -> None:
    path = folder / "long.sqlite"
    with Journal.create(path, plan(STEPS, seed=1)) as journal:
        journal.record_all(_many_events(journal, count))
        assert journal.number == count
    for name in ("csv", "html"):
        cost = measured("debrief", path, f"--{name}", folder / f"long.{name}")
        target = "5 s" if count == LONG else ""
        what = f"one journal of {count:,} events: {name}"
        report("debrief", what, f"{cost.words()}, {cost.megabytes:.0f} MB", target)


def _many_events(journal: Journal, count: int) -> Iterator[dict[str, Any]]:
    """Yield an excursion's events with notes and readings between, so many in all."""
    mine = list(events(journal.plan, Truth(), seed=1))
    between, left = divmod(count - len(mine), len(mine) - 1)
    yield mine[0]
    at = 0
    for i, event in enumerate(mine[1:]):
        for n in range(between + (i < left)):
            if n % 50 == 0:
                value = max(0.0, 2.0 - 0.06 * at / 3600)
                yield {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": value, "at": at}
            else:
                yield {"kind": "noted", "text": f"note {n}", "at": at}
        yield event
        at = event["at"]


@dataclass(frozen=True, slots=True)
class _Cost:
    """What a command and the processes that it started took."""

    seconds: float
    cpu_s: float
    megabytes: float
    """At most: the peak of the first, and of each other one as much as the greatest of them."""

    def words(self) -> str:
        return f"{self.seconds:.1f} s (CPU {self.cpu_s:.1f} s)"


_MEASURE = """
import resource, sys
from tracker.cli.main import main
from tracker.debrief import journals as many
status = main(sys.argv[1:])
own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
spent = sum(used.ru_utime + used.ru_stime for used in (own, others))
print(spent, own.ru_maxrss, others.ru_maxrss, many.MOST_PROCESSES)
sys.exit(status)
"""


def measured(*command: object) -> _Cost:
    """Return what a command takes in a fresh interpreter (on Linux, where memory is told in KiB)."""
    started = perf_counter()
    line = [sys.executable, "-c", _MEASURE, *map(str, command)]
    ran = run(line, capture_output=True, text=True, check=False)
    seconds = perf_counter() - started
    if ran.returncode:
        raise RuntimeError(ran.stderr)
    spent, own, other, most = map(float, ran.stdout.splitlines()[-1].split())
    processes = min(most, len(os.sched_getaffinity(0)))
    return _Cost(seconds, spent, (own + processes * other) / 1024)
