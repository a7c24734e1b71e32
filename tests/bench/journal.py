"""What a promise costs: a press through outbox and journal against two bare commits set as they are."""

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
    bare = [_bare(folder / f"bare-{steps}-{n}.sqlite") for n in range(2)]
    path = folder / f"journal-{steps}.sqlite"
    with Journal.create(path, plan(steps, seed=1), outbox=folder / f"out-{steps}") as journal:
        ours, theirs = [], []
        for number, event in enumerate(list(events(journal.plan, Truth(), seed=1))[:rounds], 1):
            started = perf_counter()
            journal.record(event)
            between = perf_counter()
            for db in bare:
                db.execute("BEGIN IMMEDIATE")
                db.execute("INSERT INTO events VALUES (?, ?)", (number, str(event)))
                db.execute("COMMIT")
            ours.append(between - started)
            theirs.append(perf_counter() - between)
    for db in bare:
        db.close()
    ratio = median(ours) / median(theirs)
    what = f"durable press in a plan of {steps} steps / two bare commits"
    report("journal", what, f"{ratio:.1f}", "2")
    report(
        "journal",
        "  the same in milliseconds, median",
        f"{median(ours) * 1e3:.2f}/{median(theirs) * 1e3:.2f}",
    )


def _bare(path: Path) -> sqlite3.Connection:
    """A database with the settings of a journal and nothing else."""
    db = sqlite3.connect(path, isolation_level=None)
    for setting in ("journal_mode=DELETE", "synchronous=EXTRA", "fullfsync=ON"):
        db.execute(f"PRAGMA {setting}").fetchall()
    db.execute("CREATE TABLE events (number INTEGER PRIMARY KEY, body TEXT)")
    return db


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
