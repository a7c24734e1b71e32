"""A simulated excursion, advised at every tick and every minute: how often what is kept changes."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from tests.bench.large import large
from tests.bench.large_text import Size
from tracker.forecast.earlier_instants import names, steady
from tracker.forecast.kept_set import kept_set
from tracker.forecast.limits import ChanceConstraint
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.journal.event_checks import admit
from tracker.journal.progress import Progress

_SCENARIOS = 1000
_LATER = datetime(2041, 1, 1, tzinfo=UTC)


@dataclass
class Changes:
    """Changes of membership in the kept set over one excursion, and what was kept."""

    hours: float = 0.0
    plain: int = 0
    steady: int = 0
    value: float = 0.0
    best: float = 0.0
    broken: int = 0
    """Instants at which what was shown does not hold although something does."""


def changes(seed: int) -> Changes:
    """Play one excursion of 100 steps with 5 optional tasks; what is not kept when due is dropped."""
    rng = random.Random(seed)
    progress, _ = large(100 + seed, Size(5, steps=100), scenarios=1000)
    pace = rng.lognormvariate(0.05, 0.12)
    out = Changes()
    before: tuple[frozenset[str], frozenset[str]] | None = None
    for _ in range(400):
        tick = _next_tick(progress, rng, pace)
        if tick is None:
            break
        minutes = [at for at in range(int(progress.at) + 60, tick["at"], 60) if before is not None]
        after = _told(progress, tick)
        for state, at in [*((progress, at) for at in minutes), (after, after.at)]:
            now = _advised(state, at, out)
            if now is None:
                out.hours = state.at / 3600
                return out
            if before is not None:
                gone = set(state.tasks) - _optional(state)
                out.plain += len((before[0] ^ now[0]) - gone)
                out.steady += len((before[1] ^ now[1]) - gone)
            before = now
        assert before is not None
        progress = _drop_what_is_due(after, before[1])
    out.hours = progress.at / 3600
    return out


def _told(progress: Progress, event: Mapping[str, Any]) -> Progress:
    return admit(progress.fold, event, utc_now=_LATER, seat="desk")[1].progress()


def _next_tick(progress: Progress, rng: random.Random, pace: float) -> dict[str, Any] | None:
    """Return the done that comes next: every step's true time is drawn from the excursion's own seed."""
    ends = []
    for step in dict.fromkeys(s for s in progress.current.values() if s is not None):
        state = progress.steps[step]
        if progress.missing(step) or state.running_since is None:
            continue
        own = random.Random(f"{progress.uuid} {step} {pace}")
        seconds = state.step.time.likely * pace * own.lognormvariate(0, 0.3)
        ends.append((max(state.running_since + seconds, progress.at), step))
    if not ends:
        return None
    end, step = min(ends)
    return {"kind": "done", "step": step, "at": math.ceil(end)}


def _advised(progress: Progress, now: float, out: Changes) -> tuple[frozenset[str], frozenset[str]] | None:
    """Return what is kept without the rule and with it; None when nothing optional is left."""
    world = build_world(progress, now=now, scenarios=_SCENARIOS)
    if not world.optional:
        return None
    judge = TaskSets(world)
    plain = kept_set(judge)
    ruled = steady(progress, judge, prior=None).kept
    out.best += sum(world.optional[m].value for m in plain.tasks)
    out.value += sum(world.optional[m].value for m in ruled.tasks)
    out.broken += plain.holds and not judge.meets(ruled.tasks, ChanceConstraint.of(world))
    return names(world, plain.tasks), names(world, ruled.tasks)


def _optional(progress: Progress) -> set[str]:
    return {name for name, state in progress.tasks.items() if state.optional}


def _drop_what_is_due(progress: Progress, kept: frozenset[str]) -> Progress:
    """Drop an optional task that is not kept when somebody has come to it."""
    for step in dict.fromkeys(s for s in progress.current.values() if s is not None):
        task = progress.steps[step].step.task
        if progress.tasks[task].optional and task not in kept and progress.tasks[task].status != "dropped":
            progress = _told(progress, {"kind": "dropped", "task": task, "at": progress.at})
    return progress
