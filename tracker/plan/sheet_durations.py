"""The columns of durations in a sheet: every cell as seconds, and the one unit of a column's bare numbers.

The unit of a bare number is never guessed from its size. It is what somebody said of the column, else what
the heading says; else the caller's choice (`Wishes.bare`), else minutes where all are whole numbers from 1
to 240.
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from tracker.foundation.errors import parted
from tracker.foundation.text import count
from tracker.foundation.times import format_exact, format_pet
from tracker.plan.cells import IN_WORDS, LEAST_S, UNITS, Cell, Span, span_of, unit_in
from tracker.plan.columns import SPANS, Columns, Wishes, column_name
from tracker.plan.model import LONGEST_S
from tracker.plan.sheet_words import NO, fold

_MOST_MINUTES = 240
_USUAL_S = 900.0
"""A step of a quarter of an hour: only the unit that a refusal offers goes by it."""
_LEAST_S = {"h": (300.0, 60.0), "min": (60.0, LEAST_S), "s": (0.0, 1.0)}
"""By the unit of a heading the least that one number of its column is, and that each of them is."""
_RANGE = re.compile(r"\s*\.\.+\s*|\s*…\s*")
_FROM_TO = re.compile(r"(\d[^-\u2013\u2014]*?)\s*[-\u2013\u2014]\s*(\d[^-\u2013\u2014]*)")


class Timed(Protocol):
    """A row that gets its times here."""

    row: int
    time: int
    low: int | None
    high: int | None


@dataclass(frozen=True, slots=True)
class _Entry:
    step: Timed
    key: str
    cell: str
    spans: tuple[Span, ...]
    """One, or low and high, or low, likely and high."""


class SpanColumns:
    """Reads the durations of a sheet's rows; `fault` notes what is wrong, `remark` what may be a slip."""

    def __init__(
        self, columns: Columns, wishes: Wishes, fault: Callable[..., None], remark: Callable[[str], None]
    ) -> None:
        self._columns, self._wishes, self._fault, self._remark = columns, wishes, fault, remark
        self._at = {key: columns.keys[key] for key in SPANS if key in columns.keys}
        self._entries: dict[str, list[_Entry]] = {key: [] for key in self._at}
        self.undecided = False
        """Whether there are bare numbers whose unit neither column nor heading says."""
        self.units: dict[int, str] = {}
        """Column to the unit of its bare numbers, where it has any."""
        self._again: dict[int, list[tuple[Timed, str, Span]]] = {at: [] for at in columns.again}
        """What rows say of their times once more, by column."""
        self._by_format: set[int] = set()
        """Columns whose cells are formatted as durations."""
        self.said: dict[int, str] = {}
        """Column to what was understood: unit, range and sum."""

    def take(self, step: Timed, cells: Sequence[Cell], *, needed: bool = True) -> None:
        """Read a row's durations; `settle` puts them into the step. `needed`: nothing else gives its time."""
        for key, at in self._at.items():
            cell = cells[at]
            if cell.kind in ("error", "uncomputed"):
                continue
            if not cell.strip():
                if key == "time" and needed:
                    self._fault(step.row, at, "is empty", "write how long the step takes, such as 0:08")
            elif key == "time" and cell.strip().lower() == "home":
                step.time = -1
            elif key == "time" or cell.strip().lower() not in NO:
                self._read(step, key, at, cell)
        for at, said in self._again.items():
            if fold(cells[at].strip()) in {*NO, "home"} - {"0"}:
                continue
            try:
                span = span_of(cells[at], unit_in(self._columns.headings[at]), self._wishes.decimal)
            except ValueError as error:
                what, right = parted(error)
                self._fault(step.row, at, what, f"{right}, or {self._left_out(at)}")
            else:
                said.append((step, str(cells[at]).strip(), span))

    def _read(self, step: Timed, key: str, at: int, cell: Cell) -> None:
        try:
            parts = _parts(cell) if key == "time" else [cell]
            spans = tuple(span_of(part, self._stated(at), self._wishes.decimal) for part in parts)
        except ValueError as error:
            self._fault(step.row, at, *parted(error))
        else:
            self._entries[key].append(_Entry(step, key, str(cell).strip(), spans))
            if cell.kind in ("span", "clock"):
                self._by_format.add(at)
            if cell.kind == "span" and cell.value >= 1 and cell.value.is_integer():
                place, days = f"row {step.row}, {self._columns.place(at)}", count(round(cell.value), "day")
                self._remark(f"{place} is {days}: what is typed there without a colon counts days")

    def _stated(self, at: int) -> str | None:
        """The unit that somebody or the heading names for a column, else for that of the times."""
        stated = [
            self._columns.units.get(i) or unit_in(self._columns.headings[i])
            for i in (at, self._at.get("time"))
            if i is not None
        ]
        return next(filter(None, stated), None)

    def settle(self) -> None:
        """Give every step its times, once all rows were read."""
        for key, entries in self._entries.items():
            unit = self._unit(key, entries)
            if unit is not None:
                for entry in entries:
                    self._put(entry, unit)
                self._say(key, entries, unit)
        self._compare()
        for entry in self._entries.get("time", ()):
            step = entry.step
            if (step.low is None) != (step.high is None):
                at = (
                    self._at["low" if step.low is None else "high"]
                    if len(self._at) == 3
                    else self._at["time"]
                )
                self._fault(
                    step.row, at, "is empty, and the other of low and high is not", "write both, or neither"
                )

    def _compare(self) -> None:
        """Hold a time said once more against the time: to the minute where either shows no seconds."""
        time = self._at.get("time", 0)
        for at, said in self._again.items():
            rows = [row for row in said if row[0].time > 0]
            stated = unit_in(self._columns.headings[at])
            # A column without a unit agrees if it does so in any one unit, throughout.
            units = [stated] if stated in UNITS else [*UNITS]
            apart = [[row for row in rows if _differs(row[0].time, row[2], unit)] for unit in units]
            for step, cell, span in min(apart, key=len):
                open_unit = span.bare is not None and stated not in UNITS
                again = round(min(span.in_unit(units[0]), 2.0 * LONGEST_S))
                says = f"{cell!r}" if open_unit else format_exact(again)
                what = f"says {says} and {self._columns.place(time)} {format_exact(step.time)}"
                self._fault(step.row, at, what, f"mend one, or {self._left_out(at)}")

    def _left_out(self, at: int) -> str:
        """What leaves out either of two columns of one time."""
        one, other = column_name(at), column_name(self._at["time"])
        return f'leave one out with --columns "@{one}=-" or "@{other}=-"'

    def _unit(self, key: str, entries: Sequence[_Entry]) -> str | None:
        """The unit of a column's bare numbers; None after a fault."""
        at = self._at[key]
        stated = self._stated(at)
        # Nothing and less than nothing is refused by itself.
        bare = [span.bare for entry in entries for span in entry.spans if span.bare and span.bare > 0]
        if stated in _LEAST_S and bare and self._tiny(at, stated, entries):
            return None
        if stated in UNITS or not bare:
            return stated if stated in UNITS else "s"
        clocks = any(span.clock for entry in entries for span in entry.spans)
        if clocks:
            self._among_clocks(at, entries)
            return None
        self.undecided = True
        if self._wishes.bare in UNITS:
            return self._wishes.bare
        if not self._wishes.bare and all(n == int(n) and 1 <= n <= _MOST_MINUTES for n in bare):
            return "min"
        self._refuse(at, bare)
        return None

    def _told(self, at: int) -> bool:
        """Whether somebody said the unit of a column, or of that of the times."""
        return any(i in self._columns.units for i in (at, self._at.get("time")) if i is not None)

    def _tiny(self, at: int, unit: str, entries: Sequence[_Entry]) -> bool:
        """Refuse numbers too small for their heading, such as fractions of a day; whether there are any."""
        found = [(e, span.bare) for e in entries for span in e.spans if span.bare and span.bare > 0]
        whole, each = _LEAST_S[unit]
        told = self._told(at)
        if max(bare for _, bare in found) * UNITS[unit] < whole:
            # What somebody said of a column is obeyed: only one among others that it fits is a slip.
            each = 0.0 if told else whole
        tiny = {id(entry): (entry, bare) for entry, bare in reversed(found) if bare * UNITS[unit] < each}
        for entry, bare in tiny.values():
            days = max(60 * round(bare * 1440), 60)
            as_said, as_days = _exact(bare * UNITS[unit]), format_exact(days)
            what = f"{entry.cell!r} would be {as_said} in {IN_WORDS[unit]}, as a fraction of a day {as_days}"
            said = f"{self._option(at, unit)} or {self._option(at, 'd').removeprefix('--columns ')}"
            self._fault(entry.step.row, at, what, f"write {as_days}" + ("" if told else f", or say {said}"))
        return bool(tiny)

    def _among_clocks(self, at: int, entries: Sequence[_Entry]) -> None:
        lone = [f"{e.cell} in row {e.step.row}" for e in entries if any(s.bare is not None for s in e.spans)]
        more = f" and {len(lone) - 3} more" if len(lone) > 3 else ""
        verb = "has" if len(lone) == 1 else "have"
        what = f"{', '.join(lone[:3])}{more} {verb} no unit among clocks"
        self._fault(0, at, what, f"write 0:08 or 8 min, or say {self._option(at, 'min')}")

    def _refuse(self, at: int, bare: Sequence[float]) -> None:
        readings = []
        for unit, seconds in sorted(UNITS.items(), key=lambda item: item[1]):
            least, most = round(min(bare) * seconds), round(max(bare) * seconds)
            if most > 0 and least <= LONGEST_S:
                readings.append(f"as {IN_WORDS[unit]} {between(least, most)}")
        middle = max(statistics.median(bare), 1e-9)
        # Only a spreadsheet's own fractions of a day have so many decimals.
        fractions = max(bare) <= LONGEST_S / UNITS["d"] and any(n != round(n, 4) for n in bare)
        offered = "d" if fractions else min(UNITS, key=lambda unit: _distance(middle * UNITS[unit]))
        what = f"{count(len(bare), 'number')} without a unit"
        self._fault(0, at, what, f"{', '.join(readings)}; say {self._option(at, offered)}")

    def _option(self, at: int, unit: str) -> str:
        heading = " ".join(self._columns.headings[at].split())
        key = next(key for key, i in self._at.items() if i == at)
        quoted = (
            f"'\"{heading}\"={key}:{unit}'" if re.search("[,=]", heading) else f'"{heading}={key}:{unit}"'
        )
        return f"--columns {quoted}"

    def _put(self, entry: _Entry, unit: str) -> None:
        found = [round(min(span.in_unit(unit), 2.0 * LONGEST_S)) for span in entry.spans]
        for seconds in found:
            if not 0 < seconds <= LONGEST_S:
                what = f"{entry.cell!r} is no time for a step"
                self._fault(
                    entry.step.row, self._at[entry.key], what, "write more than nothing and at most 100 hours"
                )
        if entry.key == "low":
            entry.step.low = found[0]
        elif entry.key == "high":
            entry.step.high = found[0]
        elif len(found) == 1:
            entry.step.time = found[0]
        else:
            low, *likely, high = found
            entry.step.low, entry.step.high = low, high
            entry.step.time = likely[0] if likely else round((low + high) / 2)

    def _say(self, key: str, entries: Sequence[_Entry], unit: str) -> None:
        times = [t for e in entries if (t := getattr(e.step, key)) is not None and t > 0]
        if not times:
            return
        bare = any(span.bare is not None for entry in entries for span in entry.spans)
        stated = self._stated(self._at[key])
        if bare:
            self.units[self._at[key]] = unit
        words = f", in {IN_WORDS[unit]}" if bare else ", as m:ss" if stated == "m:ss" else ""
        if bare and stated not in UNITS and self._wishes.bare:
            words += ", for only so the plan ends near its limit"
        if stated in UNITS and self._at[key] in self._by_format:
            words += f", by the cells' own format, not in {IN_WORDS[stated]}"
        least = between(min(times), max(times))
        self.said[self._at[key]] = f"{words}: {least}, {format_exact(sum(times))} in all"


