"""`tracker verify`: whether a journal is sound, or its first fault; `tracker copy`: verified on the way."""

from __future__ import annotations

import argparse
import sys

from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.foundation.waiting import meanwhile
from tracker.journal.place import journal_place


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("journal", metavar="JOURNAL", type=journal_place)
    parser.add_argument("--expect", metavar="NUMBER:HASH", help="an event that the journal must hold")


def run(args: argparse.Namespace) -> int:
    """Print what was found sound; JournalError names the first fault."""
    from tracker.journal.outbox import default_folder
    from tracker.journal.verify import parse_expected, verify

    expected = None if args.expect is None else parse_expected(args.expect)
    with meanwhile("looking through the journal"):
        verdict = verify(args.journal, expected, outboxes=default_folder())
    if verdict.fault is not None:
        raise JournalError(f"{args.journal}: not sound: {verdict.fault}")
    print(f"sound: {verdict.events} events, {verdict.events}:{verdict.hash}")
    for words in verdict.kept:
        print(f"note: {plain(words)}", file=sys.stderr)
    return 0


def add_copy_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what `tracker copy` takes."""
    parser.add_argument("source", metavar="FROM", type=journal_place)
    parser.add_argument("target", metavar="TO", type=journal_place)


def run_copy(args: argparse.Namespace) -> int:
    """Copy, and print what the copy was found to hold."""
    from tracker.journal.verify import copy

    with meanwhile("copying the journal"):
        verdict = copy(args.source, args.target)
    print(f"copied: {verdict.events} events, {verdict.events}:{verdict.hash}")
    return 0
