"""`tracker import SHEET.csv --out PLAN.yaml`: a plan from a spreadsheet."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation.text import plain
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.plan.sheet import Sheet


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.add_argument(
        "sheet", metavar="SHEET.csv", help="a spreadsheet saved as CSV: headings, then a row a step"
    )
    parser.add_argument(
        "--out", metavar="PLAN.yaml", required=True, help="the plan to write; must not be there yet"
    )
    parser.add_argument(
        "--excursion", metavar="NAME", help="what the excursion is called (default: the sheet's name)"
    )
    parser.add_argument(
        "--limit", metavar="H:MM", help="everybody inside by (default: half an hour past the end)"
    )


def run(args: argparse.Namespace) -> int:
    """Write the plan and show how the columns were read. Raises PlanError with rows and columns."""
    from pathlib import Path

    from tracker.plan.read import read_bytes
    from tracker.plan.sheet import read_sheet
    from tracker.plan.sheet_plan import plan_of_sheet
    from tracker.plan.sheet_table import sheet_text

    with meanwhile("reading the sheet"):
        text, encoding = sheet_text(read_bytes(args.sheet), args.sheet)
        sheet = read_sheet(text, args.sheet)
    if encoding:
        print(f"the file is read as {encoding}")
    for line in _mapping(sheet):
        print(plain(line))
    excursion, limit = args.excursion or Path(args.sheet).stem, _limit(args.limit)
    with meanwhile("making the plan"):
        plan = plan_of_sheet(sheet, excursion=excursion, limit=limit, file=args.out)
    _write_new(args.out, plan)
    print(plain(f"{args.out}: {len(sheet.steps)} steps; `tracker check {args.out}` looks it over"))
    return 0


def _limit(text: str | None) -> int | None:
    from tracker.foundation.errors import WrongUsage
    from tracker.foundation.times import parse_pet

    if text is None:
        return None
    try:
        seconds = parse_pet(text)
    except ValueError as error:
        raise WrongUsage(f"--limit: {error}") from None
    if not 0 < seconds <= 100 * 3600:
        raise WrongUsage(f"--limit: {text} leaves no sensible time; write H:MM, such as 6:30")
    return seconds


def _mapping(sheet: Sheet) -> list[str]:
    from tracker.plan.sheet import column_name

    by_column = {i: key for key, i in sheet.columns.keys.items()}
    by_column |= {i: f"crew {name}" for name, i in sheet.columns.crew.items()}
    lines = [
        f"column {column_name(i)} ({sheet.columns.headings[i].strip()}) is read as {by_column[i]}"
        for i in sorted(by_column)
    ]
    if sheet.columns.unread:
        lines.append(f"not read: {', '.join(sheet.columns.unread)}")
    lines += sheet.remarks
    lines += [f"{name} is crew member {member}" for member, name in sheet.names.items() if name != member]
    inside = [name for name, outside in sheet.crew.items() if not outside]
    if inside:
        lines.append(f"taken to be inside: {', '.join(inside)}")
    return lines


def _write_new(path: str, text: str) -> None:
    from tracker.foundation.errors import Fault, PlanError
    from tracker.foundation.output import write_new

    try:
        write_new(Path(path), [text])
    except FileExistsError:
        right = "give --out another name, or move the file away"
        raise PlanError([Fault(path, 0, 0, "", "is already there and stays as it is", right)]) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise PlanError(
            [Fault(path, 0, 0, "", f"cannot be written: {reason}", "give another --out")]
        ) from None
