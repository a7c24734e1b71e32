"""The running re-estimate: progress and an instant in, every figure of the contract out.

Hides how one world is played, with what is kept and with nothing optional, and how its rows become figures.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.advice import advise
from tracker.forecast.alert_inputs import unheard
from tracker.forecast.alert_words import DOUBT, EARLY
from tracker.forecast.alerts import alerts
from tracker.forecast.choices import ChoiceTable, offered
from tracker.forecast.consumption import Mask, reserves_reached
from tracker.forecast.due import due
from tracker.forecast.earlier_instants import Past
from tracker.forecast.figures import (
    Advice,
    Choice,
    ClockFigure,
    ConsumableFigure,
    Estimate,
    Ground,
    LimitFigure,
    Range,
)
from tracker.forecast.limits import (
    ChanceConstraint,
    FailureCounts,
    LimitResult,
    beyond_waiting,
    going_on,
    late,
    limit_results,
    margin,
    store_id,
)
from tracker.forecast.memory import Memory
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import NOTHING, Instants, fact, one, ranged
from tracker.forecast.remaining import build_world, present_instant, prior_of
from tracker.forecast.task_figures import (
    NO_TURN_BACK,
    Projection,
    closed_estimate,
    habit_of,
    lateness_of,
    process_figures,
    step_figures,
    store_figure,
    store_limit,
    task_figures,
)
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.world import Account, Course, OptionalTask, Row, World, inside
from tracker.foundation.shown import down, pet_down, spare
from tracker.journal.progress import Progress, called, done_share, last_done, open_items

Ranges = Literal["all", "shown"]
LOOKED_AT = 2000
"""Scenarios on which the choices of an earlier instant are weighed: what they are held apart by is more than
three standard errors there."""


def estimate(
    progress: Progress,
    now: float | None = None,
    *,
    scenarios: int = 10_000,
    advice: Advice | None = None,
    prior: PacePrior | None = None,
    ranges: Ranges = "all",
    memory: Memory | None = None,
    choices: bool | tuple[Choice, ...] | None = False,
    give_way: Callable[[], object] = lambda: None,
) -> Estimate:
    """The re-estimate at `now` (PET seconds; default the last event's instant).

    `inside` counts must, begun and committed work, and of the rest the tasks whose advice is keep. A begun
    one may be advised to be dropped: that is the person's to do, and until then it goes on.
    `advice` from a moment ago is taken as it is instead of being worked out again; `prior` supposes
    another pace file; with `ranges="shown"` only the steps that a desk shows get projected ranges.
    `memory`: what is remembered of the excursion, by default what this thread does. `choices`: also
    what each choice that is left would come to, or what is known of that from a moment ago; `give_way` is
    called before each of them, and may let what is more urgent go first. Raises
    ValueError for an instant before the last event, or none at all, and for less than one scenario.
    """
    if now is not None and not math.isfinite(now):
        raise ValueError(f"now is {now}; give a PET in seconds")
    if scenarios < 1:
        raise ValueError(f"{scenarios} scenarios are too few; at least 1, 10,000 are usual")
    at = present_instant(progress, now)
    pace_file = progress.pace_name if prior is None else prior.name
    prior = prior_of(progress) if prior is None else prior
    if progress.closed is not None:
        return closed_estimate(
            progress, scenarios=scenarios, pace_file=pace_file, prior=prior, choices=() if choices else None
        )
    kept = None if advice is None else advice.kept
    world = build_world(progress, now=at, scenarios=scenarios, prior=prior, kept=kept, memory=memory)
    sets = TaskSets(world, starts=True)
    if advice is None:
        advice = advise(progress, sets, now=at, prior=prior)
    made = _figures(progress, sets, advice, pace_file=pace_file, ranges=ranges)
    world.memory.give_back(world.durations)
    known = _weighed(progress, made, world, prior, give_way) if choices is True else choices or None
    made = replace(made, choices=known, due=due(progress, made, now=at))
    return replace(made, alerts=alerts(progress, made, now=at))


def _weighed(
    progress: Progress, made: Estimate, world: World, prior: PacePrior, give_way: Callable[[], object]
) -> tuple[Choice, ...]:
    """What each choice would come to, with the one that is offered where the chance is in doubt."""
    known = _table(progress, made, world, prior, give_way, short=bool(made.when_short)).choices()
    doubt = next((one for one in made.advice.raised if one.id == DOUBT), None)
    if doubt is None:
        return known

    past = Past.of(progress, world, prior)

    def weigh(then: Progress, at: float) -> ChoiceTable | None:
        few = min(LOOKED_AT, world.scenarios)
        earlier = build_world(then, now=at, scenarios=few, prior=prior, memory=world.memory)
        sets = TaskSets(earlier)
        kept, doubted = past.stood(at, sets)
        found = None
        if doubted:
            short = not sets.meets((), ChanceConstraint.of(earlier))
            advice = Advice(at, kept, (), NO_TURN_BACK)
            then_made = _figures(then, sets, advice, pace_file=made.pace_file, ranges="shown")
            short = short and not then_made.meets
            found = _table(then, then_made, earlier, prior, give_way, short=short)
        world.memory.give_back(earlier.durations)
        return found

    return offered(progress, made, known, past=past, since=doubt.at, weigh=weigh)


def _table(
    progress: Progress,
    made: Estimate,
    world: World,
    prior: PacePrior,
    give_way: Callable[[], object],
    *,
    short: bool,
) -> ChoiceTable:
    """The choices at an estimate, each weighed as the estimate itself was made."""

    def build(then: Progress, kept: Collection[str] | None = None) -> World:
        return build_world(
            then, now=world.now, scenarios=world.scenarios, prior=prior, kept=kept, memory=world.memory
        )

    def play(then: Progress, kept: Collection[str]) -> Estimate:
        give_way()
        advice = replace(made.advice, kept=frozenset(kept))
        supposed = build(then, kept)
        found = _figures(then, TaskSets(supposed), advice, pace_file=made.pace_file, ranges="shown")
        supposed.memory.give_back(supposed.durations)
        return found

    return ChoiceTable(progress, made, world.optional, short, play, build)


def _figures(
    progress: Progress, sets: TaskSets, advice: Advice, *, pace_file: str | None, ranges: Ranges
) -> Estimate:
    """The estimate of a world with what is begun or advised to be kept, alerts left out."""
    world = sets.world
    played, bare = _play(sets, advice.kept)
    limits = {result.id: _limit(world, played, result) for result in played.found}
    counted = counted_tasks(progress, world.optional, advice.kept)
    ahead = Projection(world, played.present, played.course, Instants(world.now))
    wanted = set(played.present) if ranges == "all" else ahead.shown(progress)
    drawn = world.drawn
    assert drawn is not None
    silence = unheard(progress, world.now, drawn.heard)
    meets = _meets(world, played, bare)
    ground: Ground = "early" if done_share(progress) < EARLY else "unheard" if silence else "figures"
    made = Estimate(
        excursion=progress.plan.excursion,
        at=world.now,
        scenarios=world.scenarios,
        confidence=progress.plan.confidence.asked,
        pace_file=pace_file,
        inside=ranged(inside(world, played.course), base=world.now, mean=True),
        limit=progress.limits["elapsed"],
        margin=limits["elapsed"].margin,
        safe=played.safe,
        without_optional_inside=ranged(inside(world, bare.course), base=world.now),
        without_optional_safe=bare.safe,
        limits=tuple(limits.values()),
        binding=min(limits.values(), key=LimitFigure.tightness, default=None),
        turn_back=advice.turn_back,
        pace=drawn.pace,
        consumables=_consumables(progress, world, played, limits),
        tasks=task_figures(progress, world.now, ahead.tasks()),
        steps=step_figures(progress, world.now, ahead.steps(wanted)),
        optional=tuple(replace(figure, ground=ground) for figure in advice.optional),
        clocks=_clocks(world, played.course),
        open_items=open_items(progress, world.now),
        called=called(progress),
        alerts=(),
        advice=advice,
        ingress=_ingress(progress, world, played),
        when_short=() if meets else _short(advice, world.now),
        safe_by=None if world.confidence_joint else played.safe_by,
        processes=process_figures(drawn, played.arrival, played.broken, now=world.now),
        habit=habit_of(drawn),
        lateness=lateness_of(progress, drawn),
        unheard=silence,
        counted=counted,
        value=sum(progress.tasks[task].task.value for task in sorted(counted)),
        meets=meets,
        entry=progress.number,
    )
    sets.give_back()
    return made


@dataclass(frozen=True, slots=True, eq=False)
class _Played:
    """One set of optional tasks, played to the end, and every limit against that."""

    present: Sequence[int]
    course: Course
    beyond: NDArray[np.float32]
    """(accounts, N): what the steps take beyond waiting."""
    found: Sequence[LimitResult]
    arrival: Row
    """When everybody is inside, not before now."""
    reached: Mapping[str, Row]
    """Per store when it is at its reserve, relative to now; of the set with nothing optional, nothing."""

    @property
    def safe(self) -> float:
        """Share of scenarios that break no limit."""
        return 1.0 - float(np.count_nonzero(self.broken)) / len(self.broken)

    @property
    def broken(self) -> Mask:
        """Scenarios that break some limit."""
        return np.asarray(np.logical_or.reduce([result.broken for result in self.found]), dtype=np.bool_)

    @property
    def safe_by(self) -> dict[str, float]:
        """The same of elapsed limits and of consumables; who never comes in keeps none of either."""
        lost = [result.broken for result in self.found if result.at is None]
        stores = [result.broken for result in self.found if result.id in self.reached]
        limits = [r.broken for r in self.found if r.at is not None and r.id not in self.reached]
        return {"elapsed": _share_of_none(*limits, *lost), "consumables": _share_of_none(*stores, *lost)}

    @property
    def failing(self) -> FailureCounts:
        """How many scenarios break what."""
        by, n = self.safe_by, len(self.arrival)
        return FailureCounts(
            *(n - round(n * share) for share in (self.safe, by["elapsed"], by["consumables"]))
        )


def _share_of_none(*masks: Mask) -> float:
    """The share of scenarios in which none of these is true; 1 without any."""
    if not masks:
        return 1.0
    broken = masks[0].copy()
    for mask in masks[1:]:
        broken |= mask
    return 1.0 - float(np.count_nonzero(broken)) / len(broken)


def _play(sets: TaskSets, kept: Collection[str]) -> tuple[_Played, _Played]:
    """Play what is kept or begun, and nothing optional."""
    world = sets.world
    going = going_on(world.optional, kept)
    course, present, bare = sets.course(going), world.present(going), world.present(())
    if present == bare:
        [beyond] = beyond_waiting(world, present)
        played = _finished(world, course, present, beyond, reached=True)
        return played, played
    beyond, less = beyond_waiting(world, present, bare)
    played = _finished(world, course, present, beyond, reached=True)
    return played, _finished(world, sets.course(()), bare, less)


def _finished(
    world: World,
    course: Course,
    present: Sequence[int],
    beyond: NDArray[np.float32],
    *,
    reached: bool = False,
) -> _Played:
    """A course that was played to the end, held against every limit; `reached`: with those instants."""
    found = limit_results(world, present, course, beyond)
    arrival = np.maximum(inside(world, course), np.float32(0))
    instants: dict[str, Row] = {}
    if reached and world.accounts:
        broken = {result.id: result.broken for result in found}
        rows = reserves_reached(world, present, course, beyond, arrival)
        for account, row in zip(world.accounts, rows, strict=True):
            instants[store_id(account)] = _agreeing(row, ~broken[store_id(account)], arrival)
    return _Played(present, course, beyond, found, arrival, instants)


def counted_tasks(
    progress: Progress, optional: Sequence[OptionalTask], kept: Collection[str]
) -> frozenset[str]:
    """The optional tasks of the plan that are ahead and done when these undecided ones are kept."""
    undecided = {task.task for task in optional}
    going = {optional[m].task for m in going_on(optional, kept)}
    return frozenset(
        name
        for name, state in progress.tasks.items()
        if name in going
        or (state.task.optional and state.status in ("open", "begun") and name not in undecided)
    )


def _short(advice: Advice, now: float) -> tuple[str, ...]:
    """What to do where no optional work is not enough; as of which instant, where that is not now."""
    if down(advice.at) == down(now):
        return advice.when_short
    return tuple(f"As of {pet_down(advice.at)}: {words}" for words in advice.when_short)


def _meets(world: World, played: _Played, bare: _Played) -> bool:
    """Whether what is played holds; a hardware clock may be late as often as it is without optional work."""
    wanted = ChanceConstraint.of(world)
    if not wanted.met(played.failing):
        return False
    late_in = [[_times(late(one.course, clock)) for clock in world.clocks] for one in (played, bare)]
    return all(times <= max(wanted.clock, least) for times, least in zip(*late_in, strict=True))


def _times(mask: Mask | None) -> int:
    return 0 if mask is None else int(np.count_nonzero(mask))


def _limit(world: World, played: _Played, result: LimitResult) -> LimitFigure:
    """One limit as a figure: an instant, and what is to spare until it; a window has neither.

    The p90 of a margin is what nine scenarios of ten keep.
    """
    resting = next((a for a in world.accounts if a.rest is not None and store_id(a) == result.id), None)
    if resting is not None:
        return store_limit(resting)
    at = played.reached.get(result.id, result.at)
    if at is None:
        return LimitFigure(result.id, None, result.chance, NOTHING)
    known = at + world.now if isinstance(at, int | float) else None
    reached = ranged(at, base=world.now) if isinstance(at, np.ndarray) else fact(known)
    left = ranged(margin(at, result.inside))
    ingress = one(result.inside, 0.5) + world.now
    return LimitFigure(
        id=result.id,
        at=known,
        chance=result.chance,
        margin=Range(left.p90, left.p50, left.p10),
        reached=reached,
        to_spare=spare(reached.p50, ingress, world.now),
    )


def _consumables(
    progress: Progress, world: World, played: _Played, limits: Mapping[str, LimitFigure]
) -> tuple[ConsumableFigure, ...]:
    """Every account: what is left now and at ingress, and when its reserve is reached."""
    out = []
    for account, beyond in zip(world.accounts, played.beyond, strict=True):
        left = (
            ranged(_left(account, beyond, played.arrival)) if account.rest is None else fact(account.expected)
        )
        out.append(store_figure(progress, account, limits[store_id(account)], left))
    return tuple(out)


def _agreeing(reached: Row, kept: Mask, inside: Row) -> Row:
    """The instants with those that rounding puts a moment before ingress moved to it."""
    off = kept & (reached < inside)
    return np.where(off & np.isfinite(inside), inside, reached) if off.any() else reached


def _left(account: Account, beyond: Row, inside: Row) -> Row:
    """The level at ingress, never below nothing; minus infinity where nobody comes in and the clock takes."""
    left = account.waiting * inside if account.waiting_per_s > 0 else np.zeros_like(inside)
    left += beyond
    left *= account.use
    np.subtract(account.level, left, out=left)
    return np.maximum(left, np.float32(0), out=left, where=np.isfinite(left))


def _clocks(world: World, course: Course) -> tuple[ClockFigure, ...]:
    """The hardware clocks of the steps in the course, with their chance of running out."""
    out = []
    for clock in world.clocks:
        mask = late(course, clock)
        if mask is not None:
            due = None if clock.due is None else clock.due + world.now
            share = float(np.count_nonzero(mask)) / len(mask)
            out.append(ClockFigure(world.nodes[clock.node].step, clock.of_step, due, share))
    return tuple(out)


def _ingress(progress: Progress, world: World, played: _Played) -> dict[str, Range]:
    """The ingress of each crew member outside; a fact for those who have no more to do."""
    busy = {c for i in played.present for c in world.nodes[i].crew}
    out = {}
    for member in progress.plan.outside:
        c = world.crew.index(member)
        if c in world.inside_already:
            out[member] = fact(world.inside_already[c] + world.now)
        elif c not in busy and (last := last_done(progress, member)) is not None:
            out[member] = fact(last)
        else:
            arrival = np.maximum(played.course.ready[c], np.float32(0))
            out[member] = ranged(arrival, base=world.now, mean=True)
    return out
