"""`tracker rescue`: a sound journal from what can be read of a damaged or lost one, and from outboxes."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tracker.foundation.text import count, plain
from tracker.foundation.waiting import meanwhile
from tracker.journal.place import journal_place


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    add = parser.add_argument
    add("journal", metavar="JOURNAL", type=journal_place, help="the damaged journal, or where it was")
    add("--out", metavar="NEW", type=journal_place, required=True, help="where the sound one goes")
    add(
        "--outbox", metavar="FOLDER", type=Path, action="append", default=[],
        help="a folder of outboxes, beside this user's; may be given several times"
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Write a sound journal, and say what is missing from it; 1 when anything is."""
    from tracker.journal.outbox import default_folder
    from tracker.journal.rescue import rescue

    with meanwhile("reading what can be read"):
        found = rescue(args.journal, args.out, [default_folder(), *args.outbox])
    print(f"rescued: {found.verdict.events} events, {found.verdict.events}:{found.verdict.hash}")
    for line in found.missing:
        print(plain(f"missing: {line}"), file=sys.stderr)
    if found.missing:
        print(f"{count(len(found.missing), 'thing')} could not be put back as it was", file=sys.stderr)
    return 1 if found.missing else 0
