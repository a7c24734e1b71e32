"""`tracker debrief`: as-run against planned, as a summary or as CSV, JSON, Markdown and HTML."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING

from tracker.cli.season import add_filters, wanted
from tracker.foundation import clock
from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain, spelled
from tracker.journal.place import Place, place_of

if TYPE_CHECKING:
    from tracker.debrief.excursion import Excursion, Scoring

FORMATS = ("csv", "json", "html", "markdown", "xlsx")
ENDING = "-metadata.json"
"""Behind the name of the CSV: where the file stands that says what its columns are."""
MANY = 5
"""With more journals than this, each is scored at fewer instants."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    add = parser.add_argument
    add("journals", nargs="*", metavar="JOURNAL", help="journals of excursions to look back on")
    add("--season", metavar="SEASON", help="read a season instead of journals")
    add(
        "--csv",
        metavar="FILE",
        help="one row a step (RFC 4180), and beside it what its columns are; - is standard output",
    )
    add("--json", metavar="FILE", help="everything, by the published schema")
    add("--html", metavar="FILE", help="one self-contained page with figures")
    add("--markdown", metavar="FILE", help="tables for a report")
    add("--xlsx", metavar="FILE", help="a workbook, a sheet a table")
    add_filters(parser)
    add("--full", action="store_true", help="pages: every table of each, however many there are")


def run(args: argparse.Namespace) -> int:
    """Write the exports asked for; without any print a summary."""
    from tracker.foundation.output import check_targets, write_told

    if bool(args.journals) == (args.season is not None):
        raise WrongUsage("tracker debrief: give journals, or --season SEASON")
    targets = {name: getattr(args, name) for name in FORMATS if getattr(args, name) is not None}
    beside = targets["csv"] + ENDING if targets.get("csv", "-") != "-" else None
    check_targets([*targets.values(), *([beside] if beside else [])], args.journals or [args.season])
    every = _excursions(args, scored=set(targets) != {"csv"})
    for name, target in targets.items():
        write_told(target, _writer(name, args.full)(every))
    if beside:
        from tracker.debrief.records import metadata_chunks

        write_told(beside, metadata_chunks(every, targets["csv"]))
    if not targets:
        from tracker.debrief.pages import summary

        write_told("-", summary(every))
    return 0


def _excursions(args: argparse.Namespace, *, scored: bool) -> list[Excursion]:
    """Return the debriefs that are asked for; TrackerError, with the names there are, where none is."""
    asked = wanted(args)
    if args.season is not None:
        from tracker.debrief.season import Season

        with Season.open(args.season) as season:
            return season.excursions(asked)
    from tracker.debrief.journals import debriefs

    scoring = _scoring(len(args.journals)) if scored else None
    every = debriefs(args.journals, _names(args.journals), scoring)
    found = [asked.narrowed(one) for one in every if asked.holds(one)]
    if not found:
        names = sorted({one.excursion for one in every})
        known = ", ".join(plain(name, most=80) for name in names)
        hint = asked.meant(names)
        raise TrackerError(f"none of these journals is asked for; their excursions are: {known}{hint}")
    return found


def _names(journals: Sequence[str]) -> Callable[[Place], str]:
    """Return what names a journal: its file's name, or the path as given where two are named alike."""
    often = Counter(place_of(journal).name for journal in journals)
    return lambda place: spelled(place.name if often[place.name] == 1 else place)


def _scoring(journals: int) -> Scoring:
    from tracker.debrief.excursion import Scoring

    return Scoring() if journals <= MANY else Scoring(instants=0, scenarios=500)


def _writer(name: str, full: bool) -> Callable[[Sequence[Excursion]], Iterable[str] | Iterable[bytes]]:
    """Return what writes a format; nothing else is imported."""
    if name == "xlsx":
        from tracker.debrief.records import workbook

        return partial(workbook, made=clock.utc_now())
    if name in ("csv", "json"):
        from tracker.debrief.records import csv_chunks, json_chunks

        return csv_chunks if name == "csv" else json_chunks
    from tracker.debrief.pages import markdown, page

    return partial(page if name == "html" else markdown, full=full)
