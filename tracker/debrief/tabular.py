"""A debrief as tables of plain values: what a workbook has as sheets, and a season as tables.

Seconds end in `_s`, instants in `_utc`; every row begins with the excursion's UUID.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tracker.debrief.excursion import Decided, Excursion
from tracker.debrief.replay import Hindsight
from tracker.debrief.rows import StepRow, pace, step_columns
from tracker.foundation.times import format_instant

Value = str | int | float | None
Kind = Literal["text", "integer", "real"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column."""

    name: str
    kind: Kind
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Records:
    """One table: its columns, and its rows of one excursion."""

    name: str
    columns: tuple[Column, ...]
    rows: Callable[[Excursion], Iterable[Sequence[Value]]]
    """Without the UUID."""

    def of(self, one: Excursion) -> Iterator[tuple[Value, ...]]:
        """Yield the rows of an excursion, its UUID first."""
        for row in self.rows(one):
            yield (one.uuid, *map(_plain, row))


def _plain(value: object) -> Value:
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, tuple | list):
        return " ".join(map(str, value))
    if isinstance(value, float) and value != value:
        return None
    return value if value is None or isinstance(value, str | int | float) else str(value)


def _columns(text: str) -> tuple[Column, ...]:
    """Read columns: `name`, `name:integer`, `name:real`; a name that ends in `_s` is seconds."""
    found = [Column("uuid", "text")]
    for word in text.split():
        name, _, given = word.partition(":")
        seconds = name.endswith("_s")
        kind: Kind = "real" if seconds or given == "real" else "integer" if given == "integer" else "text"
        found.append(Column(name, kind, "s" if seconds else ""))
    return tuple(found)


def _excursion(one: Excursion) -> Iterator[Sequence[Value]]:
    kept = [limit.kept for limit in one.limits if limit.kept is not None]
    yield (
        one.journal,
        one.excursion,
        one.rehearsal,
        None if one.zero is None else format_instant(one.zero),
        one.closed,
        one.inside,
        one.planned_inside,
        None if one.inside is None else one.inside - one.planned_inside,
        None if one.inside is None else one.limit - one.inside,
        pace(one.totals.work),
        all(kept) if kept else None,
        one.verdict,
        one.plan_sha256,
        one.events,
        one.last_hash,
        one.tool,
    )


_STEP_KINDS: Mapping[str, Kind] = {
    **dict.fromkeys(("planned_place", "actual_place", "added", "dropped", "count", "count_done"), "integer"),
    "ratio": "real",
}
_STEP_FIELDS = tuple(name for name in step_columns() if name not in ("journal", "excursion"))


def _step_columns() -> Iterator[Column]:
    yield Column("uuid", "text")
    for name in _STEP_FIELDS:
        unit = step_columns()[name].unit
        if unit == "s":
            yield Column(f"{name}_s", "real", "s")
        else:
            yield Column(name, _STEP_KINDS.get(name, "text"), unit)


def _steps(one: Excursion) -> Iterator[Sequence[Value]]:
    return (_step(row) for row in one.steps)


def _step(row: StepRow) -> tuple[Value, ...]:
    return tuple(getattr(row, name) for name in _STEP_FIELDS)


def _crew(one: Excursion) -> Iterator[Sequence[Value]]:
    for group in one.totals.crew:
        yield group.name, group.title, one.crew_inside.get(group.name), group.ratio, group.median_ratio


def _decisions(one: Excursion) -> Iterator[Sequence[Value]]:
    later = {judged.number: judged for judged in one.hindsight}
    return (_decision(decided, later.get(decided.number)) for decided in one.decisions)


def _decision(decided: Decided, judged: Hindsight | None) -> tuple[Value, ...]:
    figures = [decided.figures.get(name) for name in ("safe", "last_call", "in_time", "cost")]
    said = (None,) * 6
    if judged is not None:
        said = (judged.done, judged.room, judged.confirmed, judged.share, judged.breaks, judged.words)  # type: ignore[assignment]
    return (
        decided.number,
        decided.at,
        decided.task,
        decided.choice,
        decided.advice,
        decided.followed,
        decided.outcome,
        *(figure if isinstance(figure, int | float) else None for figure in figures),
        *said,
        decided.seat,
    )


