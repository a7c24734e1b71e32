"""The debrief of one excursion as a value; every export is written from it.

Hides how its parts are found: what changed the plan on the way, who was held and why, what was decided and
noted (lists by time); and why somebody was inside when they were, in parts that add up exactly.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Literal

from tracker import __version__
from tracker.debrief.consumed import Consumed, StoreCurve, consumed, curves, planned_end, store_courses
from tracker.debrief.decided import Decided, called_in_vain, decisions
from tracker.debrief.forecast_scores import QUARTERS, Judgement, judge
from tracker.debrief.replay import Hindsight, hindsight
from tracker.debrief.rows import (
    Group,
    Spent,
    StepRow,
    by_crew,
    by_task,
    by_work,
    end_of,
    pace,
    spent_by,
    step_rows,
)
from tracker.debrief.verdict import Verdict, said, verdicts
from tracker.foundation.times import format_pet_s
from tracker.journal.as_run import SpentRow, as_spent
from tracker.journal.kinds import BY_NAME
from tracker.journal.matters import due_at, open_s
from tracker.journal.progress import Progress, Reading, Recorded, inside_at, last_done
from tracker.journal.rounds import checks
from tracker.plan.model import store_words
from tracker.plan.timeline import Timeline, as_planned


@dataclass(frozen=True, slots=True)
class PlanChange:
    """One event worth reading afterwards."""

    number: int
    at: float
    kind: str
    what: str
    """In words, from the event's own keys."""
    text: str
    seat: str


@dataclass(frozen=True, slots=True)
class Held:
    """One hold of one crew member, in seconds of phase elapsed time."""

    crew: str
    start: float
    finish: float
    step: str
    reason: str


@dataclass(frozen=True, slots=True)
class Matter:
    """What was raised, a question, reminder, deviation or message, and how long it stood open."""

    number: int
    at: float
    what: Literal["question", "reminder", "deviation", "message"]
    """`question`, `reminder`, `deviation` or `message`."""
    about: str
    """A step, a task, a limit or a crew member; empty where it is about none."""
    due: float | None
    """When it was due, also because the step ended behind which it was."""
    owner: str
    to: str
    """Who was asked or told."""
    by: str
    """Who raised it; else the seat."""
    text: str
    open_for: float
    """How long it stood open, to the end where nobody settled it; seconds."""
    settled: float | None
    """When it was settled; None where nobody did."""
    how: str
    """The kind of the event that settled it."""
    answer: str
    settled_by: str
    """Who settled it; else the seat."""


def matters(progress: Progress, end: float) -> tuple[Matter, ...]:
    """Return all that was raised up to `end`, by time."""
    found = []
    for one in progress.raised:
        last = one.settled
        found.append(
            Matter(
                number=one.number,
                at=one.at,
                what=one.what,
                about=one.about or "",
                due=due_at(progress, one),
                owner=one.owner or "",
                to=one.to or "",
                by=one.by or one.seat,
                text=one.text,
                open_for=open_s(one, max(end, one.at)),
                settled=None if last is None else last.at,
                how="" if last is None else last.kind,
                answer="" if last is None else last.text,
                settled_by="" if last is None else last.by or last.seat,
            )
        )
    return tuple(sorted(found, key=lambda matter: (matter.at, matter.number)))


@dataclass(frozen=True, slots=True)
class Answered:
    """What somebody answered in a round."""

    number: int
    at: float
    round: str
    crew: str
    said: str
    """Each thing asked with its answer, in one line."""
    wrong: str
    """What was not ok."""
    after: float
    """Seconds since the same person's answer before it, or since zero."""
    every: float
    """After how many seconds it is due again, as planned."""


def answered(progress: Progress) -> tuple[Answered, ...]:
    """Return all answers to rounds, by time."""
    every = {one.id: float(one.every) for one in progress.plan.rounds}
    last: dict[tuple[str, str], float] = {}
    found = []
    for one in checks(progress):
        said = ", ".join(_answer(progress, *pair) for pair in one.answers.items())
        after = one.at - last.get((one.round, one.crew), 0.0)
        last[one.round, one.crew] = one.at
        wrong = ", ".join(one.wrong)
        found.append(Answered(one.number, one.at, one.round, one.crew, said, wrong, after, every[one.round]))
    return tuple(found)


def _answer(progress: Progress, item: str, answer: object) -> str:
    """Return what was asked with its answer, a reading with all of its digits and its unit."""
    if isinstance(answer, int | float):
        return f"{store_words(item)} {answer:.12g} {progress.plan.consumable[item].unit}".rstrip()
    return f"{item} {answer}"


def changes(progress: Progress) -> tuple[PlanChange, ...]:
    """Return the events in force that changed the plan, in the order in which they happened."""
    return tuple(_told(event) for event in progress.events if BY_NAME[event.kind].listed == "change")


def notes(progress: Progress) -> tuple[PlanChange, ...]:
    """Return every note, and what was said with an event that is told nowhere else, by time."""
    said = (event for event in progress.events if event.body.get("text"))
    return tuple(_told(event) for event in said if BY_NAME[event.kind].listed == "note")


