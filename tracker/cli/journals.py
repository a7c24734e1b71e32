"""`tracker journals`: the journals of a PostgreSQL database, and what prepares one."""

from __future__ import annotations

import argparse

from tracker.foundation.errors import WrongUsage
from tracker.foundation.text import columns, count, plain
from tracker.journal.place import Address, place_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "place", metavar="PLACE", nargs="?", type=place_of, help="a database: postgresql://HOST/DB"
    )
    parser.add_argument(
        "--prepare", action="store_true", help="print the statements that prepare a database for journals"
    )


def run(args: argparse.Namespace) -> int:
    """Print a line a journal, or the statements that prepare a database."""
    from tracker.journal.stores import listed, preparation

    if args.prepare:
        print(preparation(), end="")
        return 0
    if not isinstance(args.place, Address):
        raise WrongUsage("tracker journals: give a database, as postgresql://HOST/DB, or --prepare")
    found = listed(args.place)
    rows = [("name", "uuid", "plan", "created", "kind", "events", "hash")] + [
        (
            one.name,
            one.uuid[:8],
            plain(one.plan_name, most=40),
            one.created[:16],
            "rehearsal" if one.rehearsal else "excursion",
            str(one.events),
            one.hash[:8],
        )
        for one in found
    ]
    print("\n".join(columns(rows, most=100, right=(5,))) if found else "  no journal")
    print(count(len(found), "journal"))
    return 0
