"""Pace for the next plan from the journals of past excursions, by empirical Bayes.

Hides which journals count and how each figure is held by the built-in belief as long as the excursions are
few; the statistics themselves stand in `level`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from tracker.debrief.consumed import store_courses
from tracker.debrief.excursion import crew_ends
from tracker.debrief.journals import Read, read_journals, say
from tracker.debrief.level import (
    BELIEF_IN_SPREAD,
    Array,
    PooledEvidence,
    fit_effects,
    fit_level,
    gather,
    side_by_side,
)
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.pace_grid import mixture, weights_of
from tracker.foundation.errors import TrackerError
from tracker.journal.place import Place
from tracker.journal.progress import Observation, Progress

LEAST_SPREAD = 0.02
"""Nobody is known better than this: people differ from one day to the next."""
MOST_NOISE_WEIGHT = 60.0


def learn(
    excursions: Sequence[Progress],
    *,
    prior: PacePrior = DEFAULT_PRIOR,
    use_factors: Iterable[float] = (),
    learned_from: Iterable[Mapping[str, Any]] = (),
) -> PacePrior:
    """Return the prior that these excursions teach, for an excursion that is not among them.

    `use_factors` are consumables actually used over what their plans' rates say, one a store. With few
    excursions the answer stays near `prior`; without any it is `prior`.
    """
    seen = gather(excursions)
    if not seen.value.size:
        return replace(prior, learned_from=tuple(learned_from))
    found = fit_effects(seen, prior)
    rest = seen.value - seen.members @ found.effect
    base = fit_level(side_by_side(seen, found.effect), prior)
    crews = len(seen.layout.crew)
    return replace(
        prior,
        median=math.exp(base.mean),
        spread=base.spread,
        drifts=(),
        weights=(),
        processes=dict(zip((p.id for p in mixture(weights_of(prior))), base.weights, strict=True)),
        sigma=base.sigma,
        sigma_weight=_noise_weight(rest, seen, prior),
        crew_spread=math.sqrt(found.crew_var),
        crew=_named(seen.layout.crew, found.effect[:crews], found.sd[:crews]),
        work_spread=math.sqrt(found.work_var),
        work=_named(seen.layout.work, found.effect[crews:], found.sd[crews:]),
        use_spread=_use_spread(use_factors, prior),
        learned_from=tuple(learned_from),
    )


def _named(names: Iterable[str], effect: Array, sd: Array) -> dict[str, tuple[float, float]]:
    """Return (median, spread) by name; `spread` itself means something else in a pace file."""
    return {
        name: (math.exp(float(mean)), max(LEAST_SPREAD, float(spread)))
        for name, mean, spread in zip(names, effect, sd, strict=True)
        if name != "spread"
    }


def _noise_weight(rest: Array, seen: PooledEvidence, prior: PacePrior) -> float:
    """Return how many steps' worth of belief the noise deserves: how alike it is between excursions.

    By moments: the squared coefficient of variation of the excursions' variances is 2/n from n steps
    each, and 2/weight for what they really differ by.
    """
    counts = np.bincount(seen.excursion, minlength=seen.excursions)
    several = counts >= 5
    if several.sum() < 3:
        return prior.sigma_weight
    scaled = rest / np.sqrt(seen.noise)
    mean = np.bincount(seen.excursion, scaled, seen.excursions) / np.maximum(counts, 1)
    squares = np.bincount(seen.excursion, (scaled - mean[seen.excursion]) ** 2, seen.excursions)
    variances = squares[several] / (counts[several] - 1)
    differ = variances.var(ddof=1) / variances.mean() ** 2 - float(np.mean(2 / (counts[several] - 1)))
    own = min(MOST_NOISE_WEIGHT, 2 / differ) if differ > 2 / MOST_NOISE_WEIGHT else MOST_NOISE_WEIGHT
    share = several.sum() / (several.sum() + BELIEF_IN_SPREAD)
    return float(prior.sigma_weight ** (1 - share) * max(own, 1.0) ** share)


def _use_spread(factors: Iterable[float], prior: PacePrior) -> float:
    """Return the spread of the use factor about 1, held by a few stores' worth of belief."""
    squares = [math.log(factor) ** 2 for factor in factors if factor > 0]
    belief = BELIEF_IN_SPREAD
    return math.sqrt((sum(squares) + belief * prior.use_spread**2) / (len(squares) + belief))


DECIMALS = 4


def lessons(paths: Sequence[str | Place], *, rehearsals: bool = False) -> PacePrior:
    """Return what the journals teach; a rehearsal only counts when asked for.

    Raises TrackerError when a journal cannot be read or none of them has a finished step.
    """
    return taught(read_journals(paths), rehearsals=rehearsals)


def taught(found: Iterable[tuple[Place, Read]], *, rehearsals: bool = False) -> PacePrior:
    """Return what excursions teach that were read already, each with where its journal is; as `lessons`."""
    used: list[Progress] = []
    learned_from: list[dict[str, object]] = []
    for path, read in found:
        progress = read.progress
        steps = sum(_tells(progress, seen) for seen in progress.observations)
        if progress.rehearsal and not rehearsals:
            say(f"{path}: a rehearsal; left out (--rehearsals takes it in)")
        elif not steps:
            say(f"{path}: no step is finished; left out")
        else:
            used.append(progress)
            source = {"journal": path.name, "uuid": read.uuid, "number": progress.number, "hash": read.hash}
            learned_from.append({**source, "steps": steps})
    if not used:
        raise TrackerError("no journal to learn from; give journals with finished steps")
    stores = (store for progress in used for store in store_courses(progress, crew_ends(progress)))
    factors = [store.factor for store in stores if store.read]
    return _rounded(learn(used, use_factors=factors, learned_from=learned_from))


def _tells(progress: Progress, seen: Observation) -> bool:
    """Whether a finished step says anything of pace."""
    return not seen.blind and seen.planned_s > 0 and not progress.steps[seen.step].step.fixed


def _rounded(prior: PacePrior) -> PacePrior:
    """Return a prior in four decimals, more than any number of excursions can tell: a file for people."""
    numbers = {
        field.name: round(value, DECIMALS)
        for field in fields(prior)
        if isinstance(value := getattr(prior, field.name), float)
    }
    own = {
        name: {
            key: (round(median, DECIMALS), round(spread, DECIMALS)) for key, (median, spread) in group.items()
        }
        for name, group in (("crew", prior.crew), ("work", prior.work))
    }
    processes = {name: round(weight, DECIMALS) for name, weight in prior.processes.items()}
    return replace(prior, processes=processes, **numbers, **own)  # type: ignore[arg-type]
