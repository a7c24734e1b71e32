"""`tracker record`: one event without a screen, or a stream of them as JSON lines."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID

from tracker.foundation import clock
from tracker.foundation.errors import EventError, JournalError, TrackerError, WrongUsage
from tracker.foundation.text import plain
from tracker.journal.place import Place, journal_place

if TYPE_CHECKING:
    from datetime import datetime

    from tracker.journal.journal import Journal
    from tracker.journal.progress import Progress
    from tracker.plan.cells import Cell
    from tracker.plan.model import Plan

    Rows = Sequence[Sequence[Cell]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.usage = (
        "tracker record JOURNAL KIND [KEY=VALUE ...] [--at TIME] [--seat NAME]\n"
        "       tracker record JOURNAL --stdin [--seat NAME]\n"
        "       tracker record JOURNAL --plan PLAN [--pace PACE] [--rehearsal] (KIND ... | --stdin)"
    )
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _kinds()
    add = parser.add_argument
    add("journal", metavar="JOURNAL", type=journal_place)
    add("words", metavar="KIND [KEY=VALUE ...]", nargs="*", help="the event, as typed at the desk")
    add("--at", metavar="TIME", help="when it happened: a PET, -3 (minutes ago) or 14:22Z")
    add("--seat", metavar="NAME", help="who records it (default: user@host)")
    add("--outbox", metavar="FOLDER", type=Path, help="where it is kept until it is in the journal")
    add("--job", metavar="UUID", help="names the event, so that no second try writes it twice")
    add("--sheet", metavar="FILE", help="ticks from paper: a sheet with steps and their actual times")
    add("--stdin", action="store_true", help="read events as JSON objects, one a line")
    add("--plan", metavar="PLAN", type=Path, help="create the journal from this plan if it is missing")
    add("--pace", metavar="PACE", type=Path, help="with --plan: the pace file to put into it")
    add("--rehearsal", action="store_true", help="with --plan: mark it as a rehearsal")


def run(args: argparse.Namespace) -> int:
    """Record, and print each event's number once it is safely on disk."""
    if bool(args.stdin) + bool(args.words) + bool(args.sheet) != 1:
        raise WrongUsage(
            "tracker record: give an event (KIND and KEY=VALUE), --stdin or --sheet, one of them"
        )
    if (args.stdin or args.sheet) and args.at:
        raise WrongUsage(
            "tracker record: --at belongs to one event; with --stdin each line carries its own `at`"
        )
    if args.plan is None and (args.pace is not None or args.rehearsal):
        raise WrongUsage("tracker record: --pace and --rehearsal belong to --plan, which creates a journal")
    if args.job is not None:
        _check_job(args)
    from tracker.journal.events import check_seat

    check_seat("tracker record", args.seat)
    rows = _rows(args)
    with _open(args, rows) as journal:
        _sit(journal, args)
        if args.stdin:
            return _stream(journal)
        if args.sheet:
            return _sheet(journal, rows, args)
        return _one(journal, args)


def _rows(args: argparse.Namespace) -> Rows:
    """Return the rows of a sheet that is to be recorded."""
    if not args.sheet:
        return []
    from tracker.plan.read import read_bytes
    from tracker.plan.sheet_table import rows_of

    return rows_of(read_bytes(args.sheet), args.sheet)


def _check_job(args: argparse.Namespace) -> None:
    try:
        args.job = str(UUID(args.job))
    except ValueError as error:
        raise WrongUsage("tracker record: --job takes a UUID, as `uuidgen` prints it") from error
    if args.stdin:
        raise WrongUsage("tracker record: --job names one event, not those of --stdin")


def _sit(journal: Journal, args: argparse.Namespace) -> None:
    """Sit down with an outbox, except at a rehearsal; what was left in it is sent first."""
    journal.sitting.seat = args.seat or journal.sitting.seat
    if journal.genesis.rehearsal:
        return
    from tracker.journal.outbox import default_folder
    from tracker.journal.seat import sit

    try:
        said = sit(journal, args.outbox or default_folder(), args.seat)
    except JournalError as error:
        said = (f"no outbox: {error.lines[0]}",)
    for words in said:
        print(f"note: {plain(words)}", file=sys.stderr, flush=True)


def _open(args: argparse.Namespace, rows: Rows) -> Journal:
    from tracker.journal.journal import Journal
    from tracker.journal.stores import exists

    place: Place = args.journal
    if exists(place):
        journal = Journal.open(place)
        if args.plan is not None:
            _same_plan(journal, args)
        return journal
    if args.plan is None:
        raise JournalError(
            f"{place}: there is no such journal; `tracker run PLAN --journal {place}` starts one, "
            f"or add --plan PLAN here"
        )
    from tracker.plan.read import read_plan, read_text

    plan = read_plan(args.plan)
    if args.pace is not None:
        from tracker.forecast.pace_file import read_pace

        read_pace(read_text(str(args.pace), "pace"), str(args.pace))
    _look_first(args, plan, rows)
    return Journal.create(place, plan, pace=args.pace, rehearsal=args.rehearsal)


