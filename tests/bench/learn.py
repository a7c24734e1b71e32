"""What learning is worth: forecasts of excursions that were not learned from, with and without it."""

from __future__ import annotations

import argparse

from tests.bench.table import report
from tests.journal.memory_store import in_memory
from tests.seasons import Truth, events, plan
from tracker.debrief.judged import QUARTERS, Forecasted, Judgement, judge, judgement
from tracker.debrief.learn import learn
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.journal.progress import Progress

SEASONS = {
    "steady crew": Truth(),
    "fast crew": Truth(median=0.92, spread=0.04, sigma=0.15),
    "crew that tires": Truth(tiring=0.07),
    "crew that wanders": Truth(drift=0.15),
    "crew as believed": Truth(
        median=1.05, spread=0.15, sigma=0.33, work={"carry": 0, "drive": 0, "fasten": 0}
    ),
}
"""Truths to learn. The forecast's drift leans towards tiring, so a crew that wanders without direction is
one that no weight of it describes; the last is what is believed anyway, so that learning can only lose."""
SCENARIOS = 1000


def main(argv: list[str]) -> None:
    """Print the held-out score with the learned prior over the score without it, season by season."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench learn")
    parser.add_argument("--quick", action="store_true", help="fewer excursions")
    quick = parser.parse_args(argv).quick
    for name, truth in SEASONS.items():
        for lessons in (10,) if quick else (3, 10, 40):
            _season(name, truth, lessons, held_out=10 if quick else 40)


def _season(name: str, truth: Truth, lessons: int, *, held_out: int) -> None:
    learned = learn([_excursion(truth, seed) for seed in range(lessons)])
    after = [_excursion(truth, 1000 + seed) for seed in range(held_out)]
    with_it, without = _score(after, learned), _score(after, DEFAULT_PRIOR)
    what = f"{name}, {lessons} lessons: held-out CRPS with / without"
    figure = f"{with_it.crps / without.crps:.2f}"
    report(
        "learn", what, figure, "< 1" if name not in ("crew that wanders", "crew as believed") else "about 1"
    )
    covered = f"{100 * with_it.coverage:.0f} %, was {100 * without.coverage:.0f} %"
    report("learn", f"{name}, {lessons} lessons: coverage of the 80 % range", covered)


def _excursion(truth: Truth, seed: int) -> Progress:
    with in_memory(plan(60, seed=seed % 5, consumables=False), seed=f"season-{seed}") as journal:
        journal.record_all(events(journal.plan, truth, seed=seed))
        return journal.progress()


def _score(excursions: list[Progress], prior: PacePrior) -> Judgement:
    moments: list[Forecasted] = []
    ends: list[float] = []
    for progress in excursions:
        end = progress.at
        found = judge(progress, end, [end * share for share in QUARTERS], scenarios=SCENARIOS, prior=prior)
        assert found is not None
        moments += found.moments
        ends += [end] * len(found.moments)
    scored = judgement(moments, ends, SCENARIOS)
    assert scored is not None
    return scored
