"""What the remaining steps take from each account, a second and beyond waiting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.journal.progress import Progress, StepState
from tracker.plan.model import Consumable

JOULES = 1e-6
"""Megajoules in a joule."""

Rates = Mapping[tuple[str, str], NDArray[np.float32]]
"""Per owner (a crew member, or `*` for a shared store) and consumable (steps,): units a second."""


def owners(consumable: Consumable) -> tuple[str, ...]:
    """Return whose accounts a consumable has."""
    return ("*",) if consumable.shared else consumable.crew


def members_of(consumable: Consumable, owner: str) -> tuple[str, ...]:
    """Return the crew members whose use counts in an account."""
    return consumable.crew if consumable.shared else (owner,)


def extra_rates(
    progress: Progress,
    steps: Sequence[StepState],
    crews: Mapping[str, Sequence[str]],
    inside: Mapping[str, float],
) -> Rates:
    """Return what each remaining step takes beyond waiting, for every account.

    `crews` says who does each step, `inside` who is inside and takes nothing any more.
    """
    efforts = {c: _efforts(steps, crews, c) for c in progress.plan.outside}
    own = [(i, state.step.use) for i, state in enumerate(steps) if state.step.use]
    out = {}
    for consumable in progress.plan.consumables:
        factor = np.ones(len(steps))
        for i, use in own:
            factor[i] = use.get(consumable.id, 1.0)
        for owner in owners(consumable):
            outside = [efforts[c] for c in members_of(consumable, owner) if c not in inside]
            out[owner, consumable.id] = _extra(consumable, progress.plan.rest_w, factor, outside)
    return out


def _efforts(
    steps: Sequence[StepState], crews: Mapping[str, Sequence[str]], member: str
) -> NDArray[np.float64]:
    """Return (steps,): watts of this crew member in each step, NaN where they have no part in it."""
    watts = [s.step.effort_of(member) if member in crews[s.step.id] else math.nan for s in steps]
    return np.array(watts, dtype=np.float64)


def _extra(
    consumable: Consumable,
    rest_w: float,
    factor: NDArray[np.float64],
    efforts: Sequence[NDArray[np.float64]],
) -> NDArray[np.float32]:
    """Return (steps,): units a second beyond waiting, with each step's own `factor` on its use."""
    clock, energy = consumable.per_hour / 3600.0, consumable.per_megajoule * JOULES
    out, anyone = np.zeros(len(factor)), np.zeros(len(factor), dtype=np.bool_)
    for watts in efforts:
        there = ~np.isnan(watts)
        anyone |= there
        out += np.where(there, energy * (factor * np.nan_to_num(watts) - rest_w), 0.0)
    out += np.where(anyone, clock * (factor - 1.0), 0.0)
    return out.astype(np.float32)
