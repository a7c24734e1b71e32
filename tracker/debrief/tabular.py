"""A debrief as tables of plain values: what a workbook has as sheets, and a season as tables.

Seconds end in `_s`, instants in `_utc`; every row begins with the excursion's UUID.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_type_hints

from tracker.debrief.consumed import Consumed
from tracker.debrief.excursion import Answered, Excursion, Held, Matter, PlanChange
from tracker.debrief.forecast_scores import Forecasted
from tracker.debrief.rows import StepRow, plain_type, step_columns
from tracker.debrief.verdict import Verdict
from tracker.foundation.times import format_instant
from tracker.journal.as_run import SpentRow
from tracker.journal.progress import Reading

Value = str | int | float | None
Kind = Literal["text", "integer", "real"]
_KINDS: Mapping[type, Kind] = {bool: "integer", int: "integer", float: "real"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column."""

    name: str
    kind: Kind
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Records:
    """One table: a row for each of an excursion's records of a kind."""

    name: str
    columns: tuple[Column, ...]
    paths: tuple[str, ...]
    """Of each column but the UUID the field of a record, or `field.field`."""
    each: Callable[[Excursion], Iterable[Any]]

    def of(self, one: Excursion) -> Iterator[tuple[Value, ...]]:
        """Yield the rows of an excursion, its UUID first."""
        for record in self.each(one):
            cells = zip(self.columns[1:], self.paths, strict=True)
            yield (one.uuid, *(_plain(_found(record, path), column.kind) for column, path in cells))


def _found(record: object, path: str) -> object:
    """What a record has at a path; None where there is nothing on the way."""
    value: Any = record
    for part in path.split("."):
        if value is not None:
            value = value.get(part) if isinstance(value, Mapping) else getattr(value, part)
    return value


def _plain(value: object, kind: Kind) -> Value:
    if isinstance(value, datetime):
        return format_instant(value)
    if isinstance(value, tuple | list):
        return " ".join(map(str, value))
    if kind == "text":
        return None if value is None else str(value)
    if not isinstance(value, int | float) or value != value:
        return None
    return int(value) if isinstance(value, bool) else value


def _records(name: str, record: type, columns: str, each: Callable[[Excursion], Iterable[Any]]) -> Records:
    """A table of records: columns as `name=path:kind`, without a path the field of that name.

    What ends in `_s` is seconds; any other kind is that of the field or property, where none is said.
    """
    found, paths = [Column("uuid", "text")], []
    for word in columns.split():
        said, _, kind = word.partition(":")
        heading, _, path = said.partition("=")
        seconds = heading.endswith("_s")
        paths.append(path or heading.removesuffix("_s"))
        kind = "real" if seconds else kind or _kind_of(record, paths[-1])
        found.append(Column(heading, kind, "s" if seconds else ""))  # type: ignore[arg-type]
    return Records(name, tuple(found), tuple(paths), each)


def _kind_of(record: type, field: str) -> Kind:
    described = getattr(record, field, None)
    of = described.fget if isinstance(described, property) else record
    hint = get_type_hints(of).get("return" if of is not record else field, str)
    return _KINDS.get(plain_type(hint), "text")


def _step_table() -> Records:
    """The table of steps: their own columns, without the names of the journal and the excursion."""
    names = tuple(name for name in step_columns() if name not in ("journal", "excursion"))
    units = {name: step_columns()[name].unit for name in names}
    found = (
        Column(f"{name}_s" if unit == "s" else name, _kind_of(StepRow, name), unit)
        for name, unit in units.items()
    )
    return Records("as_run", (Column("uuid", "text"), *found), names, lambda one: one.steps)


def _crew(one: Excursion) -> Iterator[Mapping[str, object]]:
    for group in one.totals.crew:
        yield {"of": group, "inside": one.crew_inside.get(group.name)}


def _decisions(one: Excursion) -> Iterator[Mapping[str, object]]:
    later = {judged.number: judged for judged in one.hindsight}
    for decided in one.decisions:
        yield {"of": decided, "later": later.get(decided.number)}


def _words(one: Excursion) -> Iterator[Mapping[str, object]]:
    """Yield all that was said: notes, remarks, reasons of holds, changes, what was not ok."""
    found = [(note.at, "note", note.what, note.text) for note in one.notes]
    found += [(row.actual_finish, "remark", row.step, row.said) for row in one.steps if row.said]  # type: ignore[misc]
    found += [(held.start, "hold", f"{held.crew} {held.step}".strip(), held.reason) for held in one.holds]
    found += [(change.at, "change", change.what, change.text) for change in one.changes if change.text]
    found += [(r.at, "not ok", f"{r.crew} {r.round}", r.said) for r in one.rounds if r.wrong]
    for at, kind, about, words in found:
        yield {"at": at, "kind": kind, "about": about, "words": words}


TABLES: tuple[Records, ...] = (
    _records(
        "excursions",
        Excursion,
        "journal excursion rehearsal zero_utc=zero closed inside_s planned_inside_s slip_s margin_s pace "
        "kept verdict plan_sha256 last_event=events last_hash tool",
        lambda one: (one,),
    ),
    _records(
        "limits",
        Verdict,
        "limit_id=id crew kind kept at was unit=shown_in by_s by_amount nearest_at_s=nearest.at "
        "nearest_by_s=nearest.by ever_below certain words",
        lambda one: one.limits,
    ),
    _step_table(),
    _records("as_spent", SpentRow, "crew start_s finish_s kind step cause", lambda one: one.stretches),
    _records(
        "crew",
        dict,
        "crew=of.name name=of.title inside_s ratio=of.ratio:real median_ratio=of.median_ratio:real",
        _crew,
    ),
    _records("holds", Held, "crew start_s finish_s step reason", lambda one: one.holds),
    _records(
        "decisions",
        dict,
        "number=of.number:integer at_s=of.at task=of.task choice=of.choice advice=of.advice "
        "followed=of.followed:integer outcome=of.outcome safe=of.figures.safe:real "
        "last_call_s=of.figures.last_call in_time=of.figures.in_time:real cost_s=of.figures.cost "
        "done=later.done:integer room=later.room:integer confirmed=later.confirmed:integer "
        "share=later.share:real breaks=later.breaks hindsight=later.words seat=of.seat "
        "event=of.event words=of.words",
        _decisions,
    ),
    _records("readings", Reading, "number at_s crew consumable value replaced", lambda one: one.readings),
    _records(
        "stores",
        Consumed,
        "crew consumable unit start reserve planned by_rates used factor left_over=left readings replaced "
        "last_read last_read_at_s",
        lambda one: one.consumables,
    ),
    _records(
        "forecasts",
        Forecasted,
        "at_s p10_s p50_s p90_s pit chance in_time crps_s",
        lambda one: one.judgement.moments if one.judgement else (),
    ),
    _records("changes", PlanChange, "number at_s kind what text seat", lambda one: one.changes),
    _records("notes", PlanChange, "number at_s kind what text seat", lambda one: one.notes),
    _records(
        "matters",
        Matter,
        "number at_s what about due_s owner to by text open_for_s settled_s how answer settled_by",
        lambda one: one.matters,
    ),
    _records(
        "rounds",
        Answered,
        "number at_s round crew answers=said not_ok=wrong after_s every_s",
        lambda one: one.rounds,
    ),
    _records("words", dict, "at_s kind about words", _words),
)
"""Every table, the excursions first."""