def _differs(seconds: int, again: Span, unit: str) -> bool:
    once_more = again.in_unit(unit)
    loose = 0.5 if round(once_more) % 60 and seconds % 60 else 59.5
    return abs(once_more - seconds) > loose


def _exact(seconds: float) -> str:
    """A time that may be shorter than a second."""
    return f"{seconds:.2g} s" if seconds < 10 else format_exact(round(seconds))


def _distance(seconds: float) -> float:
    return abs(seconds - _USUAL_S) / min(seconds, _USUAL_S)


def _parts(cell: Cell) -> Iterator[Cell]:
    """Yield the durations in a cell: one, `8-12` from and to, or `8..12..20` with the likely one between."""
    parts = _RANGE.split(cell.strip()) if cell.kind == "text" else []
    pair = _FROM_TO.fullmatch(cell.strip()) if cell.kind == "text" else None
    if pair is not None:
        parts = list(pair.groups())
    if not 2 <= len(parts) <= 3:
        yield cell
        return
    unit = re.search(r"[^\d.,:\s]+\.?$", parts[-1])
    for part in parts:
        yield Cell(f"{part} {unit.group()}" if unit and re.fullmatch(r"[\d.,]+", part) else part)


def between(least: int, most: int) -> str:
    """A range of times, to the second where one of them needs it."""
    exact = least % 60 != 0 or most % 60 != 0
    ends = (format_pet(seconds, with_seconds=exact) for seconds in dict.fromkeys((least, most)))
    return " to ".join(ends)
