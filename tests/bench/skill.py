"""Is the forecast any good: against paper, pro rata and an oracle, on excursions whose truth is known.

`python -m tests.bench skill [--excursions N | --full] [--first M]`: N of each kind (40; with `--full` 400),
from number M on (0; others are cases that no constant was looked at with), judged at 10, 25, 50 and 75 % of
the time by the continuous ranked probability score of the end, through plan, journal and estimate as they
are. Standard errors are over excursions. Then a published excursion, and a tick that comes late.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench import late, lunar
from tests.bench.excursions import KINDS, Array, Case, make, noise, play
from tests.bench.table import report
from tracker.debrief.judged import crps_samples
from tracker.forecast.prior import DEFAULT_PRIOR, PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin, inside
from tracker.journal.progress import Progress

SHARES = (0.10, 0.25, 0.50, 0.75)
SCENARIOS = 1000
RATIO = {"lognormal": "<= 0.57", "heavy": "<= 0.58", "tiring": "<= 0.50", "surprise": "<= 0.52"}
COVERAGE = {"lognormal": "75-85 %", "heavy": "75-85 %", "tiring": ">= 72 %", "surprise": "75-85 %"}
ORACLE = {"lognormal": "<= 1.65", "heavy": "<= 1.4"}
PLAIN = PacePrior(drifts=(0.0,), weights=(1.0,))
INFORMED = PacePrior(drifts=(0.0,), weights=(1.0,), sigma_weight=1e6)

Forecast = Callable[[Case, float], Array]


@dataclass
class Scores:
    """Scores of one kind: per model a row of four per excursion."""

    loss: dict[str, list[list[float]]] = field(default_factory=dict)
    hit: dict[str, list[list[float]]] = field(default_factory=dict)

    def add(self, model: str, loss: list[float], hit: list[float]) -> None:
        """Add one excursion."""
        self.loss.setdefault(model, []).append(loss)
        self.hit.setdefault(model, []).append(hit)

    def ratio(self, model: str, other: str) -> tuple[float, float]:
        """Return the ratio of mean scores and its standard error over excursions."""
        a, b = (np.array(self.loss[m]).mean(axis=1) for m in (model, other))
        ratio = a.mean() / b.mean()
        return float(ratio), float(np.std(a - ratio * b) / np.sqrt(len(a)) / b.mean())

    def coverage(self, model: str) -> tuple[float, float]:
        """Return the share of ends inside the 80 % interval, and its standard error over excursions."""
        each = np.array(self.hit[model]).mean(axis=1)
        return float(each.mean()), float(each.std() / np.sqrt(len(each)))

    def by_share(self, model: str, other: str) -> str:
        """Return the ratios at each share of the time."""
        ratio = np.array(self.loss[model]).mean(axis=0) / np.array(self.loss[other]).mean(axis=0)
        return " ".join(f"{value:.2f}" for value in ratio)


def ends(progress: Progress, now: float, prior: PacePrior, scenarios: int = SCENARIOS) -> Array:
    """Return the end of the excursion in every scenario, PET seconds: what the estimate ranges over."""
    world = build_world(progress, now=now, scenarios=scenarios, prior=prior)
    course = advance(world, begin(world), world.present(range(len(world.optional))))
    return inside(world, course).astype(np.float64) + now


def by_model(prior: PacePrior) -> Forecast:
    """Return the forecast under a prior."""
    return lambda case, t: ends(case.progress(t), t, prior)


def planned_left(case: Case, t: float) -> float:
    """Return the time left on paper: what is under way is credited with the time it has taken."""
    left = case.left(t)
    rest = [max(case.likely[i] - case.spent(i, t), 0.0) for i in left]
    return float(max(finish for _, finish in play([case.crew[i] for i in left], rest)))


def paper(case: Case, t: float) -> Array:
    """Return the end by a paper timeline: now, and the planned time left."""
    return np.array([t + planned_left(case, t)])


def pro_rata(case: Case, t: float) -> Array:
    """Return the end by planned time left times actual over planned time of what is done."""
    done = [i for i in range(len(case.likely)) if case.actual[i][1] <= t]
    actual = sum(case.duration[i] * len(case.crew[i]) for i in done)
    planned = sum(case.likely[i] * len(case.crew[i]) for i in done)
    return np.array([t + planned_left(case, t) * (actual / planned if planned else 1.0)])


def oracle(case: Case, t: float) -> Array:
    """Return the end by the true pace, tiring, spread and surprise; only the noise is unknown."""
    rng = np.random.default_rng([9, case.number, int(1e3 * t / case.end)])
    left, rows = case.left(t), []
    for i in left:
        spent = case.spent(i, t)
        many = case.likely[i] * np.exp(
            case.centre[i] + noise(case.kind, rng, SCENARIOS * (40 if spent else 1))
        )
        longer = many[many > spent]
        longer = longer if longer.size else np.array([spent + 1.0])
        rows.append(np.resize(longer, SCENARIOS) - spent)
    played = play([case.crew[i] for i in left], rows, t)
    return np.asarray(np.maximum.reduce([finish for _, finish in played]))


MODELS: Mapping[str, Forecast] = {
    "paper": paper,
    "pro rata": pro_rata,
    "oracle": oracle,
    "plain": by_model(PLAIN),
    "informed": by_model(INFORMED),
    "ours": by_model(DEFAULT_PRIOR),
}


def judge(kind: str, excursions: int, first: int = 0) -> Scores:
    """Return the scores of every model on that many excursions of a kind, from that number on."""
    scores = Scores()
    for number in range(first, first + excursions):
        case = make(kind, number)
        for name, forecast in MODELS.items():
            loss, hit = [], []
            for share in SHARES:
                end = forecast(case, share * case.end)
                low, high = np.quantile(end, [0.1, 0.9])
                loss.append(crps_samples(end, case.end))
                hit.append(float(low <= case.end <= high))
            scores.add(name, loss, hit)
    return scores


def show(kind: str, scores: Scores) -> None:
    """Print the rows of one kind."""
    report("skill", f"{kind}: CRPS ours / pro rata", _pm(scores.ratio("ours", "pro rata")), RATIO[kind])
    report("skill", f"{kind}: at 10, 25, 50, 75 % of the time", scores.by_share("ours", "pro rata"))
    share, error = scores.coverage("ours")
    covered = f"{100 * share:.1f} ± {100 * error:.1f} %"
    report("skill", f"{kind}: ends inside the 80 % interval", covered, COVERAGE[kind])
    report("skill", f"{kind}: CRPS ours / oracle", _pm(scores.ratio("ours", "oracle")), ORACLE.get(kind, ""))
    report("skill", f"{kind}: paper / pro rata", _pm(scores.ratio("paper", "pro rata")))
    report("skill", f"{kind}: oracle / pro rata", _pm(scores.ratio("oracle", "pro rata")))
    report("skill", f"{kind}: ours without drift / pro rata", _pm(scores.ratio("plain", "pro rata")))
    informed = _pm(scores.ratio("informed", "oracle"))
    report("skill", f"{kind}: told of no drift and the exact noise / oracle", informed)


def _pm(value: tuple[float, float]) -> str:
    return f"{value[0]:.3f} ± {value[1]:.3f}"


def main(argv: Sequence[str]) -> None:
    """Run the bench and print its rows."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench skill")
    parser.add_argument("--excursions", type=int, default=40, help="of each kind")
    parser.add_argument("--first", type=int, default=0, help="number of the first excursion")
    parser.add_argument("--full", action="store_true", help="400 of each kind")
    parser.add_argument("--quick", action="store_true", help="8 of each kind")
    asked = parser.parse_args(argv)
    count = 400 if asked.full else 8 if asked.quick else asked.excursions
    print(f"{count} excursions of each kind, {SCENARIOS} scenarios", flush=True)
    for kind in KINDS:
        show(kind, judge(kind, count, asked.first))
    lunar.main()
    late.main()
