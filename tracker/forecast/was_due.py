"""When turn-back was due, once there is none any more: the last one that the events before still allowed."""

from __future__ import annotations

from collections import OrderedDict

from tracker.forecast.earlier_instants import Past, past_of
from tracker.forecast.limits import going_on
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import latest_call
from tracker.forecast.world import World
from tracker.journal.progress import Progress, all_called

_MOST = 256
"""Instants remembered."""


class _Known(OrderedDict[object, float | None]):
    """The turn-back of instants looked at."""


def was_due(progress: Progress, world: World, *, prior: PacePrior | None) -> float | None:
    """The last turn-back before the instant of a world, PET; None where none was found.

    Looked for from the last instant with news at which somebody outside was not yet called, backwards over
    the instants that the advice of that moment was walked over.
    """
    before = _not_all_called(progress, world, prior)
    if before is None:
        return None
    past, last = past_of(before, world, prior)
    for k in range(last, past.start - 1, -1):
        if past.instants[k] < world.now and (found := _turn_back(past, k)) is not None:
            return found
    return None


def _not_all_called(progress: Progress, world: World, prior: PacePrior | None) -> Progress | None:
    """The progress at the last instant with news at which not everybody was called home."""
    if not all_called(progress):
        return progress
    past, last = past_of(progress, world, prior)
    for k in range(last, -1, -1):
        then = progress.fold.until(at=past.instants[k]).progress()
        if not all_called(then):
            return then
    return None


def _turn_back(past: Past, k: int) -> float | None:
    """The turn-back as it was at an instant with news."""
    known, key = past.memory.of(_Known), past.key(k)
    if key not in known:
        at = past.instants[k]
        then = past.progress.fold.until(at=at).progress()
        now = max(at, then.at)
        world = build_world(then, now=now, scenarios=past.scenarios, prior=past.prior, memory=past.memory)
        known[key] = latest_call(TaskSets(world), going_on(world.optional, past.after(k).kept))
        past.memory.give_back(world.durations)
        while len(known) > _MOST:
            known.popitem(last=False)
    return known[key]