def _told(event: Recorded) -> PlanChange:
    """Return an event with its own keys in one line."""
    words = ", ".join(f"{key} {_value(key, value)}" for key, value in event.body.items() if key != "text")
    text = str(event.body.get("text", ""))
    return PlanChange(event.number, event.at, event.kind, words, text, event.seat)


def _value(key: str, value: object) -> str:
    if isinstance(value, dict):
        return str(value.get("title") or value.get("id") or "given")
    if isinstance(value, list):
        return " ".join(map(str, value))
    if key in ("time", "until", "at") and isinstance(value, int | float):
        return format_pet_s(value)
    return "yes" if value is True else str(value)


def holds(progress: Progress, end: float) -> tuple[Held, ...]:
    """Return every hold up to `end`, by time."""
    found = [
        Held(crew, one.start, end if one.end is None else min(one.end, end), one.step or "", one.cause or "")
        for crew, intervals in progress.spent.items()
        for one in intervals
        if one.kind == "hold" and (one.start < end or one.end is None)
    ]
    return tuple(sorted(found, key=lambda held: (held.start, held.crew)))


@dataclass(frozen=True, slots=True)
class Part:
    """One bar of the waterfall: so many seconds for this reason."""

    label: str
    seconds: float


def waterfall(
    planned: Timeline,
    rows: Sequence[StepRow],
    spent: Sequence[SpentRow],
    crew: str,
    recalls: Sequence[tuple[float, float]] = (),
) -> tuple[Part, ...]:
    """Return how one crew member came from the planned end to the actual one.

    `spent` is their time from PET 0 to the actual end. The first part is the planned end, then come
    differences: of work by kind, of waiting by cause, holds, idle time. The sum is the actual end. Work in
    `recalls`, spans of recalls that were taken back, is nobody's pace.
    """
    parts: defaultdict[str, float] = defaultdict(float, {"as planned": 0.0})
    by_step = {row.step: row for row in rows}
    worked: defaultdict[str, float] = defaultdict(float)
    for one in (one for one in spent if one.crew == crew):
        if one.kind == "work" and one.step is not None:
            lost = sum(max(0.0, min(one.finish, to) - max(one.start, since)) for since, to in recalls)
            parts["recall taken back"] += lost
            worked[one.step] += one.finish - one.start - lost
        else:
            other = "holds" if one.kind == "hold" else one.kind
            label = _waiting(one.cause or "") if one.kind == "wait" else other
            parts[label] += one.finish - one.start
    before = 0.0
    for step in planned.order.get(crew, ()):
        start, finish = planned.start[step], planned.finish[step]
        if isfinite(finish):
            if start > before:
                cause = planned.waits[step].cause if step in planned.waits else ""
                parts[_waiting(cause)] += before - start
            label, seconds = _work(by_step[step], crew, finish - start, worked.pop(step, 0.0))
            parts[label] += seconds
            before = finish
    parts["as planned"] = before
    for step, seconds in worked.items():
        parts["added work" if by_step[step].added else "handed over"] += seconds
    return tuple(Part(label, s) for label, s in parts.items() if abs(s) > 1e-6 or label == "as planned")


def _work(row: StepRow, crew: str, planned: float, worked: float) -> tuple[str, float]:
    """Return what a planned step contributes: its pace, or that this crew member did not do it."""
    if row.status == "done":
        return f"pace: {row.work}" if crew in row.crew else "handed over", worked - planned
    return "broken off" if worked > 0 else "not done", worked - planned


def _waiting(cause: str) -> str:
    """Return a part's label from a cause such as `need mount.2`, `crew EV2` or `window daylight`."""
    words = {"need": "for a need", "crew": "for each other", "go": "for a go", "hold": "for a hold"}
    kind, _, name = cause.partition(" ")
    return f"waiting: for {name}" if kind == "window" else f"waiting: {words.get(kind, 'other')}"


@dataclass(frozen=True, slots=True)
class Scoring:
    """How closely a debrief looks at its own forecasts."""

    instants: int = 24
    """Evenly through the excursion, besides the quarters; 0: only the quarters."""
    scenarios: int = 2000


