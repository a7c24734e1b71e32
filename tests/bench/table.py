"""The rows that the parts of the bench print, and the one table that gathers them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One measured figure beside what is aimed at."""

    part: str
    what: str
    figure: str
    target: str = ""


_rows: list[Row] = []


def gathered() -> list[Row]:
    """Return the rows reported so far; the list itself, so that it can be added to."""
    return _rows


def report(part: str, what: str, figure: str, target: str = "") -> None:
    """Print one figure and keep it for the table at the end."""
    row = Row(part, what, figure, target)
    _rows.append(row)
    print_table([row])


def print_table(rows: list[Row]) -> None:
    """Print rows in columns."""
    for row in rows:
        aim = f"   target {row.target}" if row.target else ""
        print(f"{row.part:<9} {row.what:<62} {row.figure:>16}{aim}", flush=True)
