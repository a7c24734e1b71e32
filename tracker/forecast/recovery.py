"""What to give up when dropping all optional work is not enough.

Must tasks are ranked by what giving each of them up wins back, the chance first, then the median ingress; the
shortest beginning of that order that restores the confidence is named, or that none does. Ranking looks at a
tenth of the scenarios of the world that stands. What is promised is an estimate of what the deed leaves,
supposed at the present instant: closers and needs as `dropped` leaves them, optional work as then advised.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tracker.forecast.earlier_instants import kept_now, names
from tracker.forecast.limits import ChanceConstraint, binding, breaches, going_on, limit_results, need_of
from tracker.forecast.network import keepers
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import Branch, TaskSets, played
from tracker.forecast.world import World
from tracker.forecast.world import inside as ingress
from tracker.foundation.shown import pet_up
from tracker.foundation.text import percent, percent_asked
from tracker.journal.progress import Progress, supposed_at
from tracker.plan.graph import closure

RANKED_ON = 1000
"""Scenarios on which must tasks are ranked."""

GivenUp = tuple[str, tuple[str, ...]]
"""A must task, and those that need it and go with it."""


@dataclass(frozen=True, slots=True)
class Promise:
    """What giving these must tasks up now leaves."""

    tasks: tuple[str, ...]
    safe: float
    """Share of scenarios that break nothing."""
    inside: float
    """Median ingress, PET; infinite where most scenarios never come in."""
    enough: bool
    """Whether the confidence is met."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """The order in which to give must tasks up, and how far one has to go."""

    order: tuple[GivenUp, ...]
    promise: Promise | None
    """The shortest beginning of the order that is enough; else all of it. None without any must task."""


def recovery(progress: Progress, sets: TaskSets, *, prior: PacePrior | None) -> Recovery:
    """What to give up at the instant of the world of these sets, of which none holds."""
    ranking = _Ranking(progress, sets.world)
    order = tuple(ranking.order(list(musts_given_up(progress))))
    if not order:
        return Recovery((), None)

    def promise(most: int) -> Promise:
        return promised(progress, sets.world, _first(order, most), prior=prior)

    k = ranking.enough(order)
    found = promise(k)
    if found.enough:
        while k > 1 and (fewer := promise(k - 1)).enough:
            k, found = k - 1, fewer
        return Recovery(order, found)
    while not found.enough and k < len(order):
        k += 1
        found = promise(k)
    return Recovery(order, found)


def promised(progress: Progress, world: World, tasks: Sequence[str], *, prior: PacePrior | None) -> Promise:
    """What an estimate says once these tasks are dropped at the instant of a world."""
    at = supposed_at(progress, world.now)
    supposed = progress.suppose(*({"kind": "dropped", "task": task, "at": at} for task in tasks))
    made = build_world(supposed, now=world.now, scenarios=world.scenarios, prior=prior, memory=world.memory)
    sets = TaskSets(made)
    kept = kept_now(supposed, sets, prior=prior)
    outcome = sets.outcome(going_on(made.optional, names(made, kept.tasks)))
    enough = ChanceConstraint.of(made).met(outcome.failing)
    made.memory.give_back(made.durations)
    return Promise(tuple(tasks), outcome.share_safe, made.now + outcome.median, enough)


def _first(order: Sequence[GivenUp], most: int) -> tuple[str, ...]:
    """The tasks of the first ones, each once."""
    return tuple(dict.fromkeys(task for one, others in order[:most] for task in (one, *others)))


def musts_given_up(progress: Progress) -> Iterator[GivenUp]:
    """Yield every must task ahead with those that need it, which go with it, in the plan's order.

    One that takes all the others with it is left out while there are others: it is no choice among them.
    """
    musts = _musts(progress)
    for task in musts:
        others = tuple(other for other in _needing(progress, task) if other != task)
        if not others or len(others) < len(musts) - 1:
            yield task, others


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


class _Ranking:
    """Must tasks left out on a part of the scenarios: who wins most, and how many are needed."""

    def __init__(self, progress: Progress, world: World) -> None:
        chosen = np.arange(0, world.scenarios, max(1, world.scenarios // RANKED_ON))
        self.world = world.some(chosen)
        alive = keepers(progress, [task.task for task in world.optional] + _musts(progress))
        self.kept_by = [alive.get(node.step) for node in world.nodes]
        going = {world.optional[m].task for m in going_on(world.optional, ())}
        self.left_out = frozenset(task.task for task in world.optional) - going
        self.whole = played(self.world, self._present(()))

    def _present(self, given_up: Collection[str]) -> list[int]:
        gone = self.left_out.union(given_up)
        return [i for i, tasks in enumerate(self.kept_by) if tasks is None or tasks - gone]

    def order(self, musts: Sequence[GivenUp]) -> list[GivenUp]:
        """These by what each wins back; the plan's order among equals."""
        won = {given: self._without((given[0], *given[1])) for given in musts}
        return sorted(musts, key=lambda given: (-won[given][0], won[given][1]))

    def enough(self, order: Sequence[GivenUp]) -> int:
        """How many of the first ones are enough here, at least one; all where not even they are."""
        wanted, low, high = ChanceConstraint.of(self.world), 0, len(order)
        while high - low > 1:
            middle = (low + high) // 2
            found = self._played(_first(order, middle))
            broken = breaches(self.world, found.nodes, found.course).counts
            low, high = (low, middle) if wanted.met(broken) else (middle, high)
        return high

    def _played(self, given_up: Collection[str]) -> Branch:
        return played(self.world, self._present(given_up), self.whole)

    def _without(self, given_up: Collection[str]) -> tuple[float, float]:
        """The chance and the median ingress without these."""
        found = self._played(given_up)
        safe = breaches(self.world, found.nodes, found.course).share_safe
        median = one(ingress(self.world, found.course), 0.5)
        self.world.memory.give_back(*found.tables)
        return safe, median


def recovery_words(sets: TaskSets, found: Recovery) -> tuple[str, ...]:
    """What to give up, in plain words."""
    world, first = sets.world, _plainly(sets)
    if found.promise is None:
        return first, "There is no must task left to give up: closeout alone remains."
    promise = found.promise
    comes_to = f"inside {pet_up(promise.inside)}, chance {percent(promise.safe, need_of(world))}"
    if promise.enough:
        return first, f"Giving up {', '.join(promise.tasks)} is enough: {comes_to}."
    last = f"Not even giving up {', '.join(promise.tasks)} is enough: {comes_to}."
    return first, f"{last} Come home now, or ask for a later limit."


def _plainly(sets: TaskSets) -> str:
    world = sets.world
    worst = binding(limit_results(world, world.present(()), sets.course(())))
    named = f"; most likely to be broken: {worst.id}" if worst is not None else ""
    wanted = percent_asked(world.confidence_elapsed)
    if not world.confidence_joint:
        wanted += f" of elapsed limits, {percent_asked(world.confidence_consumables)} of consumables"
    chance = percent(sets.outcome(()).share_safe, need_of(world))
    return f"Dropping all optional work is not enough: chance {chance}, need {wanted}{named}."