_USUAL = Scoring()


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of one excursion, or of several.

    The waterfall is empty before the clock starts.
    """

    tasks: tuple[Group, ...]
    crew: tuple[Group, ...]
    work: tuple[Group, ...]
    spent: tuple[Spent, ...]
    """Per crew member, from PET 0 to the end."""
    waterfall: tuple[Part, ...]
    """From the planned to the actual ingress of who was inside last."""


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
    changes: tuple[PlanChange, ...]
    decisions: tuple[Decided, ...]
    hindsight: tuple[Hindsight, ...]
    notes: tuple[PlanChange, ...]
    consumables: tuple[Consumed, ...]
    judgement: Judgement | None
    """None while the excursion is not over, and where it was not asked for."""
    verdict: str
    """In a line whether every limit was kept."""
    limits: tuple[Verdict, ...]
    """Whether each of them was kept, an entry an id and crew member."""
    stretches: tuple[SpentRow, ...]
    """Each crew member's time from PET 0 to the end, without a gap."""
    readings: tuple[Reading, ...]
    """Every reading of a store, and every replacement."""
    curves: tuple[StoreCurve, ...]
    """What was left of each store through the excursion."""
    plan_sha256: str
    """Of the plan's text."""
    last_hash: str
    """Hash of the last event: what the debrief is of, to the letter."""
    tool: str
    """What made it, with its version."""
    matters: tuple[Matter, ...] = ()
    """All that was raised, and what became of it."""
    rounds: tuple[Answered, ...] = ()
    """What was answered in rounds."""
    inside_by: str = ""
    """By what who was last is known to be inside, where nobody entered them."""

    @property
    def kept(self) -> bool | None:
        """Whether every limit was kept that can be judged; None where none can."""
        kept = [limit.kept for limit in self.limits if limit.kept is not None]
        return all(kept) if kept else None

    @property
    def pace(self) -> float | None:
        """Actual over planned time of all that was done; None where nothing was."""
        return pace(self.totals.work)

    @property
    def slip(self) -> float | None:
        """How much later than planned everybody was inside; None while somebody is not."""
        return None if self.inside is None else self.inside - self.planned_inside

    @property
    def margin(self) -> float | None:
        """What was left of the limit named `elapsed`; None while somebody is not inside."""
        return None if self.inside is None else self.limit - self.inside


def debriefed(
    progress: Progress, journal: str, scoring: Scoring | None = _USUAL, *, last_hash: str = ""
) -> Excursion:
    """Return the debrief of one excursion; `scoring` None leaves its forecasts unjudged.

    `last_hash`: of the journal's last event.
    """
    end, ends, arrived = end_of(progress), crew_ends(progress), crew_inside(progress)
    outside, inside = progress.plan.outside, all_inside(progress)
    rows = step_rows(progress, journal)
    courses = store_courses(progress)
    stores, limits = consumed(progress, courses), verdicts(progress, arrived, courses)
    last_in = max(outside, key=lambda c: ends[c], default=None)
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
        totals=_totals(progress, rows, end, last_in, ends),
        steps=rows,
        holds=holds(progress, end),
        changes=changes(progress),
        decisions=decisions(progress),
        hindsight=() if inside is None else hindsight(progress, rows, limits, courses),
        notes=notes(progress),
        consumables=stores,
        judgement=None if scoring is None or inside is None else _judged(progress, inside, scoring),
        verdict=said(limits, over=inside is not None),
        limits=limits,
        stretches=tuple(as_spent(progress, end)),
        readings=progress.readings,
        curves=curves(progress, courses),
        plan_sha256=hashlib.sha256(progress.plan.source.encode("utf-8", "surrogatepass")).hexdigest(),
        last_hash=last_hash,
        tool=f"tracker {__version__}",
        matters=matters(progress, end),
        rounds=answered(progress),
        inside_by="" if inside is None or last_in is None else _inside_by(progress, last_in),
    )


def _totals(
    progress: Progress, rows: Sequence[StepRow], end: float, last_in: str | None, ends: Mapping[str, float]
) -> Totals:
    spent = as_spent(progress, end)
    parts: tuple[Part, ...] = ()
    if last_in is not None and progress.zero is not None:
        until = [one for one in as_spent(progress, ends[last_in]) if one.crew == last_in]
        parts = waterfall(as_planned(progress.plan), rows, until, last_in, called_in_vain(progress, last_in))
    return Totals(
        tasks=by_task(rows),
        crew=by_crew(rows, spent, {member.id: member.name for member in progress.plan.crew}),
        work=by_work(rows),
        spent=tuple(spent_by(spent, member.id) for member in progress.plan.crew),
        waterfall=parts,
    )


def crew_ends(progress: Progress) -> dict[str, float]:
    """Return until when each crew member's stores were in use: inside, or the end of the excursion."""
    arrived, end = crew_inside(progress), end_of(progress)
    known = {crew: at for crew, at in arrived.items() if at is not None}
    return {member.id: known.get(member.id, end) for member in progress.plan.crew}


def crew_inside(progress: Progress) -> dict[str, float | None]:
    """Return when each crew member outside was inside; None for who is not yet known to be."""
    return {c: inside_at(progress, c) for c in progress.plan.outside}


def _inside_by(progress: Progress, member: str) -> str:
    """Return by what somebody is known to be inside, where nobody entered them; else nothing."""
    if member in progress.entered:
        return ""
    ticked = inside_at(progress, member) == last_done(progress, member)
    return f"by {'the last tick' if ticked else 'the close'}, not entered"


def all_inside(progress: Progress) -> float | None:
    """Return when the last of the crew was inside; None while somebody may not be."""
    ends = crew_ends(progress)
    if None in crew_inside(progress).values():
        return None
    return max((ends[c] for c in progress.plan.outside), default=end_of(progress))


def _judged(progress: Progress, inside: float, scoring: Scoring) -> Judgement | None:
    count = scoring.instants
    even = [inside * (i + 1) / (count + 1) for i in range(count)]
    instants = sorted({*(inside * share for share in QUARTERS), *even})
    return judge(progress, inside, [at for at in instants if at > 0], scenarios=scoring.scenarios)
