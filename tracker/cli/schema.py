"""`tracker schema [plan|pace|estimate|debrief]`: what a file may hold, for editors and for other programs."""

from __future__ import annotations

import argparse
import sys

KINDS = ("plan", "pace", "estimate", "debrief")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "kind", choices=KINDS, nargs="?", default="plan", help="of which file (default: plan)"
    )


def run(args: argparse.Namespace) -> int:
    """Print a JSON Schema, draft 2020-12."""
    sys.stdout.write(_text(args.kind))
    return 0


def _text(kind: str) -> str:
    from tracker.plan.json_schema import plan_schema, schema_text

    if kind == "plan":
        return schema_text(plan_schema())
    if kind == "debrief":
        from importlib.resources import files

        return files("tracker.debrief").joinpath("schema.json").read_text(encoding="utf-8")
    from tracker.forecast.schemas import estimate_schema, pace_schema

    return schema_text(pace_schema() if kind == "pace" else estimate_schema())
