"""Pace for the next plan from the journals of past excursions, as far as it helps.

Hides which journals count, and how much of what they teach is believed: as much of it as would have forecast
those best that were left out, one after another. The fit itself stands in `prior_fit`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from tracker.debrief.consumed import store_courses
from tracker.debrief.excursion import all_inside
from tracker.debrief.forecast_scores import QUARTERS, judge
from tracker.debrief.journals import Read, read_journals, say
from tracker.debrief.prior_fit import (
    BELIEF_IN_SPREADS,
    Array,
    Fit,
    Likelihood,
    fit,
    grid_of_learning,
    likelihood,
    noise_of,
)
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.pace_grid import SIGMA_WEIGHTS, USUAL_BELIEF, USUAL_SIGMA, WIDEST
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import spelled
from tracker.foundation.waiting import Waiting
from tracker.journal.place import Place
from tracker.journal.progress import Observation, Progress

LEAST_SPREAD = 0.02
"""Nobody is known better than this: people differ from one day to the next."""
MOST_NOISE_WEIGHT = 60.0
DECIMALS = 4

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""How much of what was learned may be believed; the rest is the built-in belief."""
UNTRIED = 0.25
"""How much of it is, where there is nothing to try it on."""
LEAST_TRIED, MOST_TRIED, FOLDS = 3, 40, 10
"""So many excursions are left out at least, and at most, to try it on; in at most so many portions."""
ENOUGH = 10
"""With fewer left out all of it is never believed: three or four that are alike by chance would be."""
SURE = 2.0
"""By so many standard errors a larger share has to help: of several that are tried one is better by luck."""
SCENARIOS = 500


def learn(
    excursions: Sequence[Progress],
    *,
    use_factors: Iterable[float] = (),
    learned_from: Iterable[Mapping[str, Any]] = (),
) -> PacePrior:
    """Return what these excursions teach for one that is not among them, all of it believed.

    `use_factors` are consumables actually used over what their plans' rates say, one a store. With few
    excursions the answer stays near the built-in belief; without any it is that.
    """
    seen = [found for found in map(likelihood, excursions) if found is not None]
    return _prior(seen, use_factors, learned_from)


def _prior(
    seen: Sequence[Likelihood], use_factors: Iterable[float], learned_from: Iterable[Mapping[str, Any]] = ()
) -> PacePrior:
    if not seen:
        return replace(DEFAULT_PRIOR, learned_from=tuple(learned_from))
    found, grid = fit(seen), grid_of_learning()
    sigma, sigma_weight = _noise(found)
    crew, work = _named(found)
    return replace(
        DEFAULT_PRIOR,
        median=math.exp(found.mean),
        spread=found.spread,
        processes={p.id: float(w) for p, w in zip(grid.processes, found.processes, strict=True)},
        lateness={h.id: float(w) for h, w in zip(grid.habits, found.habits, strict=True)},
        sigma=sigma,
        sigma_weight=sigma_weight,
        crew_spread=math.sqrt(found.crew_var),
        crew=crew,
        work_spread=math.sqrt(found.work_var),
        work=work,
        use_spread=_use_spread(use_factors),
        learned_from=tuple(learned_from),
    )


def _named(found: Fit) -> tuple[dict[str, tuple[float, float]], dict[str, tuple[float, float]]]:
    """Return (median, spread) by id of crew and of work; `spread` itself means something else in a pace file.

    An id that two people had says nothing of whoever has it next.
    """
    ids = [c for c, _ in found.crew]
    crew = [c if ids.count(c) == 1 else "spread" for c in ids]
    sd = np.maximum(found.sd, LEAST_SPREAD)
    each = [(math.exp(float(mean)), float(spread)) for mean, spread in zip(found.effect, sd, strict=True)]
    first, second = (
        {name: pair for name, pair in zip(names, pairs, strict=True) if name != "spread"}
        for names, pairs in ((crew, each[: len(ids)]), (found.work, each[len(ids) :]))
    )
    return first, second


