"""`tracker import SHEET --out PLAN.yaml`: a plan from a spreadsheet."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation.output import write_new
from tracker.foundation.text import count, plain
from tracker.foundation.times import format_exact
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.plan.sheet import Sheet
    from tracker.plan.workbook import Grid


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add = parser.add_argument
    add("sheet", metavar="SHEET", help="a workbook (.xlsx, .ods, .xls, .xlsb), or CSV")
    add(
        "--out",
        metavar="PLAN.yaml",
        required=True,
        help="the plan to write, not there yet; - is standard output",
    )
    add("--excursion", metavar="NAME", help="what the excursion is called (default: the sheet's name)")
    add(
        "--limit",
        metavar="H:MM",
        help="everybody inside by (default: half an hour past the end); tells the unit of bare numbers",
    )
    add(
        "--columns",
        metavar="HEADING=KEY[:UNIT],...",
        default="",
        help='what columns are: "Dauer=time:min, Anna=crew:EV1, @F=site, Notiz=-"; the rest by its headings',
    )
    add("--only-columns", action="store_true", help="read no column that --columns does not name")
    add("--mapping", metavar="FILE.yaml", help="how such sheets are read, from a file")
    add("--write-mapping", metavar="FILE.yaml", help="write down how this sheet was read")
    add("--sheet", dest="sheet_name", metavar="NAME", default="", help="which sheet of a workbook")
    add("--hidden", choices=("read", "skip"), default="", help="what to do with hidden rows and columns")
    add(
        "--decimal", choices=(".", ","), default="", help="the mark before decimals, where numbers may be two"
    )


def run(args: argparse.Namespace) -> int:
    """Write the plan and show how the columns were read. Raises PlanError with rows and columns."""
    from tracker.plan.book import is_plan_book
    from tracker.plan.read import read_bytes
    from tracker.plan.sheet_plan import plan_of_sheet
    from tracker.plan.workbook import is_workbook, read_workbook

    limit, raw = limit_of(args.limit), read_bytes(args.sheet)
    with meanwhile("reading the sheet"):
        grids = read_workbook(raw, args.sheet) if is_workbook(raw) else None
        if grids is not None and is_plan_book(grids):
            return _whole_plan(args, grids)
        sheet, mapping = _read(args, grids or raw, limit)
    for line in _mapping(sheet):
        _say(args, line)
    excursion = args.excursion or Path(args.sheet).stem
    with meanwhile("making the plan"):
        plan = plan_of_sheet(sheet, excursion=excursion, limit=limit, file=args.out)
    write_new(args.out, [plan])
    if args.write_mapping:
        write_new(args.write_mapping, [mapping])
        _say(args, f"{args.write_mapping}: says how the sheet was read; mend it, and give it to --mapping")
    for line in _written(args.out, plan, sheet):
        _say(args, line)
    return 0


def _say(args: argparse.Namespace, line: str) -> None:
    """Tell a line, beside the plan where that goes to standard output."""
    print(plain(line), file=sys.stderr if args.out == "-" else sys.stdout)


def _whole_plan(args: argparse.Namespace, grids: Sequence[Grid]) -> int:
    """Read a workbook that `export` wrote. Raises WrongUsage for options that it has no use for."""
    from tracker.foundation.errors import WrongUsage
    from tracker.plan.book import plan_text

    given = {name: value for name, value in vars(args).items() if name not in ("sheet", "out") and value}
    if given:
        option = next(iter(given)).replace("sheet_name", "sheet").replace("_", "-")
        raise WrongUsage(f"--{option} is for a sheet of steps; {args.sheet} is a whole plan: leave it out")
    text = plan_text(grids, args.sheet)
    write_new(args.out, [text])
    rows = next(len(grid.rows) - 1 for grid in grids if grid.name == "Steps")
    _say(args, f"the workbook is a whole plan, as `tracker export` writes it: {count(rows, 'step')}")
    _say(args, f"{args.out}: `tracker check {args.out}` looks it over")
    return 0


def _read(args: argparse.Namespace, raw: bytes | Sequence[Grid], limit: int | None) -> tuple[Sheet, str]:
    """The sheet as it is read, and the text of a mapping file that says so."""
    from dataclasses import replace

    from tracker.plan.columns import Wishes, parse_columns
    from tracker.plan.mapping import joined, mapping_of, read_mapping
    from tracker.plan.read import read_text
    from tracker.plan.sheet import read_rows
    from tracker.plan.sheet_plan import bare_unit
    from tracker.plan.sheet_table import read_table_of, table_of_workbook

    wishes = Wishes(
        parse_columns(args.columns),
        args.only_columns,
        args.decimal,
        sheet=args.sheet_name,
        hidden=args.hidden,
    )
    if args.mapping:
        wishes = joined(wishes, read_mapping(read_text(args.mapping), args.mapping))
    if isinstance(raw, bytes):
        table = read_table_of(raw, args.sheet, wishes)
    else:
        table = table_of_workbook(raw, args.sheet, wishes)
    for line in table.said:
        _say(args, line)
    if limit is not None:
        wishes = replace(wishes, bare=bare_unit(table, args.sheet, wishes, limit))
    sheet = read_rows(table, args.sheet, wishes)
    return sheet, mapping_of(sheet, wishes, table.sheet)


def _written(path: str, text: str, sheet: Sheet) -> Iterator[str]:
    """Yield what was written, and what it comes to on paper."""
    from tracker.plan.read import parse_plan
    from tracker.plan.sheet_plan import step_ids
    from tracker.plan.sheet_starts import elsewhere
    from tracker.plan.timeline import as_planned

    plan = parse_plan(text, file=path, name=Path(path).stem)
    course = as_planned(plan)
    if plan.sites:
        yield f"the way home from {', '.join(plan.sites)} is not in the sheet: 0:00 stands for it"
    starts = {
        name: (step.row, step.start) for name, step in step_ids(sheet).items() if step.start is not None
    }
    if moved := elsewhere(starts, course.start):
        yield moved
    yield f"on paper everybody is inside at {format_exact(round(course.everybody_inside))}"
    yield f"{path}: {count(len(sheet.steps), 'step')}; `tracker check {path}` looks it over"


def limit_of(text: str | None) -> int | None:
    """The seconds that `--limit` says. Raises WrongUsage."""
    from tracker.foundation.errors import WrongUsage
    from tracker.foundation.times import parse_pet
    from tracker.plan.model import LONGEST_S

    if text is None:
        return None
    try:
        seconds = parse_pet(text)
    except ValueError as error:
        raise WrongUsage(f"--limit: {error}") from None
    if not 0 < seconds <= LONGEST_S:
        raise WrongUsage(f"--limit: {text} leaves no sensible time; write H:MM, such as 6:30")
    return seconds


def _mapping(sheet: Sheet) -> list[str]:
    by_column = {i: key + sheet.said.get(i, "") for key, i in sheet.columns.keys.items()}
    by_column |= {i: f"crew {name}" for name, i in sheet.columns.crew.items()}
    by_column |= {i: f"what {name} does" for name, i in sheet.columns.does.items()}
    by_column |= {i: "time once more, and says the same" for i in sheet.columns.again}
    lines = [f"{sheet.columns.place(i)} is read as {by_column[i]}" for i in sorted(by_column)]
    if sheet.columns.unread:
        lines.append(f"not read: {', '.join(sheet.columns.unread)}")
    lines += [sheet.counted, *sheet.remarks]
    lines += [f"{name} is crew member {member}" for member, name in sheet.names.items() if name != member]
    inside = [name for name, outside in sheet.crew.items() if not outside]
    if inside:
        lines.append(f"taken to be inside: {', '.join(inside)}")
    return lines