def _words(one: Excursion) -> Iterator[Sequence[Value]]:
    """Yield all that was said: notes, remarks, reasons of holds, changes, what was not ok."""
    yield from ((note.at, "note", note.what, note.text) for note in one.notes)
    yield from ((row.actual_finish, "remark", row.step, row.said) for row in one.steps if row.said)
    yield from ((held.start, "hold", f"{held.crew} {held.step}".strip(), held.reason) for held in one.holds)
    yield from ((change.at, "change", change.what, change.text) for change in one.changes if change.text)
    yield from ((r.at, "not ok", f"{r.crew} {r.round}", r.said) for r in one.rounds if r.wrong)


TABLES: tuple[Records, ...] = (
    Records(
        "excursions",
        _columns(
            "journal excursion rehearsal:integer zero_utc closed:integer inside_s planned_inside_s slip_s "
            "margin_s pace:real kept:integer verdict plan_sha256 last_event:integer last_hash tool"
        ),
        _excursion,
    ),
    Records(
        "limits",
        _columns(
            "limit_id crew kind kept:integer at:real was:real unit by_s by_amount:real nearest_at_s "
            "nearest_by_s ever_below:integer certain words"
        ),
        lambda one: (
            (
                limit.id,
                limit.crew,
                limit.kind,
                limit.kept,
                limit.at,
                limit.was,
                limit.unit or (None if limit.kind in ("item", "hardware", "task") else "s"),
                limit.by,
                limit.by_amount,
                None if limit.nearest is None else limit.nearest.at,
                None if limit.nearest is None else limit.nearest.by,
                limit.ever_below,
                limit.certain,
                limit.words,
            )
            for limit in one.limits
        ),
    ),
    Records("as_run", tuple(_step_columns()), _steps),
    Records(
        "as_spent",
        _columns("crew start_s finish_s kind step cause"),
        lambda one: ((s.crew, s.start, s.finish, s.kind, s.step, s.cause) for s in one.stretches),
    ),
    Records("crew", _columns("crew name inside_s ratio:real median_ratio:real"), _crew),
    Records(
        "holds",
        _columns("crew start_s finish_s step reason"),
        lambda one: ((held.crew, held.start, held.finish, held.step, held.reason) for held in one.holds),
    ),
    Records(
        "decisions",
        _columns(
            "number:integer at_s task choice advice followed:integer outcome safe:real last_call_s "
            "in_time:real cost_s done:integer room:integer confirmed:integer share:real breaks hindsight seat"
        ),
        _decisions,
    ),
    Records(
        "readings",
        _columns("number:integer at_s crew consumable value:real replaced:integer"),
        lambda one: ((r.number, r.at, r.crew, r.consumable, r.value, r.replaced) for r in one.readings),
    ),
    Records(
        "stores",
        _columns(
            "crew consumable unit start:real reserve:real planned:real by_rates:real used:real factor:real "
            "left_over:real readings:integer replaced:integer last_read:real last_read_at_s"
        ),
        lambda one: (
            (
                *(store.crew, store.consumable, store.unit, store.start, store.reserve, store.planned),
                *(store.by_rates, store.used, store.factor, store.left, store.readings, store.replaced),
                *(store.last_read, store.last_read_at),
            )
            for store in one.consumables
        ),
    ),
    Records(
        "forecasts",
        _columns("at_s p10_s p50_s p90_s pit:real chance:real in_time:integer crps_s"),
        lambda one: (
            (m.at, m.p10, m.p50, m.p90, m.pit, m.chance, m.in_time, m.crps)
            for m in (one.judgement.moments if one.judgement else ())
        ),
    ),
    Records(
        "changes",
        _columns("number:integer at_s kind what text seat"),
        lambda one: ((c.number, c.at, c.kind, c.what, c.text, c.seat) for c in one.changes),
    ),
    Records(
        "notes",
        _columns("number:integer at_s kind what text seat"),
        lambda one: ((n.number, n.at, n.kind, n.what, n.text, n.seat) for n in one.notes),
    ),
    Records(
        "matters",
        _columns(
            "number:integer at_s what about due_s owner to by text open_for_s settled_s how answer settled_by"
        ),
        lambda one: (
            (
                *(m.number, m.at, m.what, m.about, m.due, m.owner, m.to, m.by, m.text),
                *(m.open_for, m.settled, m.how, m.answer, m.settled_by),
            )
            for m in one.matters
        ),
    ),
    Records(
        "rounds",
        _columns("number:integer at_s round crew answers not_ok after_s every_s"),
        lambda one: (
            (r.number, r.at, r.round, r.crew, r.said, r.wrong, r.after, r.every) for r in one.rounds
        ),
    ),
    Records("words", _columns("at_s kind about words"), _words),
)
"""Every table, the excursions first."""
