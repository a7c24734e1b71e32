"""What a promise costs: a durable append through the journal against a bare SQLite commit."""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

from tests.bench.table import report
from tests.seasons import Truth, events, plan
from tracker.journal.journal import Journal
from tracker.journal.verify import verify

STEPS = (60, 300)
ROUNDS = 300


def main(argv: list[str]) -> None:
    """Measure appends of both kinds in turn, so that a busy disk slows both."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench journal")
    parser.add_argument("--quick", action="store_true", help="a fifth of it")
    rounds = ROUNDS // 5 if parser.parse_args(argv).quick else ROUNDS
    with tempfile.TemporaryDirectory() as folder:
        for steps in STEPS:
            _appends(Path(folder), steps, rounds)
        _opening(Path(folder) / f"journal-{STEPS[-1]}.sqlite")


def _appends(folder: Path, steps: int, rounds: int) -> None:
    bare = sqlite3.connect(folder / f"bare-{steps}.sqlite", isolation_level=None)
    bare.execute("PRAGMA journal_mode=WAL")
    bare.execute("PRAGMA synchronous=FULL")
    bare.execute("CREATE TABLE events (number INTEGER PRIMARY KEY, body TEXT)")
    with Journal.create(folder / f"journal-{steps}.sqlite", plan(steps, seed=1)) as journal:
        ours, theirs = [], []
        for number, event in enumerate(list(events(journal.plan, Truth(), seed=1))[:rounds], 1):
            started = perf_counter()
            journal.record(event)
            between = perf_counter()
            bare.execute("BEGIN IMMEDIATE")
            bare.execute("INSERT INTO events VALUES (?, ?)", (number, str(event)))
            bare.execute("COMMIT")
            ours.append(between - started)
            theirs.append(perf_counter() - between)
    bare.close()
    ratio = median(ours) / median(theirs)
    what = f"durable append in a plan of {steps} steps / bare commit"
    report("journal", what, f"{ratio:.1f}")
    report(
        "journal",
        "  the same in milliseconds, median",
        f"{median(ours) * 1e3:.2f}/{median(theirs) * 1e3:.2f}",
    )


def _opening(path: Path) -> None:
    started = perf_counter()
    Journal.open(path, read_only=True).close()
    between = perf_counter()
    verdict = verify(path)
    ended = perf_counter()
    if verdict.fault is not None:
        raise RuntimeError(verdict.fault)
    report("journal", f"open a journal of {verdict.events} events", f"{(between - started) * 1e3:.0f} ms")
    report("journal", f"verify a journal of {verdict.events} events", f"{(ended - between) * 1e3:.0f} ms")


if __name__ == "__main__":
    main(sys.argv[1:])
