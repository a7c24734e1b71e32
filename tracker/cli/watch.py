"""`tracker watch`: the lead's view of a journal, in a terminal or a browser. It never writes."""

from __future__ import annotations

import argparse
import os
import sys
from contextlib import suppress

from tracker.cli.estimate import pet_option
from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain
from tracker.journal.place import Place, journal_place


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    from tracker.console.serve import HERE, VISITORS

    parser.add_argument("journal", metavar="JOURNAL", type=journal_place)
    parser.add_argument(
        "--at", metavar="PET", help="as it stood at this instant; arrow keys go on from there"
    )
    parser.add_argument(
        "--serve",
        metavar="HOST:PORT",
        nargs="?",
        const=HERE,
        help=f"in a browser instead of this terminal, at {HERE} unless another place is given",
    )
    parser.add_argument(
        "--visitors", metavar="N", type=int, help=f"with --serve: at most so many at once ({VISITORS})"
    )


def run(args: argparse.Namespace) -> int:
    """Show the view until the lead leaves, or serve it until interrupted; the exit status."""
    from tracker.journal.journal import Journal
    from tracker.journal.store import Lost

    at = None if args.at is None else float(max(0, pet_option("--at", args.at)))
    if args.visitors is not None and (args.serve is None or args.visitors < 1):
        raise WrongUsage("tracker watch: --visitors goes with --serve, and is at least 1")
    # What is wrong with the journal is said before any screen; a server that does not answer may do so later.
    with suppress(Lost):
        Journal.open(args.journal, read_only=True).close()
    if args.serve is not None:
        from tracker.console.serve import VISITORS, serve
        from tracker.console.settings_file import load_settings
        from tracker.journal.stores import ask_for_all

        # Every visitor's view reads them: what is wrong with them is said here, once, and nothing is served.
        load_settings()
        ask_for_all(args.journal)
        return serve(args.journal, args.serve, at=args.at, visitors=args.visitors or VISITORS)
    return show(args.journal, at)


def show(path: Place, at: float | None) -> int:
    """Show the view in this terminal, or in the browser that this process was started for."""
    from tracker.console.terminal import is_terminal

    if "TEXTUAL_DRIVER" not in os.environ and not is_terminal():
        raise WrongUsage("tracker watch needs a terminal; `tracker estimate` works without one")
    from tracker.console.app import TrackerApp
    from tracker.console.lead import Lead
    from tracker.console.lead_session import LeadRuntime
    from tracker.console.settings_file import load_settings

    runtime = LeadRuntime(path, at=at)
    app = TrackerApp(Lead(runtime, load_settings()))
    app.run()
    runtime.stop()
    if runtime.failed:
        raise TrackerError(*runtime.failed)
    if app.fault is not None:
        from tracker.console.terminal import reported
        from tracker.foundation import clock

        for line in reported(app.fault, clock.utc_now(), None):
            print(plain(line), file=sys.stderr)
    return app.return_code or 0
