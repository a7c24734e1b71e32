"""`tracker run`: the desk, on a new journal of a plan or on a journal that goes on."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation import clock
from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain
from tracker.journal.place import Address, Place, journal_place, place_of

if TYPE_CHECKING:
    from tracker.console.session import DeskRuntime
    from tracker.console.writer import Job
    from tracker.journal.journal import Journal

_SQLITE = b"SQLite format 3\x00"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what `tracker run` takes."""
    add = parser.add_argument
    add("source", metavar="PLAN_OR_JOURNAL", help="a plan starts an excursion, a journal goes on")
    add("--journal", metavar="PATH", help="where the new journal goes (default: logs/PLAN-UTC.sqlite)")
    add("--seat", metavar="NAME", help="who sits here (default: user@host)")
    add("--pace", metavar="PACE", help="a pace file, for a new journal")
    add("--outbox", metavar="FOLDER", type=Path, help="where presses are kept until they are in the journal")


def run(args: argparse.Namespace) -> int:
    """Show the desk until the operator leaves; the exit status."""
    source = place_of(args.source)
    goes_on = is_journal(source)
    if goes_on and (args.journal or args.pace):
        raise WrongUsage(
            f"tracker run: {source} is a journal and goes on; --journal and --pace are for a plan"
        )

    def opener() -> Journal:
        from tracker.journal.journal import open_again

        if not goes_on:
            return _begun(Path(args.source), args.journal, args.pace)
        return open_again(source, args.outbox or default_folder())

    from tracker.console.terminal import is_terminal

    if not is_terminal():
        if not goes_on:
            # What is wrong with the plan itself is said before that there is no terminal.
            from tracker.plan.read import read_plan

            read_plan(args.source)
        raise WrongUsage(
            "tracker run needs a terminal; `tracker record` and `tracker estimate` work without one"
        )
    from tracker.journal.events import check_seat
    from tracker.journal.outbox import default_folder

    steady = clock.SteadyClock()
    check_seat("tracker run", args.seat)
    return show(opener, args.seat, str(source), steady=steady, outbox=args.outbox or default_folder())


def is_journal(source: Place) -> bool:
    """Return whether a place is a journal's; of a file its first bytes say it, or TrackerError why not."""
    if isinstance(source, Address):
        return True
    try:
        with source.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError as error:
        raise TrackerError(f"{source}: {error.strerror or error}; give a plan or a journal") from error


def _begun(source: Path, path: str | None, pace: str | None) -> Journal:
    """Begin the journal of a plan."""
    from tracker.journal.journal import Journal, default_path
    from tracker.plan.read import read_plan

    plan = read_plan(source)
    target = journal_place(path) if path else default_path(plan, clock.utc_now())
    if isinstance(target, Path):
        target.parent.mkdir(parents=True, exist_ok=True)
    return Journal.create(target, plan, pace=pace)


def show(
    opener: Callable[[], Journal],
    seat: str | None,
    title: str,
    *,
    utc_now: Callable[[], datetime] = clock.utc_now,
    onward: str = "go on:   tracker run",
    outbox: Path | None = None,
    steady: clock.SteadyClock | None = None,
) -> int:
    """Show the desk on what the opener opens, and say afterwards how to go on.

    `utc_now`: the clock that the desk goes by, or `steady`, whose jumps are told and asked about; `onward`:
    what can be done with the journal; `outbox`: the folder in which presses are kept until they are in the
    journal, at no rehearsal. The exit status is 1 where some are not.
    """
    # Half the screen library's usual wait between a change and its painting; idle, it paints no more often.
    os.environ.setdefault("TEXTUAL_FPS", "120")
    from tracker.console.app import TrackerApp
    from tracker.console.desk import Desk
    from tracker.console.seat_clock import SeatClock
    from tracker.console.session import DeskRuntime
    from tracker.console.settings_file import load_settings

    settings = load_settings()
    seat_clock = SeatClock(steady) if steady is not None else None
    runtime = DeskRuntime(opener, seat, title=title, utc_now=utc_now, outbox=outbox, seat_clock=seat_clock)
    app = TrackerApp(Desk(runtime, settings))
    app.run()
    left = runtime.stop()
    if runtime.failed:
        raise TrackerError(*runtime.failed)
    if app.fault is not None:
        from tracker.console.terminal import reported

        place = place_of(runtime.session.path) if runtime.session.path else None
        for line in reported(app.fault, clock.utc_now(), place if isinstance(place, Path) else None):
            print(plain(line), file=sys.stderr)
    said = tuple(_unfinished(left, runtime))
    if path := runtime.session.path:
        print(f"journal: {plain(path)}\n{plain(onward)} {plain(path)}")
    for line in said:
        print(line, file=sys.stderr)
    return app.return_code or (1 if said else 0)


def _unfinished(left: tuple[Job, ...], runtime: DeskRuntime) -> Iterator[str]:
    """Yield what is said of presses that are not in the journal, and where they lie."""
    from tracker.journal.kept_press import refused_words

    for job in left:
        where = "kept here" if runtime.keeps(job) else "not on disk"
        yield from (f"{where}: {json.dumps(event)}" for event in job.events)
    if any(runtime.keeps(job) for job in left):
        yield f"not in the journal, but in {plain(runtime.kept_in)}: the next desk here sends it"
    refused = runtime.session.refusals.presses
    yield from map(refused_words, refused)
    if refused:
        yield f"to be decided on at the next desk here, until then in {plain(runtime.kept_in)}"
