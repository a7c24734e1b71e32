"""`tracker check PLAN`: reads a plan and prints its course on paper, margins, chances and warnings."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from tracker.foundation.text import plain
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.forecast.prior import PacePrior


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument("plan", metavar="PLAN", help="a plan file, YAML or JSON")
    parser.add_argument("--json", action="store_true", help="as one JSON object")
    parser.add_argument("--pace", metavar="PACE", help="a pace file to judge the chance by")


def run(args: argparse.Namespace) -> int:
    """Check a plan: 0 when it has no fault, whatever its warnings; faults raise PlanError."""
    from tracker.forecast.chances import at_zero
    from tracker.plan.paper import on_paper
    from tracker.plan.read import read_plan

    with meanwhile("checking the plan"):
        plan = read_plan(args.plan)
        paper = on_paper(plan)
        chances = at_zero(plan, _prior(args.pace))
    if args.json:
        from tracker.cli.check_json import check_json

        json.dump(check_json(paper, chances), sys.stdout, indent=1, allow_nan=False)
        print()
        return 0
    from tracker.cli.check_lines import check_lines

    for line in check_lines(paper, chances):
        print(plain(line))
    return 0


def _prior(path: str | None) -> PacePrior:
    from tracker.forecast.prior import DEFAULT_PRIOR, read_pace
    from tracker.plan.read import read_text

    return DEFAULT_PRIOR if path is None else read_pace(read_text(path), path)
