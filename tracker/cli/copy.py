"""`tracker copy`: a journal into another file, its chain verified on the way."""

from __future__ import annotations

import argparse
from pathlib import Path

from tracker.foundation.waiting import meanwhile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("source", metavar="FROM", type=Path)
    parser.add_argument("target", metavar="TO", type=Path)


def run(args: argparse.Namespace) -> int:
    """Copy, and print what the copy was found to hold."""
    from tracker.journal.verify import copy

    with meanwhile("copying the journal"):
        verdict = copy(args.source, args.target)
    print(f"copied: {verdict.events} events, {verdict.events}:{verdict.hash}")
    return 0
