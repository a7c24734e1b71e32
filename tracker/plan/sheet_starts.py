"""Columns of starts and ends: the time of a step as its end less its start, or until its crew's next start.

A start may be a phase elapsed time, a time of day or an instant. A plan has no fixed starts: where the plan
on paper begins a step at another time, that is told and not obeyed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple, Protocol

from tracker.foundation.errors import parted
from tracker.foundation.text import listed
from tracker.foundation.times import brief_instant, format_exact, format_pet
from tracker.plan.cells import DAY_S, IN_WORDS, LEAST_S, UNITS, Cell, span_of, unit_in
from tracker.plan.columns import Columns, Wishes, column_name
from tracker.plan.model import LONGEST_S

_NIGHT_S = 12 * 3600
"""An end may lie this long behind midnight of the start's day, where no date is written."""
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d))?\s*[zZ]?", re.ASCII)


class Moment(NamedTuple):
    """An instant as a cell gives it."""

    at: float
    """Seconds: since 1970 with a date, else since midnight or since PET 0."""
    dated: bool
    exact: bool
    """Whether it was written to the second."""


def moment_of(cell: Cell, unit: str | None = None, decimal: str = "") -> Moment:
    """The instant in a cell. Raises ValueError."""
    if cell.kind in ("span", "clock"):
        seconds = round(cell.value * DAY_S)
        return Moment(seconds, False, seconds % 60 != 0)
    text = str(cell).strip()
    clock = _CLOCK.fullmatch(text)
    if clock is not None:
        hours, minutes, seconds = (int(part or 0) for part in clock.groups())
        return Moment(hours * 3600 + minutes * 60 + seconds, False, clock.group(3) is not None)
    if re.match(r"\d{4}-\d\d-\d\d", text):
        return _dated(text)
    try:
        span = span_of(cell, unit, decimal)
    except ValueError:
        raise ValueError(f"{text!r} is no start or end; write 0:08, 14:22 or 2031-05-04T14:22:00Z") from None
    if span.bare is not None and unit not in UNITS:
        raise ValueError(f"{text!r} has no unit; format it as h:mm, or name a unit in the heading")
    return Moment(round(span.in_unit(unit or "s")), False, True)


def _dated(text: str) -> Moment:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not an instant; write 2031-05-04T14:22:00Z") from None
    whole = instant if instant.tzinfo else instant.replace(tzinfo=UTC)
    return Moment(whole.timestamp(), True, text.count(":") > 1 and not re.search(r":\d\d:00", text))


class Started(Protocol):
    """A row that gets its time here."""

    row: int
    crew: list[str]
    time: int
    start: float | None


@dataclass(slots=True)
class _Row:
    step: Started
    start: Moment | None
    end: Moment | None


