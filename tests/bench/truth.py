"""Ten rehearsals with surprises: what every page says of a figure at every tick, and if all say the same."""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.bench.table import report
from tests.rehearsals import ticks
from tests.screens import scene_of
from tests.truth import SIZES, Walk
from tracker.plan.read import read_plan

PLANS = Path(__file__).resolve().parents[2] / "plans"
DAYS = tuple(
    (plan, seed, wanted)
    for plan, wanteds in {
        "larkspur": (("leak",), ("stuck",), ("hold",), ("unplanned",), ("silence",), ("leak", "stuck")),
        "plateau": (("leak",), ("stuck", "hold")),
        "outfall": (("leak",), ("random",)),
    }.items()
    for seed, wanted in enumerate(wanteds, 1)
)
"""Plan, seed and surprises of each rehearsal."""
SCENARIOS = 300


def main(argv: list[str]) -> None:
    """Walk and print; `--quick` looks at every twentieth tick of two of them, `--every` at others."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench truth")
    parser.add_argument("--quick", action="store_true", help="every twentieth tick of two rehearsals")
    parser.add_argument("--every", type=int, default=1, help="look at every so manieth tick")
    asked = parser.parse_args(argv)
    every = 20 if asked.quick else asked.every
    walk = Walk()
    days = DAYS[::5] if asked.quick else DAYS
    for name, seed, wanted in days:
        plan = read_plan(PLANS / f"{name}.yaml")
        for number, (progress, at) in enumerate(ticks(plan, seed, wanted=wanted)):
            if number % every == 0:
                walk.look(
                    scene_of(progress, at, scenarios=SCENARIOS, choices=number % 5 == 0), f"{name} {seed}"
                )
    where = f"{len(days)} rehearsals, {walk.instants} instants, {len(SIZES)} sizes, every page"
    report("truth", f"figures compared: {where}", f"{walk.compared:,}")
    report("truth", "disagreements", str(len(walk.wrong)), "0")
    for line in walk.wrong[:20]:
        print(f"  {line}")
