"""The attacks on what is promised, in full: what was tried, told, lost, and how long anybody waited."""

from __future__ import annotations

import argparse
import asyncio
import tempfile
from pathlib import Path
from time import monotonic

from tests.attacks import Finding, mutations, power_cuts, run, seats
from tests.bench.table import report
from tests.hands import fumble
from tests.world import first_broken

KILLS, DISKS, CUTS, WORLDS, HANDS, MINUTE_S = 10_000, 2_000, 10_000, 5_000, 300, 60.0
MUTATED = {
    "line": 600_000,
    "typed": 300_000,
    "plan": 20_000,
    "pace": 50_000,
    "settings": 20_000,
    "journal": 10_000,
    "csv": 40_000,
    "xlsx": 10_000,
    **dict.fromkeys(("mapping", "ticks", "address", "expect"), 3_000),
}
LESS = 100
"""How many times less is tried quickly."""


def main(argv: list[str]) -> None:
    """Run every attack and print a row for each."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench promises")
    parser.add_argument("--quick", action="store_true", help="a hundredth of it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--only",
        choices=["kills", "disks", "cuts", "worlds", "hands", "seats", *MUTATED],
        help="one attack alone",
    )
    args = parser.parse_args(argv)
    less = LESS if args.quick else 1
    with tempfile.TemporaryDirectory() as folder:
        for name, tries in (("kills", KILLS), ("disks", DISKS)):
            if args.only in (None, name):
                _told(name, run(name, Path(folder) / name, max(tries // less, 25), args.seed))
        if args.only in (None, "cuts"):
            _told("cuts", power_cuts(Path(folder) / "cuts", max(CUTS // less, 25), args.seed))
        if args.only in (None, "worlds"):
            _worlds(Path(folder) / "worlds", range(args.seed, args.seed + max(WORLDS // less, 25)))
        if args.only in (None, "hands"):
            _hands(Path(folder), range(args.seed, args.seed + max(HANDS // less, 3)))
        if args.only in (None, "seats"):
            for writers, watchers in ((1, 50), (4, 50)):
                _crowd(Path(folder) / f"seats-{writers}", writers, watchers, MINUTE_S / less)
        for door, tries in MUTATED.items():
            if args.only in (None, door):
                _mutated(Path(folder) / door, door, max(tries // less, 100), args.seed)


def _told(name: str, found: Finding) -> None:
    what = {"kills": "a writer killed", "disks": "the disk full", "cuts": "the power gone"}[name]
    report("promises", f"{what}: tries / events told", f"{found.tries:,}/{found.told:,}")
    report(
        "promises", "  lost / twice / unsound", f"{found.lost}/{found.twice}/{len(found.unsound)}", "0/0/0"
    )


def _worlds(folder: Path, seeds: range) -> None:
    broken = first_broken(folder, seeds)
    figure = "none" if broken is None else f"seed {broken[0]}: {broken[1]}"
    report(
        "promises",
        f"worlds that fail by a seed, {len(seeds):,}: the first that breaks a promise",
        figure,
        "none",
    )


def _hands(folder: Path, seeds: range) -> None:
    ended = []
    for seed in seeds:
        (folder / f"hands-{seed}").mkdir()
        ended += asyncio.run(fumble(folder / f"hands-{seed}", seed, 100))[:1]
    what = f"sizes, keys, pastes, clicks at a desk, {100 * len(seeds):,}: ended by a fault"
    report("promises", what, f"{len(ended)}{ended[:1] or ''}", "0")


def _crowd(folder: Path, writers: int, watchers: int, seconds: float) -> None:
    found, waits, failed = seats(folder, writers=writers, watchers=watchers, seconds=max(seconds, 3.0))
    waits = waits or [float("nan")]
    p50, p99, most = (1e3 * waits[min(int(len(waits) * q), len(waits) - 1)] for q in (0.5, 0.99, 1.0))
    what = f"{writers} writers and {watchers} watchers: told / lost / reads failed"
    report("promises", what, f"{found.told:,}/{found.lost}/{failed}", "…/0/0")
    report("promises", "  wait of a write, p50 / p99 / max, ms", f"{p50:.0f}/{p99:.0f}/{most:.0f}")


def _mutated(folder: Path, door: str, tries: int, seed: int) -> None:
    began = monotonic()
    found = list(mutations(folder, door, tries, seed))
    for n, raw, error in found[:3]:
        print(f"  seed {n}: {raw[:200]!r}: {error!r}")
    figure = f"{len(found)} of {tries:,} in {monotonic() - began:.0f} s"
    report("promises", f"mutated inputs at the door {door}: not refused in words", figure, "0")
