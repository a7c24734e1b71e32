"""The tables of a debrief, as text in cells; the page, the Markdown and the summary show the same."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache

from tracker.debrief.excursion import Excursion
from tracker.debrief.forecast_scores import Judgement
from tracker.debrief.journals import pool
from tracker.debrief.rows import Column, Group, StepRow, apart, factor, pet, signed, step_columns
from tracker.debrief.trend import paced, told
from tracker.debrief.verdict import Verdict, margin, merged
from tracker.foundation.text import amount, percent_done, plain
from tracker.foundation.times import brief_instant
from tracker.plan.model import store_words


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows of text; columns in `right` hold figures that line up on the right."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = field(default_factory=frozenset)
    note: str = ""
    """A sentence under the title."""


def whole(parts: Sequence[float]) -> list[int]:
    """Return parts in whole seconds that add up to their rounded sum; the largest remainders go up."""
    found = [math.floor(part) for part in parts]
    by_remainder = sorted(range(len(parts)), key=lambda i: found[i] - parts[i])
    for i in by_remainder[: round(sum(parts)) - sum(found)]:
        found[i] += 1
    return found


STEPS, WORK, TASKS, CREW = "Steps", "Kinds of work", "Tasks", "Crew"
EXCURSIONS = "Excursions"
MOST_SAID = 300
"""Characters of the remarks beside a step; the notes have all of them."""


def _table(
    title: str, headings: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int], note: str = ""
) -> Table:
    return Table(title, tuple(headings), tuple(map(tuple, rows)), frozenset(right), note)


def limits(one: Excursion) -> Table:
    """Return the verdict on every limit, broken ones first."""
    return _table(LIMITS, _LIMIT_HEADINGS, map(_limit, merged(one.limits)), (2, 3, 4), one.verdict)


LIMITS = "Limits"
_LIMIT_HEADINGS = ("limit", "who", "at", "was", "margin", "")


def _limit(one: Verdict) -> tuple[str, ...]:
    kind = one.kind
    label = one.id if kind in ("elapsed", "clock") else re.split("[:.]", one.id, maxsplit=1)[1]
    if kind == "store":
        label = store_words(label)
        shown = amount(one.at, one.unit or ""), amount(one.was, one.unit or "")
    else:
        shown = pet(one.at), pet(one.was)
    who = "all" if one.crew == "*" else one.crew
    missed = _UNSURE.get(kind, "") if one.kept is None else _MISSED.get(kind, "")
    label = f"window {label}" if kind == "window" else f"{label}{missed}"
    return label, who, *shown, margin(one), one.words


_MISSED = {"store": " reserve", "item": " left open", "hardware": " not back", "task": " not done"}


_UNSURE = {"task": " not ticked", "hardware": " back?"}
"""Of what nobody entered and yet broke nothing."""


def broken(every: Sequence[Excursion]) -> Table:
    """Return the limits that were not kept, of several excursions."""
    rows = [
        (one.journal, *_limit(limit)) for one in every for limit in merged(one.limits) if limit.kept is False
    ]
    kept = sum(bool(one.limits) and one.kept is not False for one in every)
    note = f"Every limit was kept and all must work done in {kept} of {len(every)} excursions" + (
        ": the rest broke these." if rows else "."
    )
    return _table(LIMITS, ("journal", *_LIMIT_HEADINGS), rows, (3, 4, 5), note)


def overview(one: Excursion) -> Table:
    """Return the few figures that say how it went."""
    rows = [
        ("Journal", one.journal),
        ("PET 0", "never started" if one.zero is None else brief_instant(one.zero)),
        ("Kind", "rehearsal" if one.rehearsal else "excursion"),
        ("Inside, planned", pet(one.planned_inside)),
        ("Inside, actual", _inside(one)),
        ("Difference", _late(one)),
        ("Elapsed limit", pet(one.limit)),
        ("To spare of it", _spare(one)),
        ("Steps done", _done(one)),
        ("Events", f"{one.events}, the last {one.last_hash[:16]}" if one.last_hash else str(one.events)),
        ("UUID", one.uuid),
        ("Made by", one.tool),
    ]
    return _table("Overview", ("", ""), rows, ())


def _inside(one: Excursion) -> str:
    """Return when all were inside, and by what that is known of who was last where nobody entered them."""
    if one.inside is None:
        return "not everybody is inside"
    return f"{pet(one.inside)}{f' {one.inside_by}' if one.inside_by else ''}"


def excursions(every: Sequence[Excursion]) -> Table:
    """Return one row an excursion."""
    numbers = {one.uuid: str(n) for n, (one, _) in enumerate(paced(every), 1)}
    rows = [
        (
            numbers.get(one.uuid, ""),
            one.journal,
            one.excursion,
            "rehearsal" if one.rehearsal else "excursion",
            pet(one.planned_inside),
            pet(one.inside),
            _late(one),
            _spare(one),
            _kept(one),
            _done(one),
            factor(one.pace),
            percent_done(one.judgement.coverage) if one.judgement else "-",
        )
        for one in every
    ]
    headings = (
        "",
        "journal",
        "excursion",
        "kind",
        "planned",
        "inside",
        "difference",
        "of elapsed limit",
        "limits",
    )
    more = ("steps done", "pace", "80 % ranges right")
    return _table(EXCURSIONS, (*headings, *more), rows, (0, *range(4, 8), 9, 10, 11), "; ".join(told(every)))


def _kept(one: Excursion) -> str:
    """Return whether every limit was kept, or how many were not."""
    missed = {limit.id for limit in one.limits if limit.kept is False}
    return f"{len(missed)} broken" if missed else "kept" if one.inside is not None else "-"


def _late(one: Excursion) -> str:
    return apart(one.inside, one.planned_inside)


def _spare(one: Excursion) -> str:
    return apart(one.limit, one.inside)


def _done(one: Excursion) -> str:
    return f"{sum(row.status == 'done' for row in one.steps)} of {len(one.steps)}"


def groups(title: str, found: Sequence[Group]) -> Table:
    """Return one row a task, crew member or kind of work."""
    rows = [
        (
            group.name,
            group.title,
            f"{group.done} of {group.steps}",
            pet(group.planned),
            pet(group.actual),
            apart(group.actual, group.planned),
            factor(group.ratio),
            factor(group.median_ratio),
            pet(group.waited),
            pet(group.held),
        )
        for group in found
    ]
    headings = ("", "", "done", "planned", "actual", "difference", "ratio", "median", "waited", "held")
    note = "Planned and actual work time of the steps that are done; the median is of their own ratios."
    return _table(title, headings, rows, range(2, 10), note)


def _kinds_of_work(found: Sequence[Group]) -> Table:
    """Return one row a kind of work over all plans, with their number."""
    table = groups(WORK, found)
    rows = [(row[0], str(group.plans), *row[2:]) for row, group in zip(table.rows, found, strict=True)]
    headings = ("", "plans", *table.headings[2:])
    return Table(WORK, headings, tuple(rows), frozenset({1, *table.right}), table.note)


def _tasks_of_several(found: Sequence[Group]) -> list[Table]:
    """Return a table of tasks for each plan family, headed by the excursion where there are several."""
    families: dict[str, list[Group]] = {}
    for group in found:
        families.setdefault(group.excursion, []).append(group)
    if len(families) == 1:
        return [groups(TASKS, found)]
    return [groups(f"{TASKS} of {plain(name, most=80)}", mine) for name, mine in families.items()]


def steps(one: Excursion) -> Table:
    """Return one row a step, in the columns that the fields of a row ask for, and with what stands out."""
    shown = _shown()
    rows = [(*(_cell(row, name, column) for name, column in shown), _remarks(row)) for row in one.steps]
    right = [i for i, (_, column) in enumerate(shown) if column.form is not None]
    return _table(STEPS, (*(column.heading for _, column in shown), "remarks"), rows, right)


@cache
def _shown() -> list[tuple[str, Column]]:
    """Return the fields of a row that have a column here, from left to right."""
    order: list[str] = []
    for name, column in step_columns().items():
        order.insert(order.index(column.after) + 1 if column.after else len(order), name)
    return [(name, step_columns()[name]) for name in order if step_columns()[name].heading]


def _cell(row: StepRow, name: str, column: Column) -> str:
    value = getattr(row, name)
    if name == "variance":
        return "-" if value is None else apart(row.actual_duration, row.planned_duration)
    if column.form is not None:
        return column.form(value)
    return " ".join(value) if isinstance(value, tuple) else str(value)


def _remarks(row: StepRow) -> str:
    words = ["added"] if row.added else []
    words += [f"given up: {row.given_up}"] if row.given_up else []
    if row.planned_crew != row.crew:
        words.append(f"planned for {' '.join(row.planned_crew)}")
    if row.planned_place != row.actual_place and None not in (row.planned_place, row.actual_place):
        words.append(f"place {row.actual_place} instead of {row.planned_place}")
    if row.status == "done" and row.count_done != row.count:
        words.append(f"{row.count_done} of {row.count}")
    words += [f"waited for {row.waited_for}"] if row.waited_for else []
    words += [f"held: {row.held_for}"] if row.held_for else []
    return ", ".join([*words, plain(row.said, most=MOST_SAID)] if row.said else words)


def spent(one: Excursion) -> Table:
    """Return where each crew member's time went."""
    rows = [
        (s.crew, *map(pet, whole((s.work, s.wait, s.hold, s.idle))), pet(s.elapsed)) for s in one.totals.spent
    ]
    headings = ("crew", "work", "waiting", "holds", "idle", "elapsed")
    return _table("Where the time went", headings, rows, range(1, 6), "Each row adds up.")


