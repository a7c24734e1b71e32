"""When dropping optional work is not enough: what giving up each must task would win back.

A must task given up is a supposed event like any other, so what it leaves to be closed stays in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracker.forecast.demand import demand
from tracker.forecast.judge import Judge, Outcome
from tracker.forecast.limits import binding, standings
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.reasons import percent
from tracker.forecast.world import World
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress


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
        chance = f"chance {percent(base)} to {percent(gain.safe)}"
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
    return Judge(build_world(supposed, now=world.now, scenarios=world.scenarios, prior=prior))


def _plainly(judge: Judge) -> str:
    world = judge.world
    present = world.present(())
    worst = binding(standings(world, present, judge.course(())))
    named = f"; most likely to be broken: {worst.id}" if worst is not None else ""
    wanted = f"{world.confidence_elapsed * 100:g} %"
    if not world.confidence_joint:
        wanted += f" for elapsed limits and {world.confidence_consumables * 100:g} % for consumables"
    chance = percent(judge.outcome(()).share_safe)
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
        if less.meets((), demand(less.world)):
            return f"Giving up {', '.join(given_up)} would be enough."
    if not gains:
        return "There is no must task left to give up: closeout alone remains."
    return "Not even giving up all of these would be enough: come home now and ask for a later limit."
