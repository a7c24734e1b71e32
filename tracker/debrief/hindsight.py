"""Advice that hindsight confirms or not: whether there was room for the optional work after all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.debrief.consumed import Consumed
from tracker.debrief.rows import StepRow
from tracker.journal.progress import Decision, Progress


@dataclass(frozen=True, slots=True)
class Hindsight:
    """One recorded decision, judged by what came of the excursion."""

    number: int
    """Of the event."""
    at: float
    task: str
    advice: str
    choice: str
    done: bool
    """Whether the task was done."""
    room: bool
    """Whether it was done with every limit kept, or would have fitted into what was left over."""
    confirmed: bool | None
    """Whether the advice was right: `keep` where there was room, `drop` where not; None for others."""
    why: str


def hindsight(
    progress: Progress, rows: Sequence[StepRow], inside: Mapping[str, float], stores: Sequence[Consumed]
) -> tuple[Hindsight, ...]:
    """Return every decision that carries advice, judged; `inside` is the PET of each crew member's end."""
    margins = (
        progress.limits[limit.name] - max(inside[crew] for crew in limit.crew)
        for limit in progress.plan.limits
        if limit.crew
    )
    spare = min(margins, default=0.0)
    short = [f"{s.crew} {s.consumable}" for s in stores if s.left < s.reserve]
    pace = _pace(rows)
    return tuple(
        _judge(progress, decision, rows, spare, short, pace)
        for decision in progress.decisions
        if decision.advice in ("keep", "decide", "drop")
    )


def _pace(rows: Sequence[StepRow]) -> float:
    """Return actual over planned time of all that was done."""
    done = [row for row in rows if row.status == "done"]
    planned = sum(row.planned_duration for row in done)
    return sum(row.actual_duration or 0.0 for row in done) / planned if planned > 0 else 1.0


def _judge(
    progress: Progress,
    decision: Decision,
    rows: Sequence[StepRow],
    spare: float,
    short: Sequence[str],
    pace: float,
) -> Hindsight:
    task = progress.tasks.get(decision.task)
    done = task is not None and task.status == "done"
    takes = 0.0 if done else _takes(rows, decision.task) * pace
    room = spare >= takes and not short
    advice = decision.advice or ""
    return Hindsight(
        number=decision.number,
        at=decision.at,
        task=decision.task,
        advice=advice,
        choice=decision.choice,
        done=done,
        room=room,
        confirmed=(advice == "keep") == room if advice in ("keep", "drop") else None,
        why=_why(done, spare, takes, short),
    )


def _takes(rows: Sequence[StepRow], task: str) -> float:
    """Return the planned time of what was not done of a task, as long as its busiest crew member's part."""
    busy: dict[str, float] = {}
    for row in rows:
        if row.task == task and row.status != "done":
            for crew in row.crew or row.planned_crew:
                busy[crew] = busy.get(crew, 0.0) + (row.planned_duration)
    return max(busy.values(), default=0.0)


def _why(done: bool, spare: float, takes: float, short: Sequence[str]) -> str:
    minutes = round(abs(spare) / 60)
    kept = f"{minutes} min to spare" if spare >= 0 else f"{minutes} min beyond the limit"
    stores = f", below reserve: {', '.join(short)}" if short else ""
    if done:
        return f"done, {kept}{stores}"
    return f"not done, {kept}, it would have taken about {round(takes / 60)} min{stores}"