def waterfall(one: Excursion) -> Table:
    """Return why the end was not the planned one."""
    parts = one.totals.waterfall
    seconds = whole([part.seconds for part in parts])
    rows = [
        (part.label, signed(s) if i else pet(s))
        for i, (part, s) in enumerate(zip(parts, seconds, strict=True))
    ]
    rows += [("sum", pet(sum(seconds)))] if parts else []
    note = f"From the planned to the actual ingress of {one.last_in}, who was inside last."
    if one.inside is None:
        note = f"From the planned ingress of {one.last_in} to the last event: the excursion is not over."
    return _table("From plan to ingress", ("", "time"), rows, (1,), note)


def consumables(one: Excursion) -> Table:
    """Return what was used beside what was planned."""
    rows = [
        (
            c.crew,
            store_words(c.consumable),
            amount(c.start, c.unit),
            amount(c.planned, c.unit),
            amount(c.by_rates, c.unit),
            amount(c.used, c.unit),
            factor(c.factor),
            amount(c.left, c.unit),
            amount(c.reserve, c.unit),
            str(c.readings),
            str(c.replaced) if c.replaced else "",
        )
        for c in one.consumables
    ]
    headings = ("crew", "consumable", "start", "planned use", "use by rates", "used", "use factor")
    more = ("left", "reserve", "readings", "replaced")
    note = "Planned: along the plan. By rates: along what happened. Used: as the readings say."
    return _table("Consumables", (*headings, *more), rows, range(2, 11), note)


