"""Why somebody was inside when they were, and not when it was planned: parts that add up exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from tracker.debrief.rows import StepRow
from tracker.journal.asrun import SpentRow
from tracker.plan.timeline import Timeline


@dataclass(frozen=True, slots=True)
class Part:
    """One bar of the waterfall: so many seconds for this reason."""

    label: str
    seconds: float


def waterfall(
    planned: Timeline, rows: Sequence[StepRow], spent: Sequence[SpentRow], crew: str
) -> tuple[Part, ...]:
    """Return how one crew member came from the planned end to the actual one.

    `spent` is their time from PET 0 to the actual end. The first part is the planned end, then come
    differences: of work by kind, of waiting by cause, holds, idle time. The sum is the actual end.
    """
    parts: dict[str, float] = {"as planned": 0.0}
    by_step = {row.step: row for row in rows}
    worked: dict[str, float] = {}
    for one in (one for one in spent if one.crew == crew):
        if one.kind == "work" and one.step is not None:
            _add(worked, one.step, one.finish - one.start)
        else:
            _add(parts, _label(one), one.finish - one.start)
    before = 0.0
    for step in planned.order.get(crew, ()):
        start, finish = planned.start[step], planned.finish[step]
        if isfinite(finish):
            if start > before:
                _add(
                    parts,
                    _waiting(planned.waits[step].cause if step in planned.waits else ""),
                    before - start,
                )
            _add(parts, *_work(by_step[step], crew, finish - start, worked.pop(step, 0.0)))
            before = finish
    parts["as planned"] = before
    for step, seconds in worked.items():
        _add(parts, "added work" if by_step[step].added else "handed over", seconds)
    return tuple(Part(label, s) for label, s in parts.items() if abs(s) > 1e-6 or label == "as planned")


def _work(row: StepRow, crew: str, planned: float, worked: float) -> tuple[str, float]:
    """Return what a planned step contributes: its pace, or that this crew member did not do it."""
    if row.status == "done":
        return f"pace: {row.work}" if crew in row.crew else "handed over", worked - planned
    return "broken off" if worked > 0 else "not done", worked - planned


def _label(one: SpentRow) -> str:
    if one.kind == "wait":
        return _waiting(one.cause or "")
    return {"hold": "holds", "idle": "idle"}.get(one.kind, one.kind)


def _waiting(cause: str) -> str:
    """Return a part's label from a cause such as `need mount.2`, `crew EV2` or `window daylight`."""
    words = {"need": "for a need", "crew": "for each other", "go": "for a go", "hold": "for a hold"}
    kind, _, name = cause.partition(" ")
    return f"waiting: for {name}" if kind == "window" else f"waiting: {words.get(kind, 'other')}"


def _add(parts: dict[str, float], label: str, seconds: float) -> None:
    parts[label] = parts.get(label, 0.0) + seconds
