"""`tracker learn`: the pace of past excursions as a pace file, as far as it helps."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from tracker.cli.season import FILTERS, add_choice, wanted
from tracker.foundation.errors import TrackerError, WrongUsage

if TYPE_CHECKING:
    from tracker.debrief.learn import Lessons


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    add = parser.add_argument
    add("journals", nargs="*", metavar="JOURNAL", help="journals of past excursions")
    add("--season", metavar="SEASON", help="read a season instead of journals")
    add("--out", required=True, metavar="PACE.yaml", help="the pace file; - is standard output")
    add("--anyway", action="store_true", help="write it also where no part of it would have forecast better")
    add("--rehearsals", action="store_true", help="rehearsals as well")
    add_choice(parser)
    add("--crew", metavar="CREW", help="only excursions in which this crew member (id or name) did a step")


def run(args: argparse.Namespace) -> int:
    """Say what was learned and write the pace file; rehearsals are left out unless asked for."""
    from tracker.debrief.lessons import NO_HELP, of_two_people, said, verdict
    from tracker.forecast.pace_file import write_pace
    from tracker.foundation.output import check_targets, write_told

    if bool(args.journals) == (args.season is not None):
        raise WrongUsage("tracker learn: give journals, or --season SEASON")
    if args.journals and any(
        getattr(args, name, None) is not None for name in FILTERS if name != "rehearsals"
    ):
        raise WrongUsage("tracker learn: give --season SEASON to choose among its excursions")
    check_targets([args.out], args.journals or [args.season])
    found = _lessons(args)
    print("\n".join(said(found)), file=sys.stderr if args.out == "-" else sys.stdout)
    if not found.share and not args.anyway:
        raise TrackerError(f"{args.out}: not written: {NO_HELP}; --anyway writes it all the same")
    write_told(args.out, [write_pace(found.prior, [*of_two_people(found), *verdict(found)])])
    return 0


def _lessons(args: argparse.Namespace) -> Lessons:
    """Return what the excursions that are asked for teach."""
    from tracker.debrief.learn import lessons, taught

    if args.season is None:
        return lessons(args.journals, rehearsals=args.rehearsals)
    from dataclasses import replace

    from tracker.debrief.season import Season

    with Season.open(args.season) as season:
        asked = replace(wanted(args), rehearsals=None if args.rehearsals else False)
        return taught(season.read(asked), rehearsals=args.rehearsals)
