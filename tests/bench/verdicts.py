"""The verdict on limits beside what raw events say: rehearsals with every surprise, three courses of each."""

from __future__ import annotations

import argparse

from tests.bench.table import report
from tests.verdicts import compare, judged_excursions, told

SEEDS = 17


def main(argv: list[str]) -> None:
    """Compare, and print how many limits of each kind were judged and broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench verdicts")
    parser.add_argument("--quick", action="store_true", help="two rehearsals of each plan")
    every = list(judged_excursions(seeds=range(2 if parser.parse_args(argv).quick else SEEDS)))
    found = compare(every)
    report(
        "verdicts", f"{len(every)} excursions: verdicts unlike the raw events", str(len(found.unlike)), "0"
    )
    for line in found.unlike:
        report("verdicts", "unlike", line)
    for kind, (judged, broken) in told(found).items():
        report("verdicts", f"{kind}: judged, of them broken", f"{judged}, {broken}")
    report("verdicts", "stores too close to their reserve for the second way", str(found.untold))
