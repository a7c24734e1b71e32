"""`tracker learn`: the pace of past excursions as a pace file."""

from __future__ import annotations

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("journals", nargs="+", metavar="JOURNAL", help="journals of past excursions")
    parser.add_argument(
        "--out", required=True, metavar="PACE.yaml", help="the pace file; - is standard output"
    )
    parser.add_argument("--rehearsals", action="store_true", help="learn from rehearsals as well")


def run(args: argparse.Namespace) -> int:
    """Write the pace file; rehearsals are left out unless asked for."""
    from tracker.debrief.learn import lessons
    from tracker.forecast.prior import write_pace
    from tracker.foundation.output import check_targets, write_out

    check_targets([args.out], args.journals)
    write_out(args.out, [write_pace(lessons(args.journals, rehearsals=args.rehearsals))])
    return 0
