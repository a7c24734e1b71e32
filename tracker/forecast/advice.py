"""Advice, which a person follows or not: what to keep, decide and drop, by when, and when to turn back.

Each optional task has a verdict and a sentence with figures that says why.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from tracker.forecast.earlier_instants import names, steady
from tracker.forecast.last_call import LastCall, first_step, last_calls
from tracker.forecast.later import put_off
from tracker.forecast.limits import (
    ChanceConstraint,
    going_on,
    need_of,
    with_dependents,
    with_needs,
)
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import ranged
from tracker.forecast.recovery import recovery, recovery_words
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.turn_back import turn_back
from tracker.forecast.values import Advice, OptionalFigure, TurnBack, Verdict
from tracker.forecast.was_due import was_due
from tracker.forecast.world import World
from tracker.foundation.shown import pet_down
from tracker.foundation.text import percent, percent_asked
from tracker.journal.progress import Progress, all_called, supposed_at


def reason(
    sets: TaskSets, m: int, kept: frozenset[int], verdict: Verdict, call: float | None, in_time: float
) -> str:
    """One sentence for one optional task; `call` is its last call as PET seconds."""
    if verdict == "keep":
        return _keep(sets, m, kept, call)
    if verdict == "later":
        reached = f"in time with a chance of {percent(in_time)}"
        return f"at the end it can start until {pet_down(call)}, {reached}: putting it off costs nothing"
    if missing := _missing_need(sets, m, kept):
        return f"needs {missing}, which is not kept"
    if not sets.meets((), ChanceConstraint.of(sets.world)):
        return f"even with nothing optional the {_chance(sets, ())}"
    clock = _clock_runs_out(sets, kept | with_needs(sets.world.optional, [m]))
    if first_step(sets.world, m) is None:
        return f"its last step is under way; {clock or f'with it the {_with(sets, m, kept)}'}"
    if verdict == "drop" and call is None:
        return clock or f"cannot fit: with it the {_with(sets, m, kept)}"
    if verdict == "drop":
        return f"chance only {percent(in_time)} to be begun by {pet_down(call)}"
    return _decide(sets, m, kept, call)


def _keep(sets: TaskSets, m: int, kept: frozenset[int], call: float | None) -> str:
    safe = f"with all that is kept the {_chance(sets, kept)}"
    if first_step(sets.world, m) is None:
        return f"its last step is under way; {safe}"
    return f"{safe}; start by {pet_down(call)}" if call is not None else safe


def _decide(sets: TaskSets, m: int, kept: frozenset[int], call: float | None) -> str:
    """Say what speaks against keeping it now, and how long that may wait."""
    by = "" if call is None else f"; can wait until {pet_down(call)}"
    with_it = kept | with_needs(sets.world.optional, [m])
    if clock := _clock_runs_out(sets, with_it):
        return f"{clock}{by}"
    if sets.meets(with_it, ChanceConstraint.of(sets.world, entering=True)):
        # Between events nothing is taken in: what is kept then only shrinks.
        return f"with it the {_with(sets, m, kept)}: enough to add it at the next event{by}"
    if sets.meets(with_it, ChanceConstraint.of(sets.world)):
        return f"with it the {_with(sets, m, kept)}: not enough above it to add it unasked{by}"
    return f"with it the {_with(sets, m, kept)}{by}"


def _clock_runs_out(sets: TaskSets, tasks: frozenset[int]) -> str:
    clock = _late_clock(sets, tasks)
    return f"with it the hardware clock of {clock} is too likely to run out" if clock else ""


def _late_clock(sets: TaskSets, tasks: frozenset[int]) -> str | None:
    """The step of a hardware clock that these tasks make too likely to run out."""
    world, wanted = sets.world, ChanceConstraint.of(sets.world)
    if not wanted.met(sets.outcome(tasks).failing):
        return None
    pairs = zip(world.clocks, sets.outcome(tasks).clocks_late, sets.outcome(()).clocks_late, strict=True)
    for clock, late, least in pairs:
        if late > max(wanted.clock, least):
            return world.nodes[clock.node].step
    return None


def _missing_need(sets: TaskSets, m: int, kept: frozenset[int]) -> str | None:
    optional = sets.world.optional
    missing = with_needs(optional, [m]) - kept - {m}
    return optional[min(missing)].task if missing else None


def _chance(sets: TaskSets, tasks: Collection[int]) -> str:
    """The chance of keeping every limit with these tasks, beside what is needed."""
    world, found = sets.world, sets.outcome(tasks)
    if world.confidence_joint:
        return f"chance is {percent(found.share_safe, need_of(world))}, need {_need(world)}"
    return f"chance is {percent(found.share_safe)}, need {_need(world)}"


def _need(world: World) -> str:
    limits = percent_asked(world.confidence_elapsed)
    if world.confidence_joint:
        return limits
    return f"{limits} of elapsed limits, {percent_asked(world.confidence_consumables)} of stores"


def _with(sets: TaskSets, m: int, kept: frozenset[int]) -> str:
    return _chance(sets, kept | with_needs(sets.world.optional, [m]))


def advise(
    progress: Progress, world: World, *, now: float | None = None, prior: PacePrior | None = None
) -> Advice:
    """The advice for a world that was built from this progress.

    `now`: PET seconds, the world's own instant by default. `prior`: the belief about pace with which
    the world was drawn; None is the journal's own.
    """
    sets = TaskSets(world)
    found = steady(progress, sets, prior=prior)
    kept = found.kept.tasks
    short: tuple[str, ...] = ()
    if not found.kept.holds:
        short = recovery_words(sets, recovery(progress, sets, prior=prior))
    back = turn_back(sets, going_on(world.optional, names(world, kept)), homebound=all_called(progress))
    back = _if_called_now(progress, world, back, prior=prior)
    if back.latest is None and world.counted:
        back = replace(back, was_due=was_due(progress, world, prior=prior))
    return Advice(
        at=world.now if now is None else now,
        kept=names(world, kept),
        optional=figures(sets, kept, put_off(progress, sets, kept, prior=prior)),
        turn_back=back,
        when_short=short,
        proven=found.kept.proven,
        raised=found.raised,
        chances=found.chances,
    )


def _if_called_now(progress: Progress, world: World, found: TurnBack, *, prior: PacePrior | None) -> TurnBack:
    """What a call home at this instant comes to, as the estimate says it once it is given."""
    if progress.zero is None or not world.counted or all_called(progress):
        return found
    at = supposed_at(progress, world.now)
    called = progress.suppose({"kind": "called", "call": "home", "at": at})
    made = build_world(called, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory)
    outcome = TaskSets(made).outcome(())
    made.memory.give_back(made.durations)
    inside = ranged(outcome.inside, base=world.now, mean=True)
    return replace(found, inside_if_now=inside, safe_if_now=outcome.share_safe)


def figures(
    sets: TaskSets, kept: Collection[int], later: Mapping[int, LastCall]
) -> tuple[OptionalFigure, ...]:
    """The advice about every optional task, in the plan's order.

    `later`: the last call at the end of those that had better be put off.
    """
    optional = sets.world.optional
    order = sorted(range(len(optional)), key=lambda m: (optional[m].place, m))
    chosen = frozenset(kept)
    found = last_calls(sets, chosen)
    return tuple(_figure(sets, m, chosen, later.get(m, found[m]), later=m in later) for m in order)


def _figure(sets: TaskSets, m: int, kept: frozenset[int], start: LastCall, *, later: bool) -> OptionalFigure:
    world = sets.world
    verdict: Verdict = "later" if later else _verdict(sets, m, kept, start)
    with_it = kept | with_needs(world.optional, [m])
    without = kept - with_dependents(world.optional, [m])
    cost = sets.median(with_it) - sets.median(without)
    call = None if start.last_call is None else world.now + start.last_call
    return OptionalFigure(
        task=world.optional[m].task,
        advice=verdict,
        last_call=call,
        in_time=start.in_time,
        cost=cost if np.isfinite(cost) else 0.0,
        begun=world.optional[m].begun,
        reason=reason(sets, m, kept, verdict, call, start.in_time),
        place="last" if later else None,
    )


def _verdict(sets: TaskSets, m: int, kept: frozenset[int], start: LastCall) -> Verdict:
    """Keep what is in the kept set; drop what no start would fit or what will hardly be in time."""
    if m in kept:
        return "keep"
    world = sets.world
    if first_step(world, m) is None:
        # Its last step is under way: dropping it means breaking it off now.
        finishing = sets.meets(kept | with_needs(world.optional, [m]), ChanceConstraint.of(world))
        return "decide" if finishing else "drop"
    return "drop" if start.hopeless(world) else "decide"
