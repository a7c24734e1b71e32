"""What to keep, decide and drop, by when, and when to turn back: advice, which a person follows or not."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from tracker.forecast.demand import demand, going_on, with_dependents, with_needs
from tracker.forecast.homebound import homebound
from tracker.forecast.hysteresis import names, steady
from tracker.forecast.judge import Judge
from tracker.forecast.last_call import Start, first_step, starts
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.reasons import reason
from tracker.forecast.turn_back import turn_back
from tracker.forecast.values import Advice, OptionalFigure, Verdict
from tracker.forecast.world import World
from tracker.journal.progress import Progress


def advise(
    progress: Progress, world: World, *, now: float | None = None, prior: PacePrior | None = None
) -> Advice:
    """Return the advice for a world that was built from this progress.

    `now`: PET seconds, the world's own instant by default. `prior`: the belief about pace with which
    the world was drawn; None is the journal's own.
    """
    judge = Judge(world)
    found = steady(progress, judge, prior=prior)
    kept = found.kept.tasks
    short: tuple[str, ...] = ()
    if not found.kept.holds:
        from tracker.forecast.short import when_short

        short = when_short(progress, judge, prior=prior)
    return Advice(
        at=world.now if now is None else now,
        kept=names(world, kept),
        optional=figures(judge, kept),
        turn_back=turn_back(judge, going_on(world, names(world, kept)), homebound=homebound(progress)),
        when_short=short,
        proven=found.kept.proven,
        raised=found.raised,
    )


def figures(judge: Judge, kept: Collection[int]) -> tuple[OptionalFigure, ...]:
    """Return the advice about every optional task, in the plan's order."""
    optional = judge.world.optional
    order = sorted(range(len(optional)), key=lambda m: (optional[m].place, m))
    chosen = frozenset(kept)
    found = starts(judge, chosen)
    return tuple(_figure(judge, m, chosen, found[m]) for m in order)


def _figure(judge: Judge, m: int, kept: frozenset[int], start: Start) -> OptionalFigure:
    world = judge.world
    verdict = _verdict(judge, m, kept, start)
    with_it = kept | with_needs(world.optional, [m])
    without = kept - with_dependents(world.optional, [m])
    cost = judge.median(with_it) - judge.median(without)
    call = None if start.last_call is None else world.now + start.last_call
    return OptionalFigure(
        task=world.optional[m].task,
        advice=verdict,
        last_call=call,
        in_time=start.in_time,
        cost=cost if np.isfinite(cost) else 0.0,
        begun=world.optional[m].begun,
        reason=reason(judge, m, kept, verdict, call, start.in_time),
    )


def _verdict(judge: Judge, m: int, kept: frozenset[int], start: Start) -> Verdict:
    """Keep what is in the kept set; drop what no start would fit or what will hardly be in time."""
    if m in kept:
        return "keep"
    world = judge.world
    if first_step(world, m) is None:
        # Its last step is under way: dropping it means breaking it off now.
        finishing = judge.meets(kept | with_needs(world.optional, [m]), demand(world))
        return "decide" if finishing else "drop"
    return "drop" if start.hopeless(world) else "decide"
