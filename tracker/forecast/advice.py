"""What to keep, decide and drop, by when, and when to turn back: advice, which a person follows or not.

Why a task is advised to be kept, decided or dropped, in plain words with figures.

When dropping optional work is not enough: what giving up each must task would win back.

A must task given up is a supposed event like any other, so what it leaves to be closed stays in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tracker.forecast.hysteresis import names, steady
from tracker.forecast.last_call import Start, first_step, starts
from tracker.forecast.limits import (
    ChanceConstraint,
    binding,
    going_on,
    limit_results,
    with_dependents,
    with_needs,
)
from tracker.forecast.prior import PacePrior
from tracker.forecast.task_sets import Judge, Outcome
from tracker.forecast.turn_back import turn_back
from tracker.forecast.values import Advice, OptionalFigure, Verdict
from tracker.forecast.world import World
from tracker.foundation.text import percent
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, homebound


def reason(
    judge: Judge, m: int, kept: frozenset[int], verdict: Verdict, call: float | None, in_time: float
) -> str:
    """Return one sentence for one optional task; `call` is its last call as PET seconds."""
    if verdict == "keep":
        return _keep(judge, m, kept, call)
    if missing := _missing_need(judge, m, kept):
        return f"needs {missing}, which is not kept"
    if not judge.meets((), ChanceConstraint.of(judge.world)):
        return f"even with no optional work the chance to stay inside every limit is {_safe(judge, ())}"
    clock = _clock_runs_out(judge, kept | with_needs(judge.world.optional, [m]))
    if first_step(judge.world, m) is None:
        return f"its last step is under way; {clock or f'with it the chance is {_with(judge, m, kept)}'}"
    if verdict == "drop" and call is None:
        if clock:
            return clock
        return f"no start would do: with it the chance to stay inside every limit is {_with(judge, m, kept)}"
    if verdict == "drop":
        reached = percent(in_time, floor=True)
        return f"reached by its last call {format_pet(call)} in only {reached} of the scenarios"
    return _decide(judge, m, kept, call)


def _keep(judge: Judge, m: int, kept: frozenset[int], call: float | None) -> str:
    safe = f"with all that is kept the chance to stay inside every limit is {_safe(judge, kept)}"
    if first_step(judge.world, m) is None:
        return f"its last step is under way; {safe}"
    return f"{safe}; last call {format_pet(call)}" if call is not None else safe


def _decide(judge: Judge, m: int, kept: frozenset[int], call: float | None) -> str:
    """Say what speaks against keeping it now, and how long that may wait."""
    by = "" if call is None else f"; can wait until {format_pet(call)}"
    with_it = kept | with_needs(judge.world.optional, [m])
    if clock := _clock_runs_out(judge, with_it):
        return f"{clock}{by}"
    if judge.meets(with_it, ChanceConstraint.of(judge.world, entering=True)):
        # Between events nothing is taken in: what is kept then only shrinks.
        return f"with it the chance is {_with(judge, m, kept)}, enough to add it at the next event{by}"
    if judge.meets(with_it, ChanceConstraint.of(judge.world)):
        return f"with it the chance is {_with(judge, m, kept)}, not enough above what is wanted to add it{by}"
    return f"with it the chance is {_with(judge, m, kept)}, {_wanted(judge)} is wanted{by}"


def _clock_runs_out(judge: Judge, tasks: frozenset[int]) -> str:
    clock = _late_clock(judge, tasks)
    return f"with it the hardware clock of {clock} is too likely to run out" if clock else ""


def _late_clock(judge: Judge, tasks: frozenset[int]) -> str | None:
    """Return the step of a hardware clock that these tasks make too likely to run out."""
    world, wanted = judge.world, ChanceConstraint.of(judge.world)
    if not wanted.met(judge.outcome(tasks).failing):
        return None
    pairs = zip(world.clocks, judge.outcome(tasks).clocks_late, judge.outcome(()).clocks_late, strict=True)
    for clock, late, least in pairs:
        if late > max(wanted.clock, least):
            return world.nodes[clock.node].step
    return None


def _missing_need(judge: Judge, m: int, kept: frozenset[int]) -> str | None:
    optional = judge.world.optional
    missing = with_needs(optional, [m]) - kept - {m}
    return optional[min(missing)].task if missing else None


def _safe(judge: Judge, tasks: frozenset[int] | tuple[()]) -> str:
    return percent(judge.outcome(tasks).share_safe, floor=True)


def _with(judge: Judge, m: int, kept: frozenset[int]) -> str:
    return percent(judge.outcome(kept | with_needs(judge.world.optional, [m])).share_safe, floor=True)


def _wanted(judge: Judge) -> str:
    world = judge.world
    if world.confidence_joint:
        return percent(world.confidence_elapsed, None)
    consumables = percent(world.confidence_consumables, None)
    return f"{percent(world.confidence_elapsed, None)} (consumables {consumables})"


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
        short = when_short(progress, judge, prior=prior)
    return Advice(
        at=world.now if now is None else now,
        kept=names(world, kept),
        optional=figures(judge, kept),
        turn_back=turn_back(
            judge, going_on(world.optional, names(world, kept)), homebound=homebound(progress)
        ),
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
        finishing = judge.meets(kept | with_needs(world.optional, [m]), ChanceConstraint.of(world))
        return "decide" if finishing else "drop"
    return "drop" if start.hopeless(world) else "decide"


@dataclass(frozen=True, slots=True)
class Gain:
    """What giving up one must task, with those that need it, wins back."""

    task: str
    others: tuple[str, ...]
    """Must tasks that need it, and go with it."""
    safe: float
    """Share of scenarios that break nothing without them."""
    earlier_s: float
    """By how much the median ingress is earlier."""


def when_short(progress: Progress, judge: Judge, *, prior: PacePrior | None) -> tuple[str, ...]:
    """Return plain words for the case that not even dropping all optional work is enough."""
    gains = must_gains(progress, judge, prior=prior)
    lines = [_plainly(judge)]
    base = judge.outcome(()).share_safe
    for gain in gains:
        need = "needs" if len(gain.others) == 1 else "need"
        others = f" (with {', '.join(gain.others)}, which {need} it)" if gain.others else ""
        chance = f"chance {percent(base, floor=True)} to {percent(gain.safe, floor=True)}"
        lines.append(f"Without {gain.task}{others}: {chance}, inside {format_pet(gain.earlier_s)} earlier.")
    lines.append(_enough(progress, judge, gains, prior=prior))
    return tuple(lines)


def must_gains(progress: Progress, judge: Judge, *, prior: PacePrior | None) -> list[Gain]:
    """Return every must task by what giving it up wins: the chance, then the median ingress.

    One that takes all the others with it is left out while there are others: it is no choice among them.
    """
    before = judge.outcome(())
    gains = []
    musts = _musts(progress)
    for task in musts:
        others = tuple(other for other in _needing(progress, task) if other != task)
        if others and len(others) == len(musts) - 1:
            continue
        after = _without(progress, judge.world, [task, *others], prior=prior).outcome(())
        gains.append(Gain(task, others, after.share_safe, _earlier(before, after)))
    # A sort keeps the plan's order among equals.
    return sorted(gains, key=lambda gain: (-gain.safe, -gain.earlier_s))


def _earlier(before: Outcome, after: Outcome) -> float:
    gain = before.median - after.median
    return gain if abs(gain) < 1e9 else 0.0


def _musts(progress: Progress) -> list[str]:
    return [
        name
        for name, state in progress.tasks.items()
        if state.status in ("open", "begun") and not state.task.closeout and not state.optional
    ]


def _needing(progress: Progress, task: str) -> list[str]:
    """Return the must tasks that need this one, directly or not, in the plan's order."""
    found = {task}
    grew = True
    while grew:
        more = {
            progress.steps[step].step.task
            for step, needs in progress.needs.items()
            if any(progress.steps[need].step.task in found for need in needs)
        }
        grew = not more <= found
        found |= more
    return [name for name in _musts(progress) if name in found]


