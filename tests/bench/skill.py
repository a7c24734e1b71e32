"""Is the forecast any good: pinball, coverage, bias, said against happened, beside three simple rivals.

`python -m tests.bench skill [--excursions N | --long] [--first M] [--kinds K …] [--models M R T]`: N
excursions of every kind of truth, none of which is the forecast's own belief, from number M on, judged at
10, 25, 50 and 75 % of the time through plan, journal and estimate as they are. Standard errors are over
excursions. Then what that comes to on a mixture of truths, what 15 s of one tick do, a published excursion,
and a tick that comes late.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tests.bench import late, lunar
from tests.bench.excursions import Array
from tests.bench.rivals import RIVALS, pro_rata
from tests.bench.table import report
from tests.bench.truths import FRESH, TIRING, TRENDS, TRUTHS, Case, make
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin, inside
from tracker.journal.progress import Progress

SHARES = (0.10, 0.25, 0.50, 0.75)
LEVELS = (0.10, 0.50, 0.90)
SAID = (0.90, 0.925, 0.95)
EVERY = np.linspace(0.005, 0.995, 199)
Forecast = Callable[[Case, float], Array]


def ends(progress: Progress, now: float, prior: PacePrior, scenarios: int) -> Array:
    """Return the end of the excursion in every scenario, PET seconds: what the estimate ranges over."""
    world = build_world(progress, now=now, scenarios=scenarios, prior=prior)
    course = advance(world, begin(world), world.present(range(len(world.optional))))
    return inside(world, course).astype(np.float64) + now


def pinball(samples: Array, truth: float) -> float:
    """Return the mean pinball loss of the quantiles at 10, 50 and 90 %."""
    q = np.quantile(samples, LEVELS)
    level = np.array(LEVELS)
    return float(np.mean(np.where(truth >= q, level * (truth - q), (1.0 - level) * (q - truth))))


@dataclass
class Scores:
    """What one model did on one kind: an (excursions, shares) table a measure."""

    loss: list[list[float]] = field(default_factory=list)
    hit: list[list[float]] = field(default_factory=list)
    bias: list[list[float]] = field(default_factory=list)
    """Median less truth, seconds: negative is early, the dangerous side."""
    said: list[list[float]] = field(default_factory=list)
    """Share of the instants said with 90 to 95 % that held."""
    quantiles: list[list[Array]] = field(default_factory=list)
    """Those of `EVERY`, seconds."""
    ends: list[float] = field(default_factory=list)
    """When everybody was inside."""

    def add(self, samples: Sequence[Array], end: float) -> None:
        """Add one excursion: a forecast a share of the time."""
        self.ends.append(end)
        self.quantiles.append([np.quantile(s, EVERY) for s in samples])
        self.loss.append([pinball(s, end) for s in samples])
        edges = [np.quantile(s, [0.1, 0.5, 0.9]) for s in samples]
        self.hit.append([float(low <= end <= high) for low, _, high in edges])
        self.bias.append([float(mid - end) for _, mid, _ in edges])
        self.said.append([float(np.mean(end <= np.quantile(s, SAID))) for s in samples])


def judge(models: Mapping[str, Forecast], kind: str, numbers: Sequence[int]) -> dict[str, Scores]:
    """Return every model's scores on these excursions of a kind."""
    out = {name: Scores() for name in models}
    for number in numbers:
        case = make(kind, number)
        for name, forecast in models.items():
            out[name].add([forecast(case, share * case.end) for share in SHARES], case.end)
    return out


def ratio(ours: Scores, other: Scores) -> tuple[float, float]:
    """Return the ratio of mean losses, and its standard error over excursions."""
    a, b = np.array(ours.loss).mean(axis=1), np.array(other.loss).mean(axis=1)
    r = a.mean() / b.mean()
    return float(r), float(np.std(a - r * b) / np.sqrt(len(a)) / b.mean())


BEST_OF_THREE = "<= 1.08"
TARGETS: Mapping[str, str] = {"steady": "<= 1.35 pro rata", "short": "<= 1.32 best"}


def show(kind: str, found: Mapping[str, Scores], model: str) -> None:
    """Print the row of one kind."""
    mine = found[model]
    rivals = [name for name in RIVALS if name in found]
    best = min(rivals, key=lambda name: float(np.mean(found[name].loss)))
    to_best, error = ratio(mine, found[best])
    figures = (
        f"/pro {ratio(mine, found['pro rata'])[0]:.2f} /best {to_best:.2f}±{error:.2f} ({best}) "
        f"in 80 % {np.mean(mine.hit):.2f} said {np.mean(mine.said):.2f} "
        f"bias {np.mean(mine.bias) / 60:+.0f} min"
    )
    report("skill", f"{kind} ({model})", figures, TARGETS.get(kind, BEST_OF_THREE))


MIXTURE = {"plain": 0.6, "tiring": 0.2, "other": 0.2}
"""What crews are believed to be: most keep a level, a good part tires, the rest warm up, change for good or
go well and badly. Common practice, no source. Within each, every truth counts alike."""
LIMITS, MOST_S = (1.15, 1.30, 1.45), 3600.0
"""Elapsed limits over planned times, and how much get-ahead work there is."""


