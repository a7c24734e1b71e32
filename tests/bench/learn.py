"""What learning is worth: forecasts of excursions that were not learned from, with and without it.

`python -m tests.bench learn [--excursions N …] [--splits S] [--held-out N] [--first M] [--kinds K …]`: from
N excursions of a kind, as `tracker learn` would write it; where that refuses, nothing is used. Kinds are
seasons of one crew, the same through all of it, and the truths of `skill`, whose crews differ each day.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from tests.bench.skill import SAID
from tests.bench.table import report
from tests.bench.truths import FRESH, make
from tests.journal.memory_store import in_memory
from tests.seasons import Truth, events, plan
from tracker.debrief.forecast_scores import QUARTERS, Forecasted, judge
from tracker.debrief.learn import Lessons, learn, trial
from tracker.debrief.prior_fit import likelihood
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.journal.progress import Progress

NONE = dict.fromkeys(("carry", "drive", "fasten"), 0.0)
SEASONS: Mapping[str, Truth] = {
    "steady crew": Truth(),
    "fast crew": Truth(median=0.92, spread=0.04, sigma=0.15),
    "crew that tires": Truth(tiring=0.07),
    "crew that wanders": Truth(drift=0.15),
    "crew as believed": Truth(median=1.05, spread=0.15, sigma=0.33, crew={"EV1": 0.0, "EV2": 0.0}, work=NONE),
}
"""Truths to learn. A crew that wanders without direction is one that no weight of a process describes; the
last is nearly what is believed anyway."""
OTHERS = ("lognormal", "heavy", "steady", "tiring", "tiring-hard", "warm-up", "step-change", "late-rounded")
"""Truths of `skill`."""
SCENARIOS = 1000
Seen = tuple[Progress, float]
"""An excursion, and when everybody was inside."""


def main(argv: Sequence[str]) -> None:
    """Print the held-out error with what was learned over that without it, and whether ranges hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench learn")
    parser.add_argument("--quick", action="store_true", help="fewer excursions, and a third of the kinds")
    parser.add_argument("--excursions", type=int, nargs="*", default=[3, 10], help="to learn from")
    parser.add_argument("--splits", type=int, default=3, help="sets of excursions to learn from")
    parser.add_argument("--held-out", type=int, default=30, help="excursions to forecast")
    parser.add_argument("--first", type=int, default=FRESH, help="number of the first excursion")
    parser.add_argument("--kinds", nargs="*")
    asked = parser.parse_args(argv)
    many, splits, held = ([5], 1, 6) if asked.quick else (asked.excursions, asked.splits, asked.held_out)
    for kind in asked.kinds or [*SEASONS, *OTHERS][:: 3 if asked.quick else 1]:
        made = _season if kind in SEASONS else _truth
        after = [made(kind, asked.first + number) for number in range(held)]
        without = _forecasts(after, DEFAULT_PRIOR)
        for lessons in many:
            firsts = [asked.first + held + split * max(many) for split in range(splits)]
            _show(
                kind,
                lessons,
                [[made(kind, first + n)[0] for n in range(lessons)] for first in firsts],
                after,
                without,
            )


def _show(
    kind: str,
    many: int,
    sets: Sequence[Sequence[Progress]],
    after: Sequence[Seen],
    without: Sequence[tuple[Forecasted, ...]],
) -> None:
    """Print the rows of one kind, learned from so many excursions."""
    shares: list[float] = []
    ratios: list[float] = []
    found: list[tuple[Forecasted, ...]] = []
    for few in sets:
        lessons = Lessons(few, learn(few), trial(few, [likelihood(one) for one in few]))
        shares.append(lessons.share)
        mine = _forecasts(after, lessons.prior) if lessons.share else without
        ratios.append(_mean(mine, lambda m: m.crps) / _mean(without, lambda m: m.crps))
        found += mine
    what = f"{kind}, learned from {many}"
    told = f"{np.mean(ratios):.2f} (worst {max(ratios):.2f}; shares {' '.join(f'{s:g}' for s in shares)})"
    report("learn", f"{what}: held-out error with / without", told, "<= 1.03")
    tires = "tir" in kind and many >= 10
    covered = f"{_mean(found, _covered):.2f}, was {_mean(without, _covered):.2f}"
    report("learn", f"{what}: in the range of 80 %", covered, ">= .72" if tires else "")
    held = f"{_mean(found, _held):.2f}, was {_mean(without, _held):.2f}"
    report("learn", f"{what}: of what is said with 90 to 95 % happens", held, ">= .75" if tires else "")


def _mean(found: Sequence[Sequence[Forecasted]], of: Callable[[Forecasted], float]) -> float:
    return float(np.mean([np.mean([of(moment) for moment in one]) for one in found]))


def _covered(moment: Forecasted) -> float:
    return float(moment.covered)


def _held(moment: Forecasted) -> float:
    return float(np.mean([moment.pit <= said for said in SAID]))


def _season(kind: str, number: int) -> Seen:
    with in_memory(plan(60, seed=number % 5, consumables=False), seed=f"season-{number}") as journal:
        journal.record_all(events(journal.plan, SEASONS[kind], seed=number))
        progress = journal.progress()
        return progress, progress.at


def _truth(kind: str, number: int) -> Seen:
    case = make(kind, number)
    return case.whole.progress(), case.end


def _forecasts(excursions: Sequence[Seen], prior: PacePrior) -> list[tuple[Forecasted, ...]]:
    """Return what was forecast of each excursion at the quarters of its time."""
    found = [
        judge(progress, end, [end * share for share in QUARTERS], scenarios=SCENARIOS, prior=prior)
        for progress, end in excursions
    ]
    return [one.moments for one in found if one is not None]
