"""The debrief of one excursion as a value; every export is written from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from tracker.debrief.consumed import Consumed, consumed, planned_end
from tracker.debrief.happened import Decided, Happened, Held, changes, decisions, holds, notes
from tracker.debrief.hindsight import Hindsight, hindsight
from tracker.debrief.judged import QUARTERS, Judgement, judge
from tracker.debrief.rows import StepRow, step_rows
from tracker.debrief.totals import Group, Spent, by_crew, by_task, by_work, spent_by
from tracker.debrief.waterfall import Part, waterfall
from tracker.forecast.listing import ingress_fact
from tracker.journal.asrun import as_spent
from tracker.journal.progress import Progress
from tracker.plan.timeline import as_planned


@dataclass(frozen=True, slots=True)
class Scoring:
    """How closely a debrief looks at its own forecasts."""

    instants: int = 24
    """Evenly through the excursion, besides the quarters; 0: only the quarters."""
    scenarios: int = 2000


_USUAL = Scoring()


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of one excursion, or of several."""

    tasks: tuple[Group, ...]
    crew: tuple[Group, ...]
    work: tuple[Group, ...]
    spent: tuple[Spent, ...]
    """Per crew member, from PET 0 to the end."""
    waterfall: tuple[Part, ...]
    """From the planned to the actual ingress of who was inside last; empty before the clock starts."""


@dataclass(frozen=True)
class Excursion:
    """One excursion, as-run against planned; times are seconds of phase elapsed time."""

    journal: str
    """Name of the journal's file."""
    uuid: str
    excursion: str
    rehearsal: bool
    zero: datetime | None
    """Instant of PET 0."""
    events: int
    """Number of the last event."""
    closed: bool
    end: float
    """When it was closed; else the last event."""
    limit: float
    """The limit named `elapsed`."""
    planned_inside: float
    """Planned end with everything in."""
    inside: float | None
    """When the last crew member counted was inside; None while somebody is not."""
    crew_inside: Mapping[str, float | None]
    last_in: str | None
    """Who was inside last; the waterfall is theirs."""
    totals: Totals
    steps: tuple[StepRow, ...]
    holds: tuple[Held, ...]
    changes: tuple[Happened, ...]
    decisions: tuple[Decided, ...]
    hindsight: tuple[Hindsight, ...]
    notes: tuple[Happened, ...]
    consumables: tuple[Consumed, ...]
    judgement: Judgement | None
    """None while the excursion is not over, and where it was not asked for."""


def debriefed(progress: Progress, journal: str, scoring: Scoring | None = _USUAL) -> Excursion:
    """Return the debrief of one excursion; `scoring` None leaves its forecasts unjudged."""
    end = progress.at if progress.closed is None else progress.closed
    arrived = crew_inside(progress)
    outside = progress.plan.outside
    known = {crew: end if at is None else at for crew, at in arrived.items()}
    inside = None if any(at is None for at in arrived.values()) else max(known.values(), default=end)
    rows = step_rows(progress, journal)
    stores = consumed(progress, {**{c.id: end for c in progress.plan.crew}, **known})
    last_in = max(outside, key=lambda c: known[c], default=None)
    return Excursion(
        journal=journal,
        uuid=progress.uuid,
        excursion=progress.plan.excursion,
        rehearsal=progress.rehearsal,
        zero=progress.zero,
        events=progress.number,
        closed=progress.closed is not None,
        end=end,
        limit=progress.limits["elapsed"],
        planned_inside=max((planned_end(progress)[c] for c in outside), default=0.0),
        inside=inside,
        crew_inside=arrived,
        last_in=last_in,
        totals=_totals(progress, rows, end, last_in, known),
        steps=rows,
        holds=holds(progress, end),
        changes=changes(progress),
        decisions=decisions(progress),
        hindsight=() if inside is None else hindsight(progress, rows, known, stores),
        notes=notes(progress),
        consumables=stores,
        judgement=None if scoring is None or inside is None else _judged(progress, inside, scoring),
    )


def _totals(
    progress: Progress, rows: Sequence[StepRow], end: float, last_in: str | None, known: Mapping[str, float]
) -> Totals:
    spent = as_spent(progress, end)
    parts: tuple[Part, ...] = ()
    if last_in is not None and progress.zero is not None:
        until = [one for one in as_spent(progress, known[last_in]) if one.crew == last_in]
        parts = waterfall(as_planned(progress.plan), rows, until, last_in)
    return Totals(
        tasks=by_task(rows),
        crew=by_crew(rows),
        work=by_work(rows),
        spent=tuple(spent_by(spent, member.id) for member in progress.plan.crew),
        waterfall=parts,
    )


def crew_inside(progress: Progress) -> dict[str, float | None]:
    """Return when each crew member outside was inside; None for who is not yet known to be."""
    if progress.closed is not None:
        return {c: ingress_fact(progress, c) for c in progress.plan.outside}
    return {c: progress.entered.get(c, _all_done(progress, c)) for c in progress.plan.outside}


def _all_done(progress: Progress, crew: str) -> float | None:
    """Return when a crew member finished their last step; None while one is open."""
    mine = [state for state in progress.steps.values() if crew in state.crew]
    if any(state.ended is None for state in mine):
        return None
    return max(
        (state.done for state in mine if state.ended == "done" and state.done is not None), default=None
    )


def _judged(progress: Progress, inside: float, scoring: Scoring) -> Judgement | None:
    count = scoring.instants
    even = [inside * (i + 1) / (count + 1) for i in range(count)]
    instants = sorted({*(inside * share for share in QUARTERS), *even})
    return judge(progress, inside, _after_zero(instants), scenarios=scoring.scenarios)


def _after_zero(instants: Sequence[float]) -> list[float]:
    return [at for at in instants if at > 0]
