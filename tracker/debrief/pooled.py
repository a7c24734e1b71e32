"""Several excursions added up: a row each, and tasks, crew and kinds of work over all of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracker.debrief.excursion import Excursion
from tracker.debrief.judged import Judgement, judgement
from tracker.debrief.totals import Group, pooled


@dataclass(frozen=True, slots=True)
class Pooled:
    """What several excursions have in common; seconds."""

    excursions: int
    tasks: tuple[Group, ...]
    crew: tuple[Group, ...]
    work: tuple[Group, ...]
    judgement: Judgement | None


def pool(every: Sequence[Excursion]) -> Pooled:
    """Return the sums over excursions; the same task, crew member or kind of work by its name."""
    return Pooled(
        excursions=len(every),
        tasks=pooled(group for one in every for group in one.totals.tasks),
        crew=pooled(group for one in every for group in one.totals.crew),
        work=pooled(group for one in every for group in one.totals.work),
        judgement=_judgement(every),
    )


def _judgement(every: Iterable[Excursion]) -> Judgement | None:
    found = [
        (one.judgement, one.inside) for one in every if one.judgement is not None and one.inside is not None
    ]
    moments = [(moment, end) for judged, end in found for moment in judged.moments]
    scenarios = min((judged.scenarios for judged, _ in found), default=0)
    return judgement([moment for moment, _ in moments], [end for _, end in moments], scenarios)
