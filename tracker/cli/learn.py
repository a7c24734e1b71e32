"""`tracker learn`: the pace of past excursions as a pace file."""

from __future__ import annotations

import argparse

from tracker.foundation.errors import WrongUsage


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument("journals", nargs="*", metavar="JOURNAL", help="journals of past excursions")
    parser.add_argument("--season", metavar="SEASON", help="read a season instead of journals")
    parser.add_argument(
        "--out", required=True, metavar="PACE.yaml", help="the pace file; - is standard output"
    )
    parser.add_argument("--rehearsals", action="store_true", help="learn from rehearsals as well")


def run(args: argparse.Namespace) -> int:
    """Write the pace file; rehearsals are left out unless asked for."""
    from tracker.debrief.learn import lessons, taught
    from tracker.forecast.pace_file import write_pace
    from tracker.foundation.output import check_targets, write_out

    if bool(args.journals) == (args.season is not None):
        raise WrongUsage("tracker learn: give journals, or --season SEASON")
    check_targets([args.out], args.journals or [args.season])
    if args.season is None:
        prior = lessons(args.journals, rehearsals=args.rehearsals)
    else:
        from tracker.debrief.season import Season

        with Season.open(args.season) as season:
            prior = taught(season.read(), rehearsals=args.rehearsals)
    write_out(args.out, [write_pace(prior)])
    return 0
