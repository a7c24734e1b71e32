"""The running re-estimate: progress and an instant in, every figure of the contract out.

Limits and consumables of a played course as figures: chances, margins, levels, instants.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from threading import local
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.limits import Standing, beyond_waiting, binding, going_on, late, standings
from tracker.forecast.listing import as_fact, shown, step_figures, task_figures
from tracker.forecast.prior import PacePrior
from tracker.forecast.quantiles import NOTHING, Instants, fact, ranged
from tracker.forecast.remaining import build_world, present_instant, prior_of
from tracker.forecast.usage import Mask, Tally, reserves_reached
from tracker.forecast.values import Advice, ClockFigure, ConsumableFigure, Estimate, LimitFigure, Range
from tracker.forecast.world import Account, Course, Row, World, advance, begin, inside
from tracker.forecast.world import inside as ingress
from tracker.journal.progress import Progress, called, confidence_of, last_done, open_items


def clock_figures(world: World, course: Course) -> tuple[ClockFigure, ...]:
    """Return the hardware clocks of the steps in the course, with their chance of running out."""
    out = []
    for clock in world.clocks:
        mask = late(course, clock)
        if mask is not None:
            due = None if clock.due is None else clock.due + world.now
            share = float(np.count_nonzero(mask)) / len(mask)
            out.append(ClockFigure(world.nodes[clock.node].step, clock.of_step, due, share))
    return tuple(out)


def margin_of(standing: Standing) -> Range:
    """Return the margin of a limit: p90 is what nine scenarios of ten keep; nothing for a window."""
    row = standing.margin()
    if row is None:
        return NOTHING
    kept = ranged(row)
    return Range(kept.p90, kept.p50, kept.p10)


def limit_figure(world: World, standing: Standing) -> LimitFigure:
    """Return one limit as a figure; its instant only where it is the same in every scenario."""
    at = standing.at if isinstance(standing.at, int | float) else None
    return LimitFigure(
        id=standing.id,
        at=None if at is None else at + world.now,
        chance=standing.chance,
        margin=margin_of(standing),
    )


def consumable_figures(
    progress: Progress,
    world: World,
    present: Sequence[int],
    course: Course,
    standings: Sequence[Standing],
    beyond: NDArray[np.float32],
) -> tuple[ConsumableFigure, ...]:
    """Return every account: what is left now and at ingress, and when its reserve is reached.

    `beyond` (accounts, N): what the steps take beyond waiting.
    """
    if not world.accounts:
        return ()
    by_id = {standing.id: standing for standing in standings}
    inside = np.maximum(ingress(world, course), np.float32(0))
    kept = [~by_id[f"{a.crew}.{a.consumable}"].broken for a in world.accounts]
    reached = reserves_reached(world, present, course, beyond, inside)
    return tuple(
        ConsumableFigure(
            crew=account.crew,
            consumable=account.consumable,
            unit=progress.plan.consumable[account.consumable].unit,
            now=account.expected,
            at_inside=ranged(_left(account, beyond[k], inside)),
            reserve=account.reserve,
            reserve_reached=ranged(_agreeing(reached[k], kept[k], inside), base=world.now),
            short=by_id[f"{account.crew}.{account.consumable}"].chance,
            flagged=account.flagged,
            read_at=account.read_at,
        )
        for k, account in enumerate(world.accounts)
    )


def _agreeing(reached: Row, kept: Mask, inside: Row) -> Row:
    """Return the instants with those that rounding puts a moment before ingress moved to it."""
    off = kept & (reached < inside)
    if not off.any():
        return reached
    return np.where(off & np.isfinite(inside), inside, reached)


def _left(account: Account, beyond: Row, inside: Row) -> Row:
    """Return what is left at ingress; minus infinity where nobody comes in and the clock takes from it."""
    waiting = np.float32(account.waiting_per_s)
    left = waiting * inside if account.waiting_per_s > 0 else np.zeros_like(inside)
    left += beyond
    left *= account.use
    return np.subtract(account.level, left, out=left)


Ranges = Literal["all", "shown"]


def estimate(
    progress: Progress,
    now: float | None = None,
    *,
    scenarios: int = 10_000,
    advice: Advice | None = None,
    prior: PacePrior | None = None,
    ranges: Ranges = "all",
) -> Estimate:
    """Return the re-estimate at `now` (PET seconds; default the last event's instant).

    `inside` counts must, begun and committed work, and of the rest the tasks whose advice is keep. A begun
    one may be advised to be dropped: that is the person's to do, and until then it goes on.
    `advice` from a moment ago is taken as it is instead of being worked out again; `prior` supposes
    another pace file; with `ranges="shown"` only the steps that a desk shows get projected ranges.
    Raises ValueError for an instant before the last event, or none at all, and for less than one scenario.
    """
    if now is not None and not math.isfinite(now):
        raise ValueError(f"now is {now}; give a PET in seconds")
    if scenarios < 1:
        raise ValueError(f"{scenarios} scenarios are too few; at least 1, 10,000 are usual")
    at = present_instant(progress, now)
    pace_file = progress.pace_name if prior is None else prior.name
    prior = prior_of(progress) if prior is None else prior
    if progress.closed is not None:
        return as_fact(progress, scenarios=scenarios, pace_file=pace_file, prior=prior)
    kept = None if advice is None else advice.kept
    world = build_world(progress, now=at, scenarios=scenarios, prior=prior, kept=kept)
    from tracker.forecast.advice import advise
    from tracker.forecast.alerts import alerts

    if advice is None:
        advice = advise(progress, world, now=at, prior=prior)
    made = of_world(progress, world, advice, pace_file=pace_file, ranges=ranges)
    return replace(made, alerts=alerts(progress, made, now=at))


@dataclass(frozen=True, slots=True, eq=False)
class _Played:
    """One set of optional tasks, played to the end, and every limit against that."""

    present: Sequence[int]
    course: Course
    beyond: NDArray[np.float32]
    """(accounts, N): what the steps take beyond waiting."""
    found: Sequence[Standing]

    @property
    def safe(self) -> float:
        """Share of scenarios that break no limit."""
        broken = self.found[0].broken.copy()
        for standing in self.found[1:]:
            broken |= standing.broken
        return 1.0 - float(np.count_nonzero(broken)) / len(broken)


_kept = local()


def _table(steps: int, scenarios: int) -> NDArray[np.float32]:
    """Return room for finish rows, the same for every estimate of this thread: fresh memory is slow."""
    table: NDArray[np.float32] | None = getattr(_kept, "table", None)
    if table is None or table.shape[1] != scenarios or table.shape[0] < steps:
        table = _kept.table = np.empty((steps, scenarios), dtype=np.float32)
    return table


def _play(world: World, kept: Collection[str]) -> tuple[_Played, _Played]:
    """Play what is kept or begun, with its starts, into the thread's table; and nothing optional."""
    present = world.present(going_on(world, kept))
    same = next((k for k, i in enumerate(present) if world.nodes[i].groups), len(present))
    course, tally = begin(world), Tally.of(world)
    course.table = _table(len(world.nodes), world.scenarios)
    course.sums = tally.rows() if tally else {}
    advance(world, course, present[:same], starts=True)
    fork, after = course.fork(), tally and tally.fork()
    played = _finished(world, advance(world, course, present[same:], starts=True), present, tally)
    if same == len(present):
        return played, played
    bare = world.present(())
    fork.sums = after.rows() if after else {}
    return played, _finished(world, advance(world, fork, bare[same:]), bare, after)


def _finished(world: World, course: Course, present: Sequence[int], tally: Tally | None) -> _Played:
    """Return a course that was played to the end, held against every limit."""
    beyond = tally.beyond_waiting() if tally else beyond_waiting(world, present)[0]
    return _Played(present, course, beyond, standings(world, present, course, beyond))


def of_world(
    progress: Progress, world: World, advice: Advice, *, pace_file: str | None, ranges: Ranges
) -> Estimate:
    """Return the estimate of a world with what is begun or advised to be kept, alerts left out."""
    played, bare = _play(world, advice.kept)
    present, course, found = played.present, played.course, played.found
    limits = {standing.id: limit_figure(world, standing) for standing in found}
    instants = Instants(world.now)
    wanted = set(present) if ranges == "all" else shown(world, present, progress.current)
    return Estimate(
        excursion=progress.plan.excursion,
        at=world.now,
        scenarios=world.scenarios,
        confidence=confidence_of(progress),
        pace_file=pace_file,
        inside=ranged(inside(world, course), base=world.now, mean=True),
        limit=progress.limits["elapsed"],
        margin=_elapsed_margin(found),
        safe=played.safe,
        without_optional_inside=ranged(inside(world, bare.course), base=world.now),
        without_optional_safe=bare.safe,
        limits=tuple(limits.values()),
        binding=_binding(found, limits),
        turn_back=advice.turn_back,
        pace=world.pace,
        consumables=consumable_figures(progress, world, present, course, found, played.beyond),
        tasks=task_figures(progress, world, present, course, instants),
        steps=step_figures(progress, world, present, course, wanted, instants),
        optional=advice.optional,
        clocks=clock_figures(world, course),
        open_items=open_items(progress, world.now),
        called=called(progress),
        alerts=(),
        advice=advice,
        ingress=_ingress(progress, world, played),
        when_short=advice.when_short,
    )


def _elapsed_margin(found: Sequence[Standing]) -> Range:
    return margin_of(next(standing for standing in found if standing.id == "elapsed"))


def _binding(found: Sequence[Standing], limits: Mapping[str, LimitFigure]) -> LimitFigure | None:
    tightest = binding(found)
    return None if tightest is None else limits[tightest.id]


def _ingress(progress: Progress, world: World, played: _Played) -> dict[str, Range]:
    """Return when each crew member outside is inside; a fact for those who have no more to do."""
    busy = {c for i in played.present for c in world.nodes[i].crew}
    out = {}
    for member in progress.plan.outside:
        c = world.crew.index(member)
        if c in world.inside_already:
            out[member] = fact(world.inside_already[c] + world.now)
        elif c not in busy and (last := last_done(progress, member)) is not None:
            out[member] = fact(last)
        else:
            out[member] = ranged(played.course.ready[c], base=world.now, mean=True)
    return out
