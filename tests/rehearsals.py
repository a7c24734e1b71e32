"""Rehearsals played in memory, looked at again tick by tick."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from tests.journal.memory_store import in_memory
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

EXACT_S = 5.0
"""So long after an event it is looked."""


def ticks(
    plan: Plan, seed: int, *, wanted: Collection[str] = ("random",)
) -> Iterator[tuple[Progress, float]]:
    """Yield what was known a moment after each event of a rehearsal with surprises, and that PET."""
    journal = in_memory(plan, seed=seed_of_scenarios(plan, seed), rehearsal=True)
    Rehearsal(journal, plan, seed, wanted=wanted).through()
    instants = sorted({event.at for event in journal.fold.recorded})
    for fold, at in zip(journal.fold.through(instants), instants, strict=True):
        progress = fold.progress()
        if progress.zero is not None and progress.closed is None:
            yield progress, at + EXACT_S