class StartColumns:
    """Reads the starts and ends of a sheet's rows; `fault` notes what is wrong, `remark` what is not read."""

    def __init__(
        self,
        columns: Columns,
        wishes: Wishes,
        fault: Callable[..., None],
        remark: Callable[[str], None],
    ) -> None:
        self._columns, self._wishes, self._fault, self._remark = columns, wishes, fault, remark
        self._at = {key: columns.keys[key] for key in ("start", "end") if key in columns.keys}
        self._rows: list[_Row] = []
        self._last: dict[str, Moment] = {}
        """Crew member to an end that no step has: a row with an instant and nothing else."""
        self._unread: list[tuple[int, int, str]] = []

    @property
    def first(self) -> str:
        """The earliest start that has a date, as an instant; empty without one."""
        dated = [row.start.at for row in self._rows if row.start is not None and row.start.dated]
        return brief_instant(datetime.fromtimestamp(min(dated), UTC)) if dated else ""

    def take(self, step: Started, cells: Sequence[Cell]) -> bool:
        """Read a row; whether it gives a time by itself."""
        found = {key: self._moment(step.row, key, cells) for key in self._at}
        row = _Row(step, found.get("start"), found.get("end"))
        if row.start is not None:
            step.start = row.start.at
        self._rows.append(row)
        return row.start is not None and row.end is not None

    def ends(self, crew: Iterable[str], row: int, cells: Sequence[Cell]) -> None:
        """Take a row without a step as the end of what these crew members do."""
        found = self._moment(row, "start", cells) if "start" in self._at else None
        if found is not None:
            self._last.update(dict.fromkeys(crew, found))

    def _moment(self, row: int, key: str, cells: Sequence[Cell]) -> Moment | None:
        at = self._at[key]
        cell = cells[at]
        if not cell.strip() or cell.kind in ("error", "uncomputed"):
            return None
        try:
            unit = self._columns.units.get(at) or unit_in(self._columns.headings[at])
            return moment_of(cell, unit, self._wishes.decimal)
        except ValueError as error:
            self._unread.append((row, at, str(error)))
            return None

    def settle(self) -> None:
        """Give every step its time, or look whether it agrees with the one that it has."""
        timed = "time" in self._columns.keys
        if self._unread and timed and not any(one.key in self._at for one in self._wishes.named):
            # The times stand in a column of their own: a heading alone does not make others wrong.
            places = " and ".join(dict.fromkeys(self._columns.place(at) for _, at, _ in self._unread))
            self._remark(f"{places} holds what is no start or end: not read")
            return
        for n, at, error in self._unread:
            self._fault(n, at, *parted(error))
        for place, row in enumerate(self._rows):
            if row.start is not None and row.end is not None:
                self._between(row)
            elif not timed and row.start is not None:
                self._until_next(place, row)
            elif not timed and not self._unread:
                key = "start" if row.start is None else "end"
                self._fault(row.step.row, self._at.get(key, 0), "is empty", "write a time, such as 14:22")

    def _between(self, row: _Row) -> None:
        assert row.start is not None and row.end is not None
        seconds = row.end.at - row.start.at
        if seconds < 0 and not row.start.dated and not row.end.dated and seconds + DAY_S <= _NIGHT_S:
            seconds += DAY_S
        places = [self._at["start"], self._at["end"]]
        if row.start.dated != row.end.dated:
            self._both(row, places, "only one of them has a date", "write both with a date, or neither")
        elif seconds < 0:
            self._both(row, places, "end lies before start", "write the date as well")
        elif "time" not in self._columns.keys or row.step.time == 0:
            self._time(row, seconds)
        elif row.step.time > 0:
            loose = 0 if row.start.exact or row.end.exact or row.step.time % 60 else 59
            if abs(row.step.time - seconds) > loose:
                at = self._columns.keys["time"]
                heading = self._columns.headings[at].strip()
                what = f"end - start is {format_exact(seconds)} and {heading} {format_exact(row.step.time)}"
                self._both(row, [*places, at], what, f'leave one of them out with --columns "{heading}=-"')

    def _until_next(self, place: int, row: _Row) -> None:
        """A step lasts until one of its crew begins the next."""
        assert row.start is not None
        later = [
            other.start
            for other in self._rows[place + 1 :]
            if other.start is not None and set(other.step.crew) & set(row.step.crew)
        ]
        ends = later[:1] or [end for member, end in self._last.items() if member in row.step.crew]
        if not ends:
            who = " and ".join(row.step.crew)
            what = f"is the last start of {who}, and says no end"
            self._fault(
                row.step.row, self._at["start"], what, "write an end, or a row with the time behind it"
            )
            return
        seconds = min(end.at for end in ends) - row.start.at
        if seconds < 0 and not row.start.dated and seconds + DAY_S <= _NIGHT_S:
            seconds += DAY_S
        self._time(row, seconds)

    def _time(self, row: _Row, seconds: float) -> None:
        at = self._at["start"]
        unit = None if at in self._columns.units else unit_in(self._columns.headings[at])
        if unit in UNITS and 0 < seconds < LEAST_S:
            option = f'--columns "{self._columns.headings[at].strip()}=start:d"'
            what = f"is {seconds:g} s before what comes next, in {IN_WORDS[unit]}"
            self._fault(row.step.row, at, what, f"write clocks, or say the unit: {option}")
        elif 0 < seconds <= LONGEST_S:
            row.step.time = round(seconds)
        else:
            what = (
                "is no time before what comes next"
                if seconds <= 0
                else "is more than 100 hours before its end"
            )
            self._fault(row.step.row, at, what, "write starts in the order of each crew member")

    def _both(self, row: _Row, places: Sequence[int], what: str, right: str) -> None:
        names = [f"{column_name(at)} ({self._columns.headings[at].strip()})" for at in places]
        self._fault(row.step.row, places[0], what, right, f"columns {listed(names)}")


def elsewhere(starts: Mapping[str, tuple[int, float]], on_paper: Mapping[str, float]) -> str | None:
    """What is said of starts that the plan on paper does not reproduce; None where it has all of them.

    `starts`: step id to its row and start in the sheet. Both are compared from the first start on.
    """
    if not starts:
        return None
    first = min(starts.items(), key=lambda item: item[1][1])
    zero = first[1][1] - on_paper[first[0]]
    off = {name: on_paper[name] + zero - at for name, (_, at) in starts.items()}
    moved = {name: seconds for name, seconds in off.items() if abs(seconds) >= 60}
    if not moved:
        return None
    most = max(moved, key=lambda name: abs(moved[name]))
    way = "later" if moved[most] > 0 else "earlier"
    return (
        f"{len(moved)} of {len(starts)} steps start elsewhere on paper, most: row {starts[most][0]}, "
        f"{format_pet(abs(moved[most]))} {way}; a plan has no fixed starts: use needs or a window"
    )
