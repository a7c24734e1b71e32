"""Ticks from paper: a sheet with a row a step and its actual times, as stated events in the order of time.

Headings: `step` (its id; also `zero` with an instant, and `closed`), `finish`, `start`, `remark`, `PET` for
rows without a step, and one for each reading: `EV1 oxygen`, or `oxygen` of a shared store. A time is a phase
elapsed time, or UTC: `14:22Z`, `2031-05-04T14:22:00Z`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from tracker.foundation.errors import EventError, Fault, PlanError, parted
from tracker.foundation.text import meant
from tracker.foundation.times import format_instant, pet_of
from tracker.journal.progress import Progress
from tracker.plan.cells import DAY_S, Cell, number_in, trouble
from tracker.plan.columns import column_name
from tracker.plan.graph import before_each, crew_orders, sort_steps, step_needs
from tracker.plan.sheet_starts import moment_of
from tracker.plan.sheet_words import HEADINGS, fold

_HEADINGS: Mapping[str, tuple[str, ...]] = {
    "step": ("step", "step id", "id", *HEADINGS["step"]),
    "finish": ("finish", "actual finish", "actual", "done", *HEADINGS["end"]),
    "start": ("start", "actual start", "began", *HEADINGS["start"]),
    "remark": ("remark", "remarks", "note", "notes", "text", "bemerkung", "remarque", "nota", "opmerking"),
    "pet": ("pet", "at", "time"),
}
_ABOVE = 20


@dataclass(frozen=True, slots=True)
class Tick:
    """An event, and the row that it came from."""

    row: int
    event: dict[str, Any]


class _Sheet:
    """Reads the rows; faults are gathered."""

    def __init__(self, rows: Sequence[Sequence[Cell]], file: str, progress: Progress) -> None:
        self.file, self.progress, self.rows = file, progress, rows
        self.faults: list[Fault] = []
        self.zero = progress.zero
        self.ticks: list[Tick] = []
        self.header = self._find()
        self.heads = [" ".join(cell.split()) for cell in rows[self.header]] if rows else []
        self.keys = {key: at for key in _HEADINGS if (at := self._at(self.heads, key)) is not None}
        self.stores = dict(self._stores())

    def _find(self) -> int:
        """The row of the headings, from 0: the first that has a step and a finish."""
        for n, row in enumerate(self.rows[:_ABOVE]):
            if all(self._at(row, key) is not None for key in ("step", "finish")):
                return n
        return 0

    @staticmethod
    def _at(row: Sequence[str], key: str) -> int | None:
        bare = [fold(" ".join(cell.split())) for cell in row]
        return next((bare.index(word) for word in _HEADINGS[key] if word in bare), None)

    def _stores(self) -> Iterator[tuple[int, tuple[str, str]]]:
        """Yield each column of readings with its owner and store."""
        names = {f"{owner} {store}": (owner, store) for owner, store in self.progress.reserves}
        names |= {store: (owner, store) for owner, store in self.progress.reserves if owner == "*"}
        known = {fold(name): pair for name, pair in names.items()}
        for at, head in enumerate(self.heads):
            # The unit may stand behind, as on the printed page.
            bare = fold(head.partition("(")[0].strip())
            if bare in known and at not in self.keys.values():
                yield at, known[bare]

    def fault(self, n: int, at: int, what: str, right: str) -> None:
        """Note a fault at a row (from 1) and column (from 0)."""
        head = f" ({self.heads[at]})" if at < len(self.heads) and self.heads[at] else ""
        self.faults.append(
            Fault(self.file, n, at + 1, f"row {n}, column {column_name(at)}{head}", what, right)
        )

    def read(self) -> None:
        """Read all rows below the headings; the zero first, since times in UTC are counted from it."""
        missing = [key for key in ("step", "finish") if key not in self.keys]
        if missing:
            self.fault(
                self.header + 1, 0, f"no column is headed {' or '.join(missing)}", "head them step and finish"
            )
            return
        rows = [
            (n, row) for n, row in enumerate(self.rows, 1) if n > self.header + 1 and any(map(str.strip, row))
        ]
        for first in (True, False):
            for n, row in rows:
                if (self._text(row, "step") == "zero") is first:
                    (self._zero if first else self._row)(n, row)

    def _cell(self, row: Sequence[Cell], key: str) -> Cell:
        at = self.keys.get(key)
        return row[at] if at is not None and at < len(row) else Cell()

    def _text(self, row: Sequence[Cell], key: str) -> str:
        return " ".join(self._cell(row, key).split())

    def _zero(self, n: int, row: Sequence[Cell]) -> None:
        cell = self._cell(row, "finish") or self._cell(row, "start")
        try:
            moment = moment_of(cell)
        except ValueError as error:
            moment = None
            self.fault(n, self.keys["finish"], *parted(error))
        if moment is not None and not moment.dated:
            self.fault(n, self.keys["finish"], "zero has no date", "write 2031-05-04T14:00:00Z")
        elif moment is not None:
            self.zero = datetime.fromtimestamp(moment.at, UTC)
            self.ticks.append(Tick(n, {"kind": "zero", "utc": format_instant(self.zero)}))

    def _row(self, n: int, row: Sequence[Cell]) -> None:
        for place, cell in enumerate(row):
            if place in {*self.keys.values(), *self.stores} and (found := trouble(cell)) is not None:
                self.fault(n, place, *found)
        step, remark = self._text(row, "step"), self._text(row, "remark")
        start, finish, pet = (self._pet(n, row, key) for key in ("start", "finish", "pet"))
        said = {"text": remark} if remark else {}
        if step == "closed":
            self._put(n, "closed", finish if finish is not None else pet, **said)
            return
        if step and step not in self.progress.steps:
            right = meant(step, self.progress.steps, "write a step's id")
            self.fault(n, self.keys["step"], f"there is no step {step!r}", right)
            return
        if step and start is not None:
            self._put(n, "began", start, step=step)
        if step and finish is not None:
            self._put(n, "done", finish, step=step, **said)
        at = next((one for one in (finish, pet, start) if one is not None), None)
        if remark and not (step and finish is not None):
            self._put(n, "noted", at, text=f"{step}: {remark}" if step else remark)
        for column, (owner, store) in self.stores.items():
            if column < len(row) and row[column].strip():
                self._reading(n, column, row[column], at, owner, store)

    def _reading(self, n: int, column: int, cell: Cell, at: int | None, owner: str, store: str) -> None:
        try:
            value = cell.value if cell.kind == "number" else number_in(cell.strip(), "")
        except ValueError as error:
            self.fault(n, column, *parted(error))
            return
        self._put(n, "reading", at, crew=owner, consumable=store, value=value)

    def _put(self, n: int, kind: str, at: int | None, **body: Any) -> None:
        if at is None:
            self.fault(
                n, self.keys["finish"], "is empty, and nothing says when", "write a time, such as 0:12"
            )
        else:
            self.ticks.append(Tick(n, {"kind": kind, **body, "at": at}))

    def _pet(self, n: int, row: Sequence[Cell], key: str) -> int | None:
        """The PET in a cell, whole seconds; None for none."""
        cell = self._cell(row, key)
        if not cell.strip() or trouble(cell) is not None:
            return None
        try:
            moment = moment_of(cell)
            utc = moment.dated or cell.strip().upper().endswith("Z")
            if utc and self.zero is None:
                raise ValueError("the clock was not started; write a row with the step zero and its instant")
        except ValueError as error:
            self.fault(n, self.keys[key], *parted(error))
            return None
        if not utc or self.zero is None:
            return round(moment.at)
        if moment.dated:
            return round(pet_of(datetime.fromtimestamp(moment.at, UTC), self.zero))
        midnight = self.zero.replace(hour=0, minute=0, second=0, microsecond=0)
        found = pet_of(midnight + timedelta(seconds=moment.at), self.zero)
        # A time of day before that of zero is one of the day after.
        return round(found if found >= 0 else found + DAY_S)


_KINDS = {"zero": 0, "done": 1, "began": 3, "reading": 4, "noted": 5, "closed": 6}
"""What comes first of what happened at one instant; between 1 and 3 what began and ended at it."""


def _in_order(ticks: Sequence[Tick], progress: Progress) -> list[Tick]:
    """Return them by time; at one instant what ends comes before what begins, needs and the order kept."""
    tasks = [state.task for state in progress.tasks.values()]
    before = before_each(step_needs(tasks), crew_orders(tasks, (one.id for one in progress.plan.crew)))
    known, circling = sort_steps(list(progress.steps), before)
    place = {step: i for i, step in enumerate([*known, *circling])}
    begun = {(one.event["step"], one.event["at"]) for one in ticks if one.event["kind"] == "began"}
    ended = {(one.event["step"], one.event["at"]) for one in ticks if one.event["kind"] == "done"}

    def key(tick: Tick) -> tuple[float, int, int, bool]:
        event = tick.event
        step, at, kind = event.get("step", ""), event.get("at", -1.0), event["kind"]
        moment = (step, at) in begun & ended
        return at, 2 if moment else _KINDS[kind], place.get(step, 0), kind == "done"

    return sorted(ticks, key=key)


def ticks_of(rows: Sequence[Sequence[Cell]], file: str, progress: Progress) -> list[Tick]:
    """The events of a sheet in the order of time, each one possible after those before it.

    Raises PlanError with every fault, each with its row and column.
    """
    sheet = _Sheet(rows, file, progress)
    sheet.read()
    ticks = _in_order(sheet.ticks, progress)
    if sheet.faults:
        raise PlanError(sorted(sheet.faults, key=lambda fault: fault.line))
    if not ticks:
        raise PlanError([Fault(file, 0, 0, "", "holds no actual time", "write the finish of a step")])
    so_far, faults = progress, []
    for tick in ticks:
        try:
            so_far = so_far.suppose(tick.event)
        except EventError as error:
            faults += [
                Fault(file, tick.row, 1, f"row {tick.row}", line, "mend the row") for line in error.lines
            ]
    if faults:
        raise PlanError(sorted(faults, key=lambda fault: fault.line))
    return ticks
