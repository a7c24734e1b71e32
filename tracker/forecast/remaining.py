"""From progress to the world that an estimate plays: remaining steps, limits, stores, hardware clocks.

An outstanding go is assumed to be given at once when the step could otherwise begin. A step whose last
owner has come in belongs to nobody and is played without a crew member.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.accounts import accounts
from tracker.forecast.ahead import ahead
from tracker.forecast.ask import Ask
from tracker.forecast.durations import draw_durations
from tracker.forecast.network import Network
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior, read_pace
from tracker.forecast.world import Clock, ElapsedLimit, Node, World
from tracker.journal.progress import Progress


def prior_of(progress: Progress) -> PacePrior:
    """Return the belief about pace that the journal was created with."""
    if progress.pace_text is None:
        return DEFAULT_PRIOR
    return _read(progress.pace_text, progress.pace_name or "pace file")


@lru_cache(maxsize=8)
def _read(text: str, name: str) -> PacePrior:
    return read_pace(text, name)


def present_instant(progress: Progress, now: float | None) -> float:
    """Return the PET for which to estimate: at least 0, and 0 while the clock has not been started.

    None is the last event's instant. Raises ValueError for one before the last event.
    """
    if progress.zero is None:
        return 0.0
    if now is not None and now < progress.at:
        raise ValueError(f"now is {now:g} s, before the last event at {progress.at:g} s")
    return max(float(progress.at if now is None else now), 0.0)


def build_world(
    progress: Progress,
    *,
    now: float,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    kept: Collection[str] | None = None,
) -> World:
    """Return everything that one estimate knows about the rest of the excursion at `now` (PET seconds).

    `prior` None is the journal's own pace file. With `kept` only the course with these and with begun
    optional tasks can be played, or one with fewer: steps that remain only with others get no durations.
    Raises ValueError for an instant before the last event.
    """
    now = present_instant(progress, now)
    prior = prior_of(progress) if prior is None else prior
    plan, confidence = progress.plan, progress.plan.confidence
    rest = ahead(progress)
    index, inside, (nodes, asks) = rest.index, rest.inside, rest.at(progress, now)
    optional = rest.optional_at(nodes)
    played = range(len(nodes)) if kept is None else rest.played(kept, optional)
    drawn = draw_durations(progress, asks, prior=prior, scenarios=scenarios, wanted=played)
    return World(
        now=now,
        nodes=nodes,
        crew=tuple(index),
        counted=tuple(index[c] for c in plan.outside if c not in inside),
        inside_already={index[c]: at - now for c, at in inside.items()},
        ready=tuple(_ready(progress, c, now) for c in index),
        durations=_factors(drawn.rows, nodes, asks),
        optional=optional,
        limits=_limits(progress, index, now),
        accounts=accounts(progress, rest.rates, now=now, prior=prior, scenarios=scenarios, inside=inside),
        clocks=_clocks(progress, rest.net, now),
        confidence_elapsed=confidence.elapsed,
        confidence_consumables=confidence.consumables,
        confidence_joint=confidence.joint,
        open_now=_open_before(progress, now),
        pace=drawn.pace,
    )


def _open_before(progress: Progress, now: float) -> dict[str, str]:
    """Return item to opener of what is open, left out what a step opens that began at this very instant."""
    return {
        item.item: item.opened_by
        for item in progress.open_at(now)
        if (opener := progress.steps[item.opened_by]).ended is not None or opener.began != now
    }


def _limits(progress: Progress, index: Mapping[str, int], now: float) -> tuple[ElapsedLimit, ...]:
    return tuple(
        ElapsedLimit(name, at - now, tuple(index[c] for c in progress.limit_crew[name]))
        for name, at in progress.limits.items()
    )


def _ready(progress: Progress, crew: str, now: float) -> float:
    """Return when this crew member can go on, relative to now: a hold ends at its `until`, or now."""
    hold = progress.holds.get(crew)
    return 0.0 if hold is None or hold.until is None else max(0.0, hold.until - now)


def _factors(rows: NDArray[np.float32], nodes: tuple[Node, ...], asks: list[Ask]) -> NDArray[np.float32]:
    """Turn the rows of ways home, drawn for their time on paper, into factors on the time they will take."""
    for i, node in enumerate(nodes):
        if node.home is not None:
            rows[i] *= np.float32(1.0 / asks[i].likely)
    return rows


def _clocks(progress: Progress, net: Network, now: float) -> tuple[Clock, ...]:
    """Return the hardware clocks of remaining steps; one that will never start is none."""
    out = []
    for i, step in enumerate(net.steps):
        within = progress.steps[step].step.within
        if within is None or within.of not in progress.steps:
            continue
        of = progress.steps[within.of]
        if of.ended is None and within.of in net.place:
            out.append(Clock(i, net.place[within.of], None, within.time, within.of))
        elif of.ended == "done" and of.done is not None:
            out.append(Clock(i, None, of.done + within.time - now, within.time, within.of))
    return tuple(out)