def _without(progress: Progress, world: World, tasks: Iterable[str], *, prior: PacePrior | None) -> Judge:
    from tracker.forecast.remaining import build_world

    supposed = progress.suppose(*({"kind": "dropped", "task": task} for task in tasks))
    return Judge(
        build_world(supposed, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory)
    )


def _plainly(judge: Judge) -> str:
    world = judge.world
    present = world.present(())
    worst = binding(limit_results(world, present, judge.course(())))
    named = f"; most likely to be broken: {worst.id}" if worst is not None else ""
    wanted = percent(world.confidence_elapsed, None)
    if not world.confidence_joint:
        wanted += f" for elapsed limits and {percent(world.confidence_consumables, None)} for consumables"
    chance = percent(judge.outcome(()).share_safe, floor=True)
    return (
        f"Dropping all optional work is not enough: chance to stay inside every limit {chance}, "
        f"wanted {wanted}{named}."
    )


def _enough(progress: Progress, judge: Judge, gains: Sequence[Gain], *, prior: PacePrior | None) -> str:
    """Say which shortest beginning of the list restores the confidence, or that none does."""
    given_up: list[str] = []
    for gain in gains:
        given_up += [task for task in (gain.task, *gain.others) if task not in given_up]
        less = _without(progress, judge.world, given_up, prior=prior)
        if less.meets((), ChanceConstraint.of(less.world)):
            return f"Giving up {', '.join(given_up)} would be enough."
    if not gains:
        return "There is no must task left to give up: closeout alone remains."
    return "Not even giving up all of these would be enough: come home now and ask for a later limit."
