"""Sheets out of text, and durations out of cells, for tests."""

from __future__ import annotations

from tracker.plan.cells import Cell, span_of
from tracker.plan.columns import NO_WISHES, Wishes
from tracker.plan.sheet import Sheet, read_rows
from tracker.plan.sheet_table import read_table


def read_sheet(text: str, file: str, wishes: Wishes = NO_WISHES) -> Sheet:
    """A sheet out of its text. Raises PlanError with every fault, each with its row and column."""
    return read_rows(read_table(text, file, wishes), file, wishes)


def parse_span(text: str, unit: str = "min") -> int:
    """A duration, a bare number in `unit`, as whole seconds. Raises ValueError."""
    return round(span_of(Cell(text), unit).in_unit(unit))