def _noise(found: Fit) -> tuple[float, float]:
    """Return noise and the steps' worth of belief in it for which a pace file means the noises found."""
    middle, usual_differ = noise_of(np.array(SIGMA_WEIGHTS))
    mean, differ = noise_of(found.sigmas)
    narrow = min(max(differ / usual_differ, math.sqrt(USUAL_BELIEF / MOST_NOISE_WEIGHT)), WIDEST)
    sigma = math.exp(mean - narrow * (middle - math.log(USUAL_SIGMA)))
    return sigma, USUAL_BELIEF / narrow**2


def _use_spread(factors: Iterable[float]) -> float:
    """Return the spread of the use factor about 1, held by a few stores' worth of belief."""
    squares = [math.log(factor) ** 2 for factor in factors if factor > 0]
    belief = BELIEF_IN_SPREADS
    return math.sqrt((sum(squares) + belief * DEFAULT_PRIOR.use_spread**2) / (len(squares) + belief))


def blended(learned: PacePrior, share: float) -> PacePrior:
    """Return a share of what was learned, the rest being the built-in belief.

    Weights are shared out linearly, medians, spreads and noise as logarithms.
    """
    usual = DEFAULT_PRIOR

    def between(before: float, after: float) -> float:
        return math.exp((1.0 - share) * math.log(before) + share * math.log(after))

    def own(group: Mapping[str, tuple[float, float]], spread: float) -> dict[str, tuple[float, float]]:
        return {key: (between(1.0, m), between(spread, s)) for key, (m, s) in group.items()}

    grid = grid_of_learning()
    before = {p.id: p.weight for p in grid.processes}, {h.id: h.weight for h in grid.habits}
    processes, lateness = (
        {name: (1.0 - share) * weight + share * after.get(name, 0.0) for name, weight in weights.items()}
        if after
        else {}
        for weights, after in zip(before, (learned.processes, learned.lateness), strict=True)
    )
    names = ("median", "spread", "sigma", "sigma_weight", "crew_spread", "work_spread", "use_spread")
    numbers = {name: between(getattr(usual, name), getattr(learned, name)) for name in names}
    return replace(
        learned,
        processes=processes,
        lateness=lateness,
        crew=own(learned.crew, usual.crew_spread),
        work=own(learned.work, usual.work_spread),
        **numbers,  # type: ignore[arg-type]
    )


@dataclass(frozen=True)
class Trial:
    """How each share of what the others taught forecast the excursions left out."""

    crps: Array
    """(shares, excursions): mean over the quarters of the time, seconds."""

    @property
    def share(self) -> float:
        """The share that forecast best of those whose gain is hardly luck; without any at most `UNTRIED`."""
        if self.untold:
            return UNTRIED
        means = dict(zip(SHARES, self._means, strict=False))
        sure = [share for share in means if self.shown(share, SURE)]
        return min(sure or [min(min(means, key=means.__getitem__), UNTRIED)], key=means.__getitem__)

    def shown(self, share: float, errors: float = 1.0) -> bool:
        """Whether it helped by more than it may have by luck: so many standard errors of what was gained."""
        if self.untold or not share:
            return False
        gain, error = self.gain(share)
        return gain > errors * error

    @property
    def _means(self) -> Array:
        """Of each share that so many excursions may be believed to."""
        most = max(self.crps.shape[1] / ENOUGH, UNTRIED)
        return np.asarray(self.crps.mean(axis=1)[[share <= most for share in SHARES]])

    @property
    def untold(self) -> bool:
        """Whether too few were left out to tell anything by."""
        return len(self.crps.T) < LEAST_TRIED

    def of(self, share: float) -> Array:
        """(excursions,): how far off each was with this share."""
        return np.asarray(self.crps[SHARES.index(share)])

    @property
    def mildest(self) -> float:
        """The share above none that forecast best."""
        return UNTRIED if self.untold else SHARES[1 + int(np.argmin(self._means[1:]))]

    def gain(self, share: float) -> tuple[float, float]:
        """By how much the built-in belief was further off, seconds, and the standard error of that."""
        better = self.crps[0] - self.of(share)
        return float(better.mean()), float(better.std(ddof=1) / math.sqrt(better.size))


