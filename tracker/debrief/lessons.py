"""A pace prior from journals: which of them count, and what each one taught."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields, replace
from pathlib import Path

from tracker.debrief.consumed import consumed
from tracker.debrief.excursion import crew_inside
from tracker.debrief.journals import read_journals, say
from tracker.debrief.learn import learn
from tracker.forecast.prior import PacePrior
from tracker.foundation.errors import TrackerError
from tracker.journal.progress import Progress

DECIMALS = 4


def lessons(paths: Sequence[str | Path], *, rehearsals: bool = False) -> PacePrior:
    """Return what the journals teach; a rehearsal only counts when asked for.

    Raises TrackerError when a journal cannot be read or none of them has a finished step.
    """
    used: list[Progress] = []
    learned_from: list[dict[str, object]] = []
    for path, progress in read_journals(paths):
        steps = sum(len(seen.steps) for seen in progress.observations)
        if progress.rehearsal and not rehearsals:
            say(f"{path}: a rehearsal; left out (--rehearsals takes it in)")
        elif not steps:
            say(f"{path}: no step is finished; left out")
        else:
            used.append(progress)
            learned_from.append({"journal": path.name, "sha256": _digest(path), "steps": steps})
    if not used:
        raise TrackerError("no journal to learn from; give journals with finished steps")
    factors = [factor for progress in used for factor in _use_factors(progress)]
    return _rounded(learn(used, use_factors=factors, learned_from=learned_from))


def _rounded(prior: PacePrior) -> PacePrior:
    """Return a prior in four decimals, more than any number of excursions can tell: a file for people."""
    numbers = {
        field.name: round(value, DECIMALS)
        for field in fields(prior)
        if isinstance(value := getattr(prior, field.name), float)
    }
    own = {
        name: {
            key: (round(median, DECIMALS), round(spread, DECIMALS)) for key, (median, spread) in group.items()
        }
        for name, group in (("crew", prior.crew), ("work", prior.work))
    }
    weights = tuple(round(weight, DECIMALS) for weight in prior.weights)
    return replace(prior, weights=weights, **numbers, **own)  # type: ignore[arg-type]


def _digest(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _use_factors(progress: Progress) -> list[float]:
    """Return the use factor of every store that was read."""
    end = progress.at if progress.closed is None else progress.closed
    arrived = {c: end if at is None else at for c, at in crew_inside(progress).items()}
    everybody = {member.id: arrived.get(member.id, end) for member in progress.plan.crew}
    return [store.factor for store in consumed(progress, everybody) if store.readings]