def _look_first(args: argparse.Namespace, plan: Plan, rows: Rows) -> None:
    """Raise what refuses an event or a sheet, so that no empty journal is left behind for it."""
    from tracker.journal.journal import new_genesis, start_fold

    progress = start_fold(new_genesis(plan), str(args.journal), plan).progress()
    if args.sheet:
        from tracker.journal.paper_sheet import ticks_of

        ticks_of(rows, args.sheet, progress)
    elif not args.stdin:
        for event in _events(args, progress, clock.utc_now(), seat=args.seat or ""):
            progress = progress.suppose(event)


def _same_plan(journal: Journal, args: argparse.Namespace) -> None:
    """Refuse to go on with a journal that was made from something else than what is asked for."""
    from tracker.plan.read import read_plan, read_text

    genesis, source = journal.genesis, read_plan(args.plan).source
    other = "plan" if genesis.plan != source else ""
    if args.pace is not None and read_text(str(args.pace), "pace") != genesis.pace:
        other = other or "pace file"
    if args.rehearsal and not genesis.rehearsal:
        other = other or "purpose (it is no rehearsal)"
    if other:
        journal.close()
        raise JournalError(f"{args.journal}: exists already, with another {other}")


def _one(journal: Journal, args: argparse.Namespace) -> int:
    utc_now = clock.utc_now()
    events = _events(args, journal.progress(), utc_now, seat=journal.sitting.seat)
    try:
        numbers = journal.record_all(events, utc_now=utc_now, job=args.job)
    except EventError:
        raise
    except JournalError as error:
        raise JournalError(*error.lines, *_kept(journal)) from error
    return 0 if all([_say(journal, number) for number in numbers]) else 1


def _events(
    args: argparse.Namespace, progress: Progress, utc_now: datetime, *, seat: str
) -> Sequence[dict[str, Any]]:
    """Return what was typed as events."""
    from tracker.journal.progress import pet_if_live
    from tracker.journal.typed import parse_words

    now = pet_if_live(progress.zero, utc_now)
    return parse_words(args.words, progress, now=now, utc_now=utc_now, seat=seat, at=args.at)


def _kept(journal: Journal) -> tuple[str, ...]:
    """What is said of events that are not in the journal, where an outbox keeps them."""
    outbox = journal.sitting.outbox
    if outbox is None or journal.sitting.trouble:
        return ()
    jobs = ", ".join(kept.job for kept in journal.sitting.waiting())
    return (f"kept for this seat in {outbox.path}, job {jobs}; the next tracker here sends it",)


def _sheet(journal: Journal, rows: Rows, args: argparse.Namespace) -> int:
    """Record what stands on a sheet, all of it or nothing."""
    from tracker.journal.paper_sheet import ticks_of

    ticks = ticks_of(rows, args.sheet, journal.progress())
    numbers = journal.record_all([tick.event for tick in ticks], job=args.job)
    return 0 if all([_say(journal, number) for number in numbers]) else 1


def _stream(journal: Journal) -> int:
    """Record JSON lines as they come; a refused one is told and the rest goes on."""
    from tracker.journal.stream import Stream

    if sys.stdin is None:
        raise WrongUsage("tracker record: --stdin, and there is no standard input")
    silent = False

    def record(events: Sequence[dict[str, Any]]) -> None:
        nonlocal silent
        for number in journal.record_all(events):
            silent |= not _say(journal, number)

    def refuse(line: int, error: TrackerError) -> None:
        print(f"line {line}: {plain('; '.join(error.lines))}", file=sys.stderr, flush=True)

    return 0 if Stream(record, refuse).read(sys.stdin.buffer) and not silent else 1


def _say(journal: Journal, number: int) -> bool:
    """Print the number of an event that is on disk, and what is unusual about it; whether it could be."""
    try:
        print(number, flush=True)
    except BrokenPipeError:
        raise
    except OSError as error:
        # It is on record all the same, and so will be what follows: nothing more is said of where it went.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        words = f"its number, and later ones, cannot be printed: {error.strerror}"
        print(f"event {number} is on record; {words}", file=sys.stderr)
        return False
    from tracker.journal.wording import clock_mark

    for text in filter(None, (clock_mark(journal.progress(), number), *journal.warnings_of(number))):
        print(f"warning: event {number}: {plain(text)}", file=sys.stderr, flush=True)
    return True


def _kinds() -> str:
    from tracker.journal.kinds import KINDS

    width = max(len(kind.name) for kind in KINDS)
    lines = [f"  {kind.name:<{width}}  {kind.meaning}; `{kind.example}`" for kind in KINDS]
    return "\n".join(["kinds, and an example of each:", *lines])