def _weights(kinds: Sequence[str]) -> Array:
    """Return the weight of each kind in the mixture."""
    part = ["tiring" if k in TIRING else "other" if k in TRENDS else "plain" for k in kinds]
    weights = np.array([MIXTURE[p] / part.count(p) for p in part])
    return np.asarray(weights / weights.sum())


def mixture(found: Mapping[str, Mapping[str, Scores]], numbers: Sequence[int], models: Sequence[str]) -> None:
    """Print what each model loses on the mixture, and how often who goes by it breaks a limit.

    At each of the instants as much get-ahead work is taken in as leaves the limit its chance: .9 by the first
    model, by the others what gets as much done in all. So chances that are merely lower gain nothing.
    """
    kinds = list(found)
    weight = _weights(kinds)
    planned = np.array([[make(kind, n).planned_h * 3600.0 for n in numbers] for kind in kinds])[:, :, None]
    ends = np.array([found[kind][models[0]].ends for kind in kinds])[:, :, None]
    for name in models:
        lost = weight @ [np.mean(found[kind][name].loss) for kind in kinds] / 60.0
        report("skill", f"mixture ({name}): error", f"{lost:.2f} min")
    for limit in LIMITS:

        def won_and_broken(name: str, chance: float, limit: float = limit) -> tuple[float, float]:
            at = np.array([found[kind][name].quantiles for kind in kinds])
            end = at[..., int(np.argmin(np.abs(EVERY - chance)))]
            more = np.clip(limit * planned - end, 0.0, MOST_S)
            broken = (more > 0) & (ends + more > limit * planned)
            return tuple(float(weight @ x.mean(axis=(1, 2))) for x in (more / 60.0, 100.0 * broken))  # type: ignore[return-value]

        aim = won_and_broken(models[0], 0.9)[0]
        for name in models:
            chance = min(EVERY, key=lambda c: abs(won_and_broken(name, c)[0] - aim))
            won, broken = won_and_broken(name, chance)
            what = f"mixture ({name}): limit at {limit:.2f} of the plan, {won:.0f} min won: broken"
            report("skill", what, f"{broken:.2f} %")


def moved_by_a_tick(
    forecast: Forecast, kind: str, numbers: Sequence[int], *, each: int = 4, seconds: float = 15.0
) -> Array:
    """Return by how many minutes p50 moves when one tick is so much later or earlier, half-way through."""
    out = []
    for number in numbers:
        case = make(kind, number)
        t = case.end / 2.0
        before = float(np.median(forecast(case, t)))
        done = case.done(t - seconds)
        for i in np.random.default_rng([5, number]).choice(done, min(each, len(done)), replace=False):
            for by in (seconds, -seconds):
                after = float(np.median(forecast(replace(case, shift={int(i): by}), t)))
                out.append(abs(after - before) / 60.0)
    return np.array(out)


def main(argv: Sequence[str]) -> None:
    """Print the table: every truth against the rivals, and what a quarter of a minute of one tick does."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench skill")
    parser.add_argument("--excursions", type=int, default=20, help="of each kind")
    parser.add_argument("--first", type=int, default=FRESH, help="number of the first")
    parser.add_argument("--long", action="store_true", help="60 of each kind")
    parser.add_argument("--quick", action="store_true", help="4 of each kind")
    parser.add_argument("--kinds", nargs="*", default=list(TRUTHS))
    parser.add_argument("--models", nargs="*", default=["M"], help="M, the built-in belief, R or T")
    asked = parser.parse_args(argv)
    count = 60 if asked.long else 4 if asked.quick else asked.excursions
    numbers = range(asked.first, asked.first + count)
    models: dict[str, Forecast] = {"pro rata": pro_rata, **RIVALS}
    models |= {name: model(name) for name in asked.models}
    every = {}
    for kind in asked.kinds:
        every[kind] = found = judge(models, kind, numbers)
        for name in asked.models:
            show(kind, found, name)
    mixture(every, numbers, asked.models)
    for name in asked.models:
        for kind in ("base", "late-rounded", "six", "short"):
            moved = moved_by_a_tick(model(name, SENSITIVE), kind, numbers[:8])
            figure = f"95 % {np.quantile(moved, 0.95):.1f} max {moved.max():.1f} min"
            report("skill", f"{kind} ({name}): 15 s of one tick move p50", figure, "95 % <= 3, max <= 12")
    lunar.main()
    late.main()


SENSITIVE = 4000
"""Scenarios for what one tick does: with fewer, p50 jitters as shares move between components."""


PRIORS = {
    "M": DEFAULT_PRIOR,
    "R": PacePrior(
        processes={
            "level": 0.45,
            "wander": 0.03,
            "tires": 0.08,
            "tires2": 0.04,
            "warms": 0.10,
            "streaks": 0.10,
            "long": 0.20,
        }
    ),
    "T": PacePrior(
        processes={
            "level": 0.25,
            "walk": 0.05,
            "wander": 0.14,
            "roam": 0.05,
            "tires": 0.13,
            "tires2": 0.13,
            "warms": 0.10,
            "streaks": 0.05,
            "long": 0.10,
        }
    ),
}
"""R as most crews are, T for crews that tire, M, the built-in belief, between them."""


def model(name: str, scenarios: int = 1000) -> Forecast:
    """Return the forecast under the weights of processes of this name."""
    return lambda case, t: ends(case.progress(t), t, PRIORS[name], scenarios)
