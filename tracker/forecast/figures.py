"""Limits and consumables of a played course as figures: chances, margins, levels, instants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.ingress import inside as ingress
from tracker.forecast.limits import Mask, Standing
from tracker.forecast.quantiles import NOTHING, ranged
from tracker.forecast.usage import reserves_reached
from tracker.forecast.values import ConsumableFigure, LimitFigure, Range
from tracker.forecast.waits import Row
from tracker.forecast.world import Account, Course, World
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
