"""Advice, which a person follows or not: what to keep, decide and drop, by when, and when to turn back.

Each optional task has a verdict and a sentence with figures that says why. When dropping all optional work is
not enough, must tasks are ranked by what giving each of them up wins back, the chance first, then the median
ingress; the shortest beginning of that order that restores the confidence is named, or that none does.
Ranking looks at a tenth of the scenarios of the world that stands. What is promised is an estimate of what
the deed leaves, supposed at the present instant: closers and needs as `dropped` leaves them, optional work
as then advised.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.earlier_instants import (
    Steady,
    home_was_due,
    kept_now,
    lost,
    names,
    steady,
    was_due,
)
from tracker.forecast.figures import Advice, OptionalFigure, TurnBack, Verdict
from tracker.forecast.last_call import LastCall, first_step, last_calls, put_off
from tracker.forecast.limits import (
    ChanceConstraint,
    beyond_waiting,
    binding,
    breaches,
    going_on,
    limit_results,
    need_of,
    with_dependents,
    with_needs,
)
from tracker.forecast.network import keepers
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one, ranged
from tracker.forecast.remaining import build_world
from tracker.forecast.task_sets import Branch, TaskSets, played
from tracker.forecast.turn_back import turn_back
from tracker.forecast.wording import limit_words
from tracker.forecast.world import World
from tracker.forecast.world import inside as ingress
from tracker.foundation.shown import pet_down, pet_up
from tracker.foundation.text import percent, percent_asked
from tracker.journal.progress import Progress, all_called, supposed_at
from tracker.plan.graph import closure


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
    """Say what it comes to, and how long deciding may wait."""
    by = "" if call is None else f"; can wait until {pet_down(call)}"
    with_it = kept | with_needs(sets.world.optional, [m])
    if clock := _clock_runs_out(sets, with_it):
        return f"{clock}{by}"
    if m in kept:
        without = sets.outcome(kept - with_dependents(sets.world.optional, [m])).share_safe
        by = f"; without it {percent(without, need_of(sets.world))}{by}"
    elif sets.meets(with_it, ChanceConstraint.of(sets.world)):
        # Nothing is taken in but by a person.
        by = f": it fits, and counts once it is kept{by}"
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
    progress: Progress, sets: TaskSets, *, now: float | None = None, prior: PacePrior | None = None
) -> Advice:
    """The advice for the world of these sets, which was built from this progress.

    `now`: PET seconds, the world's own instant by default. `prior`: the belief about pace with which
    the world was drawn; None is the journal's own.
    """
    world = sets.world
    found = steady(progress, sets, prior=prior)
    kept = found.kept.tasks
    short: tuple[str, ...] = ()
    if not found.kept.holds:
        short = recovery_words(sets, recovery(progress, sets, prior=prior))
    back = turn_back(sets, going_on(world.optional, names(world, kept)), homebound=all_called(progress))
    back = _if_called_now(progress, world, back, prior=prior)
    if back.latest is None and world.counted:
        home = back.homebound and not all_called(progress)
        due, missed = was_due(progress, world, prior=prior, homebound=home)
        back = replace(back, was_due=due, missed=missed)
    return Advice(
        at=world.now if now is None else now,
        kept=names(world, kept),
        optional=figures(sets, kept, put_off(progress, sets, kept, prior=prior), found),
        turn_back=back,
        when_short=short,
        proven=found.kept.proven,
        raised=(*found.raised, *home_was_due(progress, world, back.latest, prior=prior)),
        chances=found.chances,
        entry=progress.number,
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
    by = outcome.failing.safe_by(made)
    return replace(found, inside_if_now=inside, safe_if_now=outcome.share_safe, safe_by_if_now=by)


def figures(
    sets: TaskSets, kept: Collection[int], later: Mapping[int, LastCall], stands: Steady
) -> tuple[OptionalFigure, ...]:
    """The advice about every optional task, in the plan's order.

    `later`: the last call at the end of those that had better be put off. `stands`: which of those kept are
    sure, the others are to be decided; and of which it stands that they are hardly in time.
    """
    optional = sets.world.optional
    order = sorted(range(len(optional)), key=lambda m: (optional[m].place, m))
    chosen = frozenset(kept)
    # In time is what is not kept beside those that surely are.
    beside = last_calls(sets, frozenset(stands.sure))
    found = {m: call if m in chosen else beside[m] for m, call in last_calls(sets, chosen).items()}
    # What fits where it stands is not put off.
    enough = ChanceConstraint.of(sets.world, entering=True)
    later = {
        m: call for m, call in later.items() if not sets.meets(chosen | with_needs(optional, [m]), enough)
    }
    verdicts: dict[int, Verdict] = {
        m: "later" if m in later else _verdict(sets, m, chosen, found[m], stands) for m in order
    }
    return tuple(_figure(sets, m, chosen, later.get(m, found[m]), verdicts[m]) for m in order)


def _figure(
    sets: TaskSets, m: int, kept: frozenset[int], start: LastCall, verdict: Verdict
) -> OptionalFigure:
    world = sets.world
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
        place="last" if verdict == "later" else None,
    )


def _verdict(sets: TaskSets, m: int, kept: frozenset[int], start: LastCall, stands: Steady) -> Verdict:
    """Keep what is kept, unless that is in doubt; drop what no start would fit or what is hardly in time."""
    if m in kept and (m in stands.sure or not lost(sets, m, kept)):
        return "keep" if m in stands.sure else "decide"
    world = sets.world
    if first_step(world, m) is None:
        # Its last step is under way: dropping it means breaking it off now.
        finishing = sets.meets(kept | with_needs(world.optional, [m]), ChanceConstraint.of(world))
        return "decide" if finishing else "drop"
    if stands.late is None or start.in_time == 0.0:
        return "drop" if start.hopeless(world) else "decide"
    return "drop" if m in stands.late else "decide"


RANKED_ON = 1000
"""Scenarios on which must tasks are ranked."""
SURELY = 0.05
"""A share that is missed by so much in them is missed in all: five standard errors."""

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
        while k > 1 and not ranking.falls_short(_first(order, k - 1)) and (fewer := promise(k - 1)).enough:
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
    outcome = sets.outcome(going_on(made.optional, names(made, kept)))
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
        left = [self._present((one, *others)) for one, others in musts]
        taken = beyond_waiting(self.world, *left) if left else []
        won = {
            given: self._with(*rest) for given, rest in zip(musts, zip(left, taken, strict=True), strict=True)
        }
        return sorted(musts, key=lambda given: (-won[given][0], won[given][1]))

    def falls_short(self, given_up: Collection[str]) -> bool:
        """Whether giving these up is not enough here by far more than chance."""
        wanted, more = ChanceConstraint.of(self.world), round(SURELY * self.world.scenarios)
        more_often = replace(wanted, elapsed=wanted.elapsed + more, consumables=wanted.consumables + more)
        found = self._played(given_up)
        return not more_often.met(breaches(self.world, found.nodes, found.course).counts)

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
        return played(self.world, self._present(given_up), self.whole, ends=True)

    def _with(self, present: Sequence[int], taken: NDArray[np.float32]) -> tuple[float, float]:
        """The chance and the median ingress with these nodes, and what they take beyond waiting."""
        found = played(self.world, present, self.whole, ends=True)
        safe = breaches(self.world, present, found.course, taken).share_safe
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
    named = f"; most likely to be broken: {limit_words(worst.id)}" if worst is not None else ""
    wanted = percent_asked(world.confidence_elapsed)
    if not world.confidence_joint:
        wanted += f" of elapsed limits, {percent_asked(world.confidence_consumables)} of consumables"
    chance = percent(sets.outcome(()).share_safe, need_of(world))
    return f"Dropping all optional work is not enough: chance {chance}, need {wanted}{named}."
