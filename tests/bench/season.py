"""What a season costs: a thousand journals added, added again, and asked, beside reading the journals."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from time import perf_counter

from tests.bench.debrief import measured
from tests.bench.table import report
from tests.seasons import Truth, events, plan
from tracker.journal.journal import Journal

MANY, STEPS, ASKED = 1_000, 35, 200


def main(argv: list[str]) -> None:
    """Measure, each command in a process of its own."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench season")
    parser.add_argument("--quick", action="store_true", help="a twentieth of it")
    share = 20 if parser.parse_args(argv).quick else 1
    with tempfile.TemporaryDirectory() as folder:
        _season(Path(folder), MANY // share, ASKED // share)


def _season(folder: Path, count: int, asked: int) -> None:
    paths = [folder / f"excursion-{seed:04d}.sqlite" for seed in range(count)]
    for seed, path in enumerate(paths):
        with Journal.create(path, plan(STEPS, seed=seed % 20)) as journal:
            journal.record_all(_eventful(journal, seed))
    season, whole = folder / "season.sqlite", count == MANY
    cost = measured("season", "add", season, *paths)
    what = f"{count} journals of {STEPS} steps added, quarters scored"
    report("season", what, cost.words(), "60 s" if whole else "")
    cost = measured("season", "add", season, *paths)
    report("season", f"{count} journals added again", cost.words(), "3 s" if whole else "")
    report("season", "a journal in it", f"{season.stat().st_size / count / 1000:.0f} kB")
    left = [path.name for path in folder.iterdir() if path.name.endswith(("-wal", "-shm", "-journal"))]
    report("season", "files left beside journals and season", str(len(left)), "0")
    small = folder / "small.sqlite"
    measured("season", "add", small, *paths[:asked])
    for name in ("csv", "json"):
        started = perf_counter()
        measured("debrief", *paths[:asked], f"--{name}", folder / f"out.{name}")
        alone = perf_counter() - started
        started = perf_counter()
        measured("debrief", "--season", small, f"--{name}", folder / f"season.{name}")
        ours = perf_counter() - started
        report(
            "season", f"{asked} excursions to {name}: season / journals", f"{ours / alone:.2f} ({ours:.1f} s)"
        )


def _eventful(journal: Journal, seed: int) -> list[dict[str, object]]:
    """Return an excursion's events with readings and notes between: about 110 of them."""
    made: list[dict[str, object]] = []
    for event in events(journal.plan, Truth(), seed=seed):
        made.append(event)
        at = int(event.get("at", 0))
        if event["kind"] == "done":
            value = max(0.0, 2.0 - 0.06 * at / 3600)
            made.append({"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": value, "at": at})
            made.append({"kind": "noted", "text": f"after {event['step']}", "at": at})
    return made
