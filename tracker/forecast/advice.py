"""Advice, which a person follows or not: what to keep, decide and drop, by when, and when to turn back.

Each optional task has a verdict and a sentence with figures that says why. When dropping optional work is
not enough, the must tasks are ordered by what giving each of them up would win back: supposed like any
other event, so what it leaves to be closed stays in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tracker.forecast.hysteresis import names, steady
from tracker.forecast.last_call import LastCall, first_step, last_calls
from tracker.forecast.limits import (
    ChanceConstraint,
    binding,
    going_on,
    limit_results,
    need_of,
    with_dependents,
    with_needs,
)
from tracker.forecast.prior import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import Outcome, TaskSets
from tracker.forecast.turn_back import turn_back
from tracker.forecast.values import Advice, OptionalFigure, Verdict
from tracker.forecast.world import World
from tracker.foundation.text import percent, percent_asked
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress, all_called, supposed_at
from tracker.plan.graph import closure


def reason(
    sets: TaskSets, m: int, kept: frozenset[int], verdict: Verdict, call: float | None, in_time: float
) -> str:
    """One sentence for one optional task; `call` is its last call as PET seconds."""
    if verdict == "keep":
        return _keep(sets, m, kept, call)
    if missing := _missing_need(sets, m, kept):
        return f"needs {missing}, which is not kept"
    if not sets.meets((), ChanceConstraint.of(sets.world)):
        return f"even with no optional work the chance to stay inside every limit is {_safe(sets, ())}"
    clock = _clock_runs_out(sets, kept | with_needs(sets.world.optional, [m]))
    if first_step(sets.world, m) is None:
        return f"its last step is under way; {clock or f'with it the chance is {_with(sets, m, kept)}'}"
    if verdict == "drop" and call is None:
        if clock:
            return clock
        return f"no start would do: with it the chance to stay inside every limit is {_with(sets, m, kept)}"
    if verdict == "drop":
        reached = percent(in_time)
        return f"reached by its last call {format_pet(call)} in only {reached} of the scenarios"
    return _decide(sets, m, kept, call)


def _keep(sets: TaskSets, m: int, kept: frozenset[int], call: float | None) -> str:
    safe = f"with all that is kept the chance to stay inside every limit is {_safe(sets, kept)}"
    if first_step(sets.world, m) is None:
        return f"its last step is under way; {safe}"
    return f"{safe}; last call {format_pet(call)}" if call is not None else safe


def _decide(sets: TaskSets, m: int, kept: frozenset[int], call: float | None) -> str:
    """Say what speaks against keeping it now, and how long that may wait."""
    by = "" if call is None else f"; can wait until {format_pet(call)}"
    with_it = kept | with_needs(sets.world.optional, [m])
    if clock := _clock_runs_out(sets, with_it):
        return f"{clock}{by}"
    if sets.meets(with_it, ChanceConstraint.of(sets.world, entering=True)):
        # Between events nothing is taken in: what is kept then only shrinks.
        return f"with it the chance is {_with(sets, m, kept)}, enough to add it at the next event{by}"
    if sets.meets(with_it, ChanceConstraint.of(sets.world)):
        return f"with it the chance is {_with(sets, m, kept)}, not enough above what is wanted to add it{by}"
    return f"with it the chance is {_with(sets, m, kept)}, {_wanted(sets)} is wanted{by}"


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


def _safe(sets: TaskSets, tasks: frozenset[int] | tuple[()]) -> str:
    return percent(sets.outcome(tasks).share_safe, need_of(sets.world))


def _with(sets: TaskSets, m: int, kept: frozenset[int]) -> str:
    return percent(sets.outcome(kept | with_needs(sets.world.optional, [m])).share_safe, need_of(sets.world))


def _wanted(sets: TaskSets) -> str:
    world = sets.world
    if world.confidence_joint:
        return percent_asked(world.confidence_elapsed)
    consumables = percent_asked(world.confidence_consumables)
    return f"{percent_asked(world.confidence_elapsed)} (consumables {consumables})"


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
        short = recovery_options(progress, sets, prior=prior)
    return Advice(
        at=world.now if now is None else now,
        kept=names(world, kept),
        optional=figures(sets, kept),
        turn_back=turn_back(
            sets, going_on(world.optional, names(world, kept)), homebound=all_called(progress)
        ),
        when_short=short,
        proven=found.kept.proven,
        raised=found.raised,
    )


def figures(sets: TaskSets, kept: Collection[int]) -> tuple[OptionalFigure, ...]:
    """The advice about every optional task, in the plan's order."""
    optional = sets.world.optional
    order = sorted(range(len(optional)), key=lambda m: (optional[m].place, m))
    chosen = frozenset(kept)
    found = last_calls(sets, chosen)
    return tuple(_figure(sets, m, chosen, found[m]) for m in order)


