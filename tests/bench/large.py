"""Large plans for measuring: 300 steps, two crew members, windows, four consumables each."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from tests.bench.large_text import STORES, Size, plan_text, random_tasks
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world
from tracker.forecast.world import World, advance, begin, inside
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress
from tracker.plan.read import parse_plan


def large(seed: int, size: Size | None = None, *, scenarios: int = 10_000) -> tuple[Progress, World]:
    """Return an excursion at its zero, whose limit leaves room for a part of the optional work.

    A fifth of the steps are joint, a tenth have needs, a fifth wait for a window that is open 70 of 92
    minutes.
    """
    size = size or Size()
    rng = random.Random(seed)
    tasks = random_tasks(rng, size)
    free = progress_of(plan_text(tasks, 40 * 3600, (9.0,) * 4))
    world = build_world(free, now=0, scenarios=scenarios)
    low, high = (_end(world, kept) for kept in ((), range(len(world.optional))))
    limit = int(low + (high - low) * rng.uniform(0.3, 0.8))
    room = tuple(rng.uniform(1.3, 1.6) * limit / 3600 for _ in STORES)
    made = progress_of(plan_text(tasks, limit, room))
    return made, build_world(made, now=0, scenarios=scenarios)


def progress_of(text: str) -> Progress:
    """Return the progress of a plan whose clock has just started."""
    fold = Fold.start(parse_plan(text, file="large.yaml", name="large"), uuid="0c6f2a34-large")
    zero = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}
    return admit(fold, zero, utc_now=datetime(2041, 1, 1, tzinfo=UTC), seat="desk")[1].progress()


def _end(world: World, kept: Sequence[int]) -> float:
    return one(inside(world, advance(world, begin(world), world.present(kept))), 0.9)


def whole_seconds(world: World) -> World:
    """Return the world with durations in whole seconds, for a solver of whole numbers."""
    return replace(world, durations=world.durations.round())