def holds(one: Excursion) -> Table:
    """Return every hold with its reason."""
    rows = [(h.crew, pet(h.start), pet(h.finish - h.start), h.step, h.reason) for h in one.holds]
    return _table("Holds", ("crew", "at", "time", "step", "reason"), rows, (1, 2))


def changes(one: Excursion) -> Table:
    """Return what changed the plan on the way."""
    rows = [(pet(h.at), h.kind, h.what, h.text, h.seat) for h in one.changes]
    return _table("Changes on the way", ("at", "event", "what", "text", "seat"), rows, (0,))


def decisions(one: Excursion) -> Table:
    """Return decisions beside advice, recalls, and what hindsight says of them."""
    later = {h.number: h for h in one.hindsight}
    rows = [
        (
            pet(d.at),
            d.task or "recall",
            d.advice or "-",
            d.choice,
            d.outcome,
            _VERDICTS[later[d.number].confirmed] if d.number in later else "-",
            "; ".join(filter(None, (d.words, later[d.number].words if d.number in later else ""))),
        )
        for d in one.decisions
    ]
    headings = ("at", "task", "advised", "chosen", "outcome", "in hindsight", "")
    return _table("Decisions", headings, rows, (0,))


_VERDICTS = {None: "-", True: "confirmed", False: "costly"}