def trial(excursions: Sequence[Progress], seen: Sequence[Likelihood | None]) -> Trial:
    """Return how every excursion, or as many as take a minute, is forecast by what the others teach."""
    many, waiting = len(excursions), Waiting()
    folds = [range(k, many, min(many, FOLDS)) for k in range(min(many, FOLDS))]
    tried = set(np.linspace(0, many - 1, min(many, MOST_TRIED)).astype(int).tolist())
    rows = []
    for fold in folds if many >= LEAST_TRIED else []:
        learned = _prior([one for i, one in enumerate(seen) if one is not None and i not in fold], ())
        priors = [blended(learned, share) if share else DEFAULT_PRIOR for share in SHARES]
        for i in tried.intersection(fold):
            rows.append([_off(excursions[i], prior) for prior in priors])
            waiting.share("left out", len(rows), len(tried))
    waiting.clear()
    kept = [row for row in rows if None not in row]
    return Trial(np.array(kept, dtype=float).reshape(len(kept), len(SHARES)).T)


def _off(progress: Progress, prior: PacePrior) -> float | None:
    """Return how far off the end is forecast (CRPS) over the quarters of the time; None where it has none."""
    if (end := all_inside(progress)) is None:
        return None
    found = judge(progress, end, [end * q for q in QUARTERS], scenarios=SCENARIOS, prior=prior)
    return None if found is None else found.crps


@dataclass(frozen=True)
class Lessons:
    """What excursions teach, and how much of it is believed."""

    excursions: Sequence[Progress]
    learned: PacePrior
    trial: Trial

    @property
    def share(self) -> float:
        """How much of what was learned helps; 0: nothing of it does."""
        return self.trial.share

    @property
    def prior(self) -> PacePrior:
        """The belief to write, in four decimals; where nothing helps, the part that does least harm."""
        return _rounded(blended(self.learned, self.share or self.trial.mildest))


def lessons(paths: Sequence[str | Place], *, rehearsals: bool = False) -> Lessons:
    """Return what the journals teach; a rehearsal only counts when asked for.

    Raises TrackerError when a journal cannot be read or none of them has a finished step.
    """
    return taught(read_journals(paths), rehearsals=rehearsals)


def taught(found: Iterable[tuple[Place, Read]], *, rehearsals: bool = False) -> Lessons:
    """Return what excursions teach that were read already, each with where its journal is; as `lessons`."""
    used: list[Progress] = []
    learned_from: list[dict[str, object]] = []
    for path, read in found:
        progress = read.progress
        steps = sum(tells(progress, seen) for seen in progress.observations)
        if progress.rehearsal and not rehearsals:
            say(f"{path}: a rehearsal; left out (--rehearsals takes it in)")
        elif not steps:
            say(f"{path}: no step is finished; left out")
        else:
            used.append(progress)
            source = {
                "journal": spelled(path.name),
                "uuid": read.uuid,
                "number": progress.number,
                "hash": read.hash,
            }
            learned_from.append({**source, "steps": steps})
    if not used:
        raise TrackerError("no journal to learn from; give journals with finished steps")
    stores = (store for progress in used for store in store_courses(progress))
    factors = [store.factor for store in stores if any(not one.replaced for one in store.readings)]
    seen = [likelihood(progress) for progress in used]
    telling = [one for one in seen if one is not None]
    return Lessons(used, _prior(telling, factors, learned_from), trial(used, seen))


def tells(progress: Progress, seen: Observation) -> bool:
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
    weights = {
        name: {key: round(weight, DECIMALS) for key, weight in group.items()}
        for name, group in (("processes", prior.processes), ("lateness", prior.lateness))
    }
    return replace(prior, **numbers, **own, **weights)  # type: ignore[arg-type]
