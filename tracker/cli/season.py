"""`tracker season`: many journals in one SQLite file: added, listed, shown, searched, dropped, verified."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation import clock
from tracker.foundation.errors import WrongUsage
from tracker.foundation.text import columns, count, plain
from tracker.foundation.times import format_pet_s

if TYPE_CHECKING:
    from tracker.debrief.season import Season
    from tracker.debrief.wanted import Wanted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.usage = (
        "tracker season add SEASON JOURNAL ... [--rehearsals] [--scores none|quarters|full]\n"
        "       tracker season list|show SEASON [FILTER ...]\n"
        "       tracker season find SEASON WORDS ... [FILTER ...]\n"
        "       tracker season drop SEASON UUID\n"
        "       tracker season verify SEASON"
    )
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    add = parser.add_argument
    add("does", choices=tuple(_DOES), metavar="add|list|show|find|drop|verify")
    add("season", metavar="SEASON", help="the season's file; `add` makes it")
    add("rest", nargs="*", metavar="...", help="journals, words or a UUID")
    add(
        "--scores",
        choices=("none", "quarters", "full"),
        default="quarters",
        help="add: how closely the forecasts are scored (default: quarters)",
    )
    add_filters(parser)


_EXAMPLES = """\
examples:
  tracker season add 2031.db logs/*.sqlite         new ones, and those that have grown
  tracker season list 2031.db --from 2031-05-01
  tracker season show 2031.db --excursion "Larkspur drive-controller swap"
  tracker season find 2031.db glove torn           where both words were said, in whatever order
  tracker season find 2031.db '"torn glove"'       these words one after the other
  tracker season find 2031.db 'oil*' --from 2031-05-01      words that begin so
  tracker season drop 2031.db 3f2a                 the excursion whose UUID begins so
what was said: notes, remarks on steps, reasons of holds, what came with changes and with matters, rounds"""


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Declare what chooses among the excursions of a season, and what of them is told."""
    add_choice(parser)
    for name, says in (("crew", "id or name"), ("work", "kind"), ("task", "id"), ("step", "id")):
        parser.add_argument(f"--{name}", metavar=name.upper(), help=f"only steps of this {name} ({says})")
    which = parser.add_mutually_exclusive_group()
    for option, says in REHEARSALS.items():
        which.add_argument(f"--{option}", dest="rehearsals", action="store_const", const=option, help=says)


def add_choice(parser: argparse.ArgumentParser) -> None:
    """Declare what chooses among the excursions of a season, whole ones."""
    add = parser.add_argument
    add("--excursion", metavar="NAME", help="only excursions of this name")
    add("--plan", metavar="SHA", help="only of the plan whose SHA-256 begins so")
    add("--from", dest="since", metavar="DATE", help="zero at this date or later, UTC")
    add("--to", dest="until", metavar="DATE", help="zero at this date or earlier, UTC")


REHEARSALS = {
    "rehearsals": "rehearsals as well",
    "no-rehearsals": "no rehearsals",
    "only-rehearsals": "rehearsals alone",
}
"""The options that choose among excursions and rehearsals."""
FILTERS = ("excursion", "plan", "crew", "work", "task", "step", "since", "until", "rehearsals")


def wanted(args: argparse.Namespace) -> Wanted:
    """Return which excursions are asked for."""
    from tracker.debrief.wanted import Wanted

    given = {name: getattr(args, name, None) for name in FILTERS}
    asked = {"no-rehearsals": False, "only-rehearsals": True}.get(given["rehearsals"] or "")
    return Wanted(**given | {"rehearsals": asked})


def run(args: argparse.Namespace) -> int:
    """Do what is asked; 1 when a journal was refused, or something does not hold."""
    from tracker.debrief.season import Season

    if problem := _misused(args):
        raise WrongUsage(f"tracker season {args.does}: {problem}")
    made = args.does == "add" and not Path(args.season).exists()
    with Season.open(args.season, create=args.does == "add") as season:
        status = _DOES[args.does](season, args)
        empty = made and not season.entries()
    if empty:  # nothing was taken in: an empty season would be one that nobody asked for
        Path(args.season).unlink()
    return status


def _misused(args: argparse.Namespace) -> str:
    """Return what is missing or too much; empty where it can be done."""
    if args.does in ("add", "find", "drop") and not args.rest:
        return f"give {_TAKES[args.does]}"
    if (args.does in ("list", "show", "verify") and args.rest) or (
        args.does == "drop" and len(args.rest) > 1
    ):
        return f"takes {_TAKES.get(args.does, 'no more than the season')}"
    filters = [name for name in FILTERS if getattr(args, name) is not None]
    if args.does in ("drop", "verify") and filters:
        return "takes no filters"
    if args.does == "add" and (set(filters) - {"rehearsals"} or args.rehearsals not in (None, "rehearsals")):
        return "takes no filters but --rehearsals"
    return ""


_TAKES = {"add": "journals", "find": "words", "drop": "one UUID, or how it begins"}


def _add(season: Season, args: argparse.Namespace) -> int:
    added = season.add(
        args.rest, scores=args.scores, rehearsals=args.rehearsals is not None, utc_now=clock.utc_now()
    )
    print(added.line(len(args.rest)))
    return 1 if added.refused else 0


def _list(season: Season, args: argparse.Namespace) -> int:
    entries = season.entries(asked := wanted(args))
    rows = [("uuid", "excursion", "zero", "kind", "events", "hash", "journal", "verdict")] + [
        (
            one.uuid[:8],
            plain(one.excursion, most=40),
            (one.zero_utc or "-")[:16],
            "rehearsal" if one.rehearsal else "excursion",
            str(one.last_event),
            one.last_hash[:8],
            plain(Path(one.path).name, most=40),
            plain(one.verdict, most=300),
        )
        for one in entries
    ]
    print(
        "\n".join(columns(rows, most=300, right=(4,)))
        if entries
        else "  no excursion" + _meant(season, asked)
    )
    print(count(len(entries), "excursion"))
    return 0


def _meant(season: Season, asked: Wanted) -> str:
    """Which excursions may have been meant, where none has the name that is asked for."""
    return asked.meant(one.excursion for one in season.entries())


def _show(season: Season, args: argparse.Namespace) -> int:
    from tracker.debrief.pages import summary
    from tracker.debrief.trend import told
    from tracker.foundation.output import write_out

    every = season.excursions(wanted(args))
    write_out("-", [*(f"{line}\n" for line in told(every)), "\n", *summary(every)])
    return 0


def _find(season: Season, args: argparse.Namespace) -> int:
    found = season.find(" ".join(args.rest), asked := wanted(args))
    rows = [
        (
            plain(journal, most=40),
            format_pet_s(at),
            kind,
            *(plain(one, most=200) for one in said),
        )
        for journal, _, at, kind, *said in found
    ]
    if rows:
        print("\n".join(columns(rows, most=200, right=(1,))))
    print(f"found {count(len(found), 'time')}{'' if rows else _meant(season, asked)}")
    return 0


def _drop(season: Season, args: argparse.Namespace) -> int:
    gone = season.drop(args.rest[0])
    print(f"dropped {gone.uuid}: {plain(gone.excursion, most=60)}, {plain(gone.path, most=120)}")
    return 0


def _verify(season: Season, args: argparse.Namespace) -> int:
    faults = list(season.verify())
    for line in faults:
        print(plain(line, most=300), file=sys.stderr)
    print(f"{count(len(season.entries()), 'excursion')}: {count(len(faults), 'fault')}")
    return 1 if faults else 0


_DOES = {"add": _add, "list": _list, "show": _show, "find": _find, "drop": _drop, "verify": _verify}
