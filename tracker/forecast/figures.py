"""Limits and consumables of a played course as figures: chances, margins, levels, instants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tracker.forecast.limits import Standing, weights
from tracker.forecast.quantiles import NOTHING, ranged
from tracker.forecast.reserve import reserve_reached
from tracker.forecast.values import ConsumableFigure, LimitFigure, Range
from tracker.forecast.world import Account, Course, Row, World
from tracker.journal.progress import Progress


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
) -> tuple[ConsumableFigure, ...]:
    """Return every account: what is left now and at ingress, and when its reserve is reached."""
    if not world.accounts:
        return ()
    by_id = {standing.id: standing for standing in standings}
    counts = weights(world, present)
    extra = np.stack([account.extra_per_s for account in world.accounts]) * counts
    beyond = extra.astype(np.float32) @ world.durations
    return tuple(
        _figure(progress, world, present, course, k, beyond[k], by_id[f"{account.crew}.{account.consumable}"])
        for k, account in enumerate(world.accounts)
    )


def _figure(
    progress: Progress,
    world: World,
    present: Sequence[int],
    course: Course,
    k: int,
    beyond: Row,
    standing: Standing,
) -> ConsumableFigure:
    account = world.accounts[k]
    inside = np.maximum(standing.inside, np.float32(0))
    left = _left(account, beyond, inside)
    reached = reserve_reached(world, present, course, account, beyond, inside)
    return ConsumableFigure(
        crew=account.crew,
        consumable=account.consumable,
        unit=progress.plan.consumable[account.consumable].unit,
        now=account.expected,
        at_inside=ranged(left),
        reserve=account.reserve,
        reserve_reached=ranged(reached, base=world.now),
        short=standing.chance,
        flagged=account.flagged,
        read_at=account.read_at,
    )


def _left(account: Account, beyond: Row, inside: Row) -> Row:
    """Return what is left at ingress; minus infinity where nobody comes in and the clock takes from it."""
    waiting = np.float32(account.waiting_per_s)
    taken = waiting * inside if account.waiting_per_s > 0 else np.float32(0)
    return np.asarray(account.level - account.use * (taken + beyond), dtype=np.float32)