def _figure(sets: TaskSets, m: int, kept: frozenset[int], start: LastCall) -> OptionalFigure:
    world = sets.world
    verdict = _verdict(sets, m, kept, start)
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


def recovery_options(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> tuple[str, ...]:
    """Plain words for the case that not even dropping all optional work is enough."""
    gains = must_gains(progress, sets, prior=prior)
    lines = [_plainly(sets)]
    base = sets.outcome(()).share_safe
    for gain in gains:
        need = "needs" if len(gain.others) == 1 else "need"
        others = f" (with {', '.join(gain.others)}, which {need} it)" if gain.others else ""
        chance = f"chance {percent(base, need_of(sets.world))} to {percent(gain.safe, need_of(sets.world))}"
        lines.append(f"Without {gain.task}{others}: {chance}, inside {format_pet(gain.earlier_s)} earlier.")
    lines.append(_enough(progress, sets, gains, prior=prior))
    return tuple(lines)


def must_gains(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> list[Gain]:
    """Every must task by what giving it up now wins: the chance, then the median ingress."""
    before = sets.outcome(())
    gains = []
    for task, others in musts_given_up(progress):
        after = _without(progress, sets.world, [task, *others], prior=prior).outcome(())
        gains.append(Gain(task, others, after.share_safe, _earlier(before, after)))
    # A sort keeps the plan's order among equals.
    return sorted(gains, key=lambda gain: (-gain.safe, -gain.earlier_s))


def musts_given_up(progress: Progress) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield every must task ahead with those that need it, which go with it, in the plan's order.

    One that takes all the others with it is left out while there are others: it is no choice among them.
    """
    musts = _musts(progress)
    for task in musts:
        others = tuple(other for other in _needing(progress, task) if other != task)
        if not others or len(others) < len(musts) - 1:
            yield task, others


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
    """The must tasks that need this one, directly or not, in the plan's order."""
    of_step = {step: state.step.task for step, state in progress.steps.items()}
    needing: dict[str, set[str]] = {}
    for step, needs in progress.needs.items():
        for need in needs:
            needing.setdefault(of_step[need], set()).add(of_step[step])
    found = closure([task], lambda name: needing.get(name, ()))
    return [name for name in _musts(progress) if name in found]


def _without(progress: Progress, world: World, tasks: Iterable[str], *, prior: PacePrior | None) -> TaskSets:
    at = supposed_at(progress, world.now)
    supposed = progress.suppose(*({"kind": "dropped", "task": task, "at": at} for task in tasks))
    return TaskSets(
        build_world(supposed, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory)
    )


def _plainly(sets: TaskSets) -> str:
    world = sets.world
    present = world.present(())
    worst = binding(limit_results(world, present, sets.course(())))
    named = f"; most likely to be broken: {worst.id}" if worst is not None else ""
    wanted = percent_asked(world.confidence_elapsed)
    if not world.confidence_joint:
        wanted += f" for elapsed limits and {percent_asked(world.confidence_consumables)} for consumables"
    chance = percent(sets.outcome(()).share_safe, need_of(world))
    return (
        f"Dropping all optional work is not enough: chance to stay inside every limit {chance}, "
        f"wanted {wanted}{named}."
    )


def _enough(progress: Progress, sets: TaskSets, gains: Sequence[Gain], *, prior: PacePrior | None) -> str:
    """Say which shortest beginning of the list restores the confidence, or that none does."""
    given_up: list[str] = []
    for gain in gains:
        given_up += [task for task in (gain.task, *gain.others) if task not in given_up]
        less = _without(progress, sets.world, given_up, prior=prior)
        if less.meets((), ChanceConstraint.of(less.world)):
            return f"Giving up {', '.join(given_up)} would be enough."
    if not gains:
        return "There is no must task left to give up: closeout alone remains."
    return "Not even giving up all of these would be enough: come home now and ask for a later limit."
