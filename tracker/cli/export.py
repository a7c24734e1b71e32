"""`tracker export PLAN --xlsx FILE`: a plan as a workbook; `tracker import` makes an equal plan of it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from tracker.foundation.text import plain
from tracker.foundation.waiting import meanwhile

if TYPE_CHECKING:
    from tracker.plan.book import Row
    from tracker.plan.model import Plan
    from tracker.plan.workbook_out import SheetOut


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    add = parser.add_argument
    add("plan", metavar="PLAN", help="a plan file")
    add("--xlsx", metavar="FILE", help="the workbook to write, the whole plan; - is standard output")
    add(
        "--csv",
        metavar="FILE",
        help="the steps alone, with the rank of their task, as CSV; - is standard output",
    )
    add("--mapping", metavar="FILE.yaml", help="the steps in somebody's own columns, as this file maps them")
    add("--force", action="store_true", help="write over a file that is there")


def run(args: argparse.Namespace) -> int:
    """Write the exports. Raises TrackerError for a file that is there, or cannot be written."""
    from tracker.foundation import clock
    from tracker.foundation.errors import WrongUsage
    from tracker.plan.book import check_texts, sheets_of
    from tracker.plan.read import read_plan

    if not args.xlsx and not args.csv:
        raise WrongUsage("tracker export: nothing to write; say --xlsx FILE or --csv FILE")
    plan = read_plan(args.plan)
    rows = sheets_of(plan)
    if args.mapping:
        return _own(plan, args)
    if args.xlsx:
        check_texts(rows, args.plan)
        with meanwhile("writing the workbook"):
            _write(args.xlsx, book_of(plan, clock.utc_now()), args.force)
        _say(_written(args.xlsx) + "left behind: comments, layout, the order of keys and anchors")
    if args.csv:
        _write(args.csv, _csv(plan, rows["Steps"]), args.force)
        tasks = [name for name in ("title", "value", "needs") if any(row.get(name) for row in rows["Tasks"])]
        left = [f"{', '.join(tasks)} of tasks"] if tasks else []
        left += [name.lower() for name, found in rows.items() if found and name not in ("Steps", "Tasks")]
        _say(
            f"{_written(args.csv)}the steps, with the rank of their task; left behind: {', '.join(left)}, "
            "comments and layout; `tracker import` makes a plan of it and says which columns it does not read"
        )
    return 0


def _written(path: str) -> str:
    """The begin of what is said of a file that was written; empty for standard output."""
    return "" if path == "-" else f"{path}: written; "


def _own(plan: Plan, args: argparse.Namespace) -> int:
    """Write the steps as a mapping file says that somebody's sheets are laid out."""
    from tracker.foundation import clock
    from tracker.plan.book import check_texts
    from tracker.plan.mapping import as_text, own_sheet, read_mapping
    from tracker.plan.read import read_text
    from tracker.plan.workbook_out import SheetOut, workbook_bytes

    out = own_sheet(plan, read_mapping(read_text(args.mapping), args.mapping))
    if args.xlsx:
        check_texts({out.name: [dict(zip(out.headings, row, strict=True)) for row in out.rows]}, args.plan)
        sheet = {out.name: SheetOut(out.headings, out.rows, {})}
        _write(args.xlsx, workbook_bytes(sheet, made=clock.utc_now()), args.force)
    if args.csv:
        _write(args.csv, _as_csv(out.headings, as_text(out.rows)), args.force)
    left = f"{', '.join(out.left)}, " if out.left else ""
    _say(f"left behind, for no column is theirs: {left}what is not about steps, comments and layout")
    return 0


def _say(line: str) -> None:
    print(plain(line), file=sys.stderr)


def _write(target: str, content: bytes, force: bool) -> None:
    from tracker.foundation.output import check_targets, write_new, write_out

    check_targets([target], [])
    if force:
        write_out(target, [content])
    else:
        write_new(target, [content], "give another name, or say --force")


def book_of(plan: Plan, made: datetime) -> bytes:
    """A plan as a workbook; `made`: the instant that it names as that of its making."""
    from tracker.plan.book import sheets_of
    from tracker.plan.workbook_out import workbook_bytes

    return workbook_bytes(
        {name: _sheet(plan, name, rows) for name, rows in sheets_of(plan).items()}, made=made
    )


def _sheet(plan: Plan, name: str, rows: Sequence[Row]) -> SheetOut:
    """One sheet; the steps with their planned start and finish, in brackets, which nobody reads back."""
    from tracker.plan.book import COLUMNS, cell_text, number_text
    from tracker.plan.timeline import as_planned
    from tracker.plan.workbook_out import SheetOut, Span

    columns = COLUMNS[name]

    def cell(row: Row, key: str) -> str | float | Span | None:
        value, form = row.get(key), columns[key]
        if isinstance(value, bool) or not isinstance(value, int | float):
            return cell_text(value, form)
        if form == "when" and value >= 0:
            return Span(value)
        return value if form != "when" and number_text(value) == f"{value:.15g}" else cell_text(value, form)

    made = [[cell(row, key) for key in columns] for row in rows]
    if name == "Plan":
        return SheetOut(made[0], made[1:], {})
    headings: list[str | float | Span | None] = list(columns)
    choices = _choices(plan)
    if name == "Steps":
        course = as_planned(plan)
        headings += _GREY
        for row, step in zip(made, plan.step, strict=True):
            row += [
                Span(round(at[step])) if step not in course.lost else None
                for at in (course.start, course.finish)
            ]
    return SheetOut(headings, made, choices, frozenset(_GREY))


_GREY = ["(start)", "(finish)"]


def _choices(plan: Plan) -> dict[str, list[str]]:
    return {
        "crew": list(plan.member),
        "priority": ["must", "should", "get-ahead"],
        "effort": list(plan.efforts),
        **{name: ["yes", "no"] for name in ("outside", "closeout", "fixed", "whole", "shared")},
    }


def _csv(plan: Plan, rows: Sequence[Row]) -> bytes:
    """The steps as CSV, each with the rank of its task, without which nobody could read them back."""
    from tracker.plan.book import COLUMNS, cell_text

    columns = COLUMNS["Steps"]
    ranks = ("closeout" if task.closeout else task.priority for task in plan.tasks for _ in task.steps)
    cells = (
        [*(cell_text(row.get(key), form) for key, form in columns.items()), rank]
        for row, rank in zip(rows, ranks, strict=True)
    )
    return _as_csv([*columns, "priority"], cells)


def _as_csv(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    import csv
    import io

    from tracker.plan.cells import guarded

    out = io.StringIO()
    write = csv.writer(out)
    write.writerow(headings)
    write.writerows([guarded(cell) for cell in row] for row in rows)
    return out.getvalue().encode("utf-8-sig")