def notes(one: Excursion) -> Table:
    """Return every note, and every remark with the event that it was made on."""
    rows = [
        (pet(n.at), n.text, "" if n.kind == "noted" else f"{n.kind} {n.what}".strip(), n.seat)
        for n in one.notes
    ]
    return _table("Notes", ("at", "note", "on", "seat"), rows, (0,))


def matters(one: Excursion) -> Table:
    """Return all that was raised, how long it stood open, and what became of it."""
    rows = [
        (
            pet(m.at),
            m.what,
            m.text,
            " ".join(part for part in (m.about, m.owner, f"to {m.to}" if m.to else "") if part),
            m.by,
            pet(m.open_for),
            "open" if m.settled is None else m.answer or m.how,
            m.settled_by,
        )
        for m in one.matters
    ]
    headings = ("at", "", "what", "about", "by", "open for", "outcome", "settled by")
    return _table("Raised and settled", headings, rows, (0, 5))


def rounds(one: Excursion) -> Table:
    """Return who answered which round when, what was not ok, and how late it was."""
    rows = [
        (pet(a.at), a.round, a.crew, a.said, a.wrong, pet(a.after), apart(a.after, a.every))
        for a in one.rounds
    ]
    headings = ("at", "round", "who", "answers", "not ok", "after", "late")
    note = "After: since the same person's last answer, or zero. Late: more than the plan asks."
    return _table("Rounds", headings, rows, (0, 5, 6), note)


def sources(every: Sequence[Excursion]) -> Table:
    """Return what each excursion was made from, to the letter."""
    rows = [(one.journal, one.uuid, str(one.events), one.last_hash[:16], one.tool) for one in every]
    return _table("Made from", ("journal", "uuid", "events", "the last", "by"), rows, (2,))


SCORES = "Was the forecast right?"


def scores(found: Judgement | None) -> Table:
    """Return how the forecasts did against simpler ones."""
    if found is None:
        why = "the excursion is not over, or work was left undone that all forecasts had"
        return _table(SCORES, ("", ""), [("No forecast was scored", why)], ())
    rows = [
        ("Instants", str(len(found.moments))),
        ("Scenarios of each forecast", f"{found.scenarios:,}"),
        ("80 % ranges that held the end", percent_done(found.coverage)),
        ("Mean score (CRPS) of the forecast", pet(found.crps)),
        ("of paper: planned time left", pet(found.crps_paper)),
        ("of pro rata: times pace so far", pet(found.crps_pro_rata)),
        (
            "Forecast / pro rata",
            factor(found.crps / found.crps_pro_rata if found.crps_pro_rata > 0 else None),
        ),
    ]
    note = (
        "A score is a time, smaller is better; of a point forecast it is the error. Up to five journals are "
        "forecast at 24 instants and the quarters, more and a season at the quarters alone, with fewer "
        "scenarios: by that the shares differ. tracker season add --scores full looks as closely as at one."
    )
    return _table(SCORES, ("", ""), rows, (1,), note)


def of_several(every: Sequence[Excursion]) -> list[Table]:
    """Return a row an excursion, and what they add up to: tasks, crew, kinds of work, scores."""
    together = pool(every)
    return [
        broken(every),
        excursions(every),
        *_tasks_of_several(together.tasks),
        groups(CREW, together.crew),
        _kinds_of_work(together.work),
        scores(together.judgement),
        sources(every),
    ]


def of_excursion(one: Excursion) -> list[Table]:
    """Return all tables of one excursion, empty ones left out."""
    found = [
        limits(one),
        decisions(one),
        overview(one),
        waterfall(one),
        spent(one),
        groups(TASKS, one.totals.tasks),
        groups(CREW, one.totals.crew),
        groups(WORK, one.totals.work),
        consumables(one),
        scores(one.judgement),
        changes(one),
        holds(one),
        matters(one),
        rounds(one),
        steps(one),
        notes(one),
    ]
    return [table for table in found if table.rows]
