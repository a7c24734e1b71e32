"""`tracker debrief`: as-run against planned, as a summary or as CSV, JSON, Markdown and HTML."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tracker.debrief.excursion import Excursion, Scoring

FORMATS = ("csv", "json", "html", "markdown")
MANY = 5
"""With more journals than this, each is scored at fewer instants."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the verb's arguments."""
    parser.add_argument(
        "journals", nargs="+", metavar="JOURNAL", help="journals of excursions to look back on"
    )
    parser.add_argument("--csv", metavar="FILE", help="one row a step (RFC 4180); - is standard output")
    parser.add_argument("--json", metavar="FILE", help="everything, by the published schema")
    parser.add_argument("--html", metavar="FILE", help="one self-contained page with figures")
    parser.add_argument("--markdown", metavar="FILE", help="tables for a report")


def run(args: argparse.Namespace) -> int:
    """Write the exports asked for; without any print a summary."""
    from tracker.debrief.journals import debriefs
    from tracker.foundation.output import check_targets, write_out

    targets = {name: getattr(args, name) for name in FORMATS if getattr(args, name) is not None}
    check_targets(targets.values(), args.journals)
    scoring = None if set(targets) == {"csv"} else _scoring(len(args.journals))
    every = debriefs(args.journals, _names(args.journals), scoring)
    for name, target in targets.items():
        write_out(target, _writer(name)(every))
    if not targets:
        from tracker.debrief.pages import summary

        write_out("-", summary(every))
    return 0


def _names(journals: Sequence[str]) -> Callable[[Path], str]:
    """Return what names a journal: its file's name, or the path as given where two files are named alike."""
    often = Counter(Path(journal).name for journal in journals)
    return lambda path: path.name if often[path.name] == 1 else str(path)


def _scoring(journals: int) -> Scoring:
    from tracker.debrief.excursion import Scoring

    return Scoring() if journals <= MANY else Scoring(instants=0, scenarios=500)


def _writer(name: str) -> Callable[[Sequence[Excursion]], Iterator[str]]:
    """Return what writes a format; nothing else is imported."""
    if name in ("csv", "json"):
        from tracker.debrief.records import csv_chunks, json_chunks

        return csv_chunks if name == "csv" else json_chunks
    from tracker.debrief.pages import markdown, page

    return page if name == "html" else markdown
