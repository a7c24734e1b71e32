"""`tracker new PLAN.yaml`: a commented plan to begin with, which `tracker check` passes as written."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation.text import plain

if TYPE_CHECKING:
    from tracker.plan.skeleton import Wanted

KINDS = ("orbit", "surface", "dive")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add = parser.add_argument
    add("plan", metavar="PLAN.yaml", help="the plan to write; must not be there yet")
    add("--crew", metavar="ID,ID", help="who goes (default: EV1,EV2)")
    add("--limit", metavar="H:MM", help="everybody inside by (default: 6:30)")
    add("--excursion", metavar="NAME", help="what it is called (default: the file's name)")
    add("--kind", choices=KINDS, help="what its stores and windows are like (default: orbit)")
    add("--schema", action="store_true", help="also the schema for editors, beside the plan")


def run(args: argparse.Namespace) -> int:
    """Write the skeleton; on a terminal without options ask for them first."""
    from tracker.foundation.output import write_new
    from tracker.plan.json_schema import plan_schema, schema_text
    from tracker.plan.skeleton import SCHEMA_FILE, skeleton

    if not any((args.crew, args.limit, args.excursion, args.kind)) and sys.stdin.isatty():
        _ask(args)
    write_new(args.plan, [skeleton(_wanted(args))])
    if args.plan == "-":
        return 0
    print(plain(f"{args.plan}: `tracker check {args.plan}` looks it over"))
    beside = Path(args.plan).with_name(SCHEMA_FILE)
    if args.schema and not beside.exists():
        write_new(str(beside), [schema_text(plan_schema())])
        print(plain(f"{beside}: lets an editor complete and explain the plan"))
    return 0


def _ask(args: argparse.Namespace) -> None:
    """Ask for the four options; an empty answer is the usual one."""
    asked = (
        ("excursion", "What is it called", Path(args.plan).stem),
        ("kind", "Orbit, surface or dive", "orbit"),
        ("crew", "Who goes", "EV1,EV2"),
        ("limit", "Everybody inside by", "6:30"),
    )
    for name, words, usual in asked:
        try:
            answer = input(f"{words} [{plain(usual)}]: ").strip()
        except EOFError:
            return
        setattr(args, name, answer.lower() if name == "kind" else answer)


def _wanted(args: argparse.Namespace) -> Wanted:
    from tracker.cli.import_ import limit_of
    from tracker.foundation.errors import WrongUsage
    from tracker.foundation.text import listed
    from tracker.plan.scalars import is_id
    from tracker.plan.sheet_names import People
    from tracker.plan.skeleton import Wanted

    people = People()
    for name in (args.crew or "EV1,EV2").split(","):
        if not is_id(name.strip()):
            right = "write ids with commas between them, such as EV1,EV2"
            raise WrongUsage(f"--crew: {name.strip()!r} is no id of a crew member; {right}")
        people.add(name.strip())
    if args.kind and args.kind not in KINDS:
        raise WrongUsage(f"--kind: {args.kind!r} is not known; write {listed(KINDS, 'or')}")
    limit = limit_of(args.limit or "6:30")
    assert limit is not None
    name = (args.excursion or Path(args.plan).stem).strip()
    return Wanted(name or "Excursion", people.crew(), limit, args.kind or "orbit")
