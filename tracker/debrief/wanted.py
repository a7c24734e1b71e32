"""Which excursions are asked for, of a season or of journals."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from tracker.debrief.excursion import Excursion
from tracker.debrief.rows import StepRow, by_crew, by_task, by_work, own
from tracker.foundation.text import did_you_mean, near, plain
from tracker.foundation.times import format_instant


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which excursions are asked for, and which steps of them; None: all."""

    excursion: str | None = None
    """By name."""
    plan: str | None = None
    """How the plan's SHA-256 begins."""
    since: str | None = None
    """A date or an instant of the zero, in UTC."""
    until: str | None = None
    """Likewise; of a date all of it."""
    rehearsals: bool | None = None
    crew: str | None = None
    """An id or a name."""
    work: str | None = None
    task: str | None = None
    step: str | None = None

    def where(self) -> tuple[str, list[Any]]:
        """Return the condition on a season's table `excursions`, and its values."""
        rows = "uuid IN (SELECT uuid FROM as_run WHERE {} = ?)"
        crew = "uuid IN (SELECT uuid FROM crew WHERE crew = ? OR name = ? COLLATE NOCASE)"
        given: list[tuple[str, list[Any]]] = [
            ("excursion = ? COLLATE NOCASE", [self.excursion]),
            ("substr(plan_sha256, 1, length(?)) = ?", [self.plan, self.plan]),
            ("zero_utc >= ?", [self.since]),
            ("zero_utc <= ?", [self._end()]),
            ("rehearsal = ?", [self.rehearsals]),
            (crew, [self.crew, self.crew]),
            (rows.format("work"), [self.work]),
            (rows.format("task"), [self.task]),
            (rows.format("step"), [self.step]),
        ]
        used = [(sql, values) for sql, values in given if values[0] is not None]
        return " AND ".join(sql for sql, _ in used) or "1", [value for _, values in used for value in values]

    def meant(self, names: Iterable[str]) -> str:
        """The end of a refusal: which of these names may have been meant; empty where one was said whole."""
        said = (self.excursion or "").casefold()
        known = {name.casefold(): name for name in names}
        likely = [name for name in known if said in name][:3] or near(said, known)
        if not said or said in known:
            return ""
        return did_you_mean([plain(known[one], most=80) for one in likely])

    def _end(self) -> str | None:
        """Return the last instant as text that every instant of its day comes before."""
        return None if self.until is None else self.until + ("" if "T" in self.until else "~")

    def holds(self, one: Excursion) -> bool:
        """Whether an excursion is asked for."""
        zero, end = "" if one.zero is None else format_instant(one.zero), self._end()
        return (
            (self.excursion is None or one.excursion.casefold() == self.excursion.casefold())
            and (self.plan is None or one.plan_sha256.startswith(self.plan))
            and (self.since is None or (zero != "" and zero >= self.since))
            and (end is None or (zero != "" and zero <= end))
            and self.rehearsals in (None, one.rehearsal)
            and (not self._of_steps or any(self._takes(one, row) for row in one.steps))
        )

    @property
    def _of_steps(self) -> bool:
        return (self.crew, self.work, self.task, self.step) != (None,) * 4

    def _takes(self, one: Excursion, row: StepRow) -> bool:
        names = {group.title.casefold(): group.name for group in one.totals.crew}
        crew = None if self.crew is None else names.get(self.crew.casefold(), self.crew)
        return (
            (crew is None or crew in row.crew)
            and self.work in (None, row.work)
            and self.task in (None, row.task)
            and self.step in (None, row.step)
        )

    def narrowed(self, one: Excursion) -> Excursion:
        """Return a debrief with the steps that are asked for, and what these add up to.

        With all of them everybody has waited as their time says, whichever version a season has it from.
        """
        if not self._of_steps:
            spent = {each.crew: each for each in one.totals.spent}
            crew = tuple(own(group, spent[group.name]) for group in one.totals.crew if group.name in spent)
            return replace(one, totals=replace(one.totals, crew=crew))
        names = {group.name: group.title for group in one.totals.crew}
        rows = tuple(row for row in one.steps if self._takes(one, row))
        steps = {row.step for row in rows}
        crew = by_crew(rows, [each for each in one.stretches if each.step in steps], names)
        totals = replace(one.totals, tasks=by_task(rows), crew=crew, work=by_work(rows))
        return replace(one, steps=rows, totals=totals)
