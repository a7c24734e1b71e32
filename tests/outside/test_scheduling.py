"""Published scheduling values, reproduced through plan, journal and estimate."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.flat import flat
from tests.runs import Run, task
from tests.worlds import Work, world
from tracker.forecast.estimate import estimate
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world
from tracker.forecast.world import advance, begin, inside
from tracker.plan.timeline import as_planned

# "General Foundry" of Render, Stair and Hanna, Quantitative Analysis for Management: activity times
# optimistic/most likely/pessimistic in weeks. Expected time (a + 4m + b)/6 and variance ((b - a)/6)² after
# Malcolm and others, Operations Research 7 (1959).
FOUNDRY = {
    "A": (1, 2, 3, ()),
    "B": (2, 3, 4, ()),
    "C": (1, 2, 3, ("A",)),
    "D": (2, 4, 6, ("B",)),
    "E": (1, 4, 7, ("C",)),
    "F": (1, 2, 9, ("C",)),
    "G": (3, 4, 11, ("D", "E")),
    "H": (1, 2, 3, ("F", "G")),
}
CRITICAL = "ACEGH"
HOURS = 3600


def expected(name: str) -> int:
    a, m, b, _ = FOUNDRY[name]
    return round((a + 4 * m + b) / 6)


def foundry(*, spread: bool = False) -> Run:
    """Return the network as an excursion in which a week is an hour and every activity has its own crew."""
    tasks = []
    for name, (low, _, high, needs) in FOUNDRY.items():
        time = f"{expected(name)}:00"
        given = {"low": f"{low}:00", "likely": time, "high": f"{high}:00"} if spread else time
        done_by = {"id": "x", "do": f"Activity {name}", "crew": [f"EV{name}"], "time": given}
        tasks.append(task(name, done_by | {"needs": [f"{n}.x" for n in needs]}))
    return Run(*tasks, crew=" ".join(f"EV{name}" for name in FOUNDRY), limits={"elapsed": "16:00"})


def test_the_foundry_takes_fifteen_on_its_critical_path() -> None:
    made = flat(foundry().now)
    assert made.inside.p50 == 15 * HOURS
    assert (made.safe, made.margin.p50) == (1.0, HOURS)
    finish = {s.step[0]: (s.finish.p50 or 0) / HOURS for s in made.steps}
    # Earliest finishes of the same example.
    assert finish == {"A": 2, "B": 3, "C": 4, "D": 7, "E": 8, "F": 7, "G": 13, "H": 15}
    assert "".join(s[0] for s in as_planned(foundry().now.plan).critical) == CRITICAL


def test_the_foundry_with_its_critical_variance_keeps_sixteen_in_715_of_1000() -> None:
    """P(T ≤ 16) = Φ(1/√(112/36)) = 0.715, along the critical path alone, with normal sums, as in the book."""
    variance = sum(((FOUNDRY[n][2] - FOUNDRY[n][0]) / 6) ** 2 for n in CRITICAL)
    assert variance == pytest.approx(112 / 36)
    rng = np.random.default_rng(5)
    n = 200_000
    works = []
    for before, name in zip(" " + CRITICAL, CRITICAL, strict=False):
        low, _, high, _ = FOUNDRY[name]
        row = expected(name) * 60 + (high - low) / 6 * 60 * rng.standard_normal(n)
        works.append(Work(name, name, row.tolist(), needs=before.strip()))
    made = world(works, 16 * 60)
    end = inside(made, advance(made, begin(made), range(len(works)))) / 60
    assert float(end.mean()) == pytest.approx(15, abs=0.02)
    assert float(end.var()) == pytest.approx(112 / 36, rel=0.02)
    assert float((end <= 16).mean()) == pytest.approx(0.715, abs=0.005)


def test_sampled_low_likely_high_merge_later_than_the_critical_path_alone() -> None:
    """With spread the end is later than the longest path of medians: a maximum is (Clark 1961)."""
    prior = PacePrior(
        1.0, 0.0, (0.0,), (1.0,), sigma=0.33, sigma_weight=1e9, crew_spread=0.0, work_spread=0.0
    )
    run = foundry(spread=True)
    made = estimate(run.now, 0, prior=prior)
    path = sum(math.sqrt(FOUNDRY[n][0] * FOUNDRY[n][2]) for n in CRITICAL)
    assert made.inside.p50 is not None and made.inside.p50 / HOURS > path
    assert made.inside.p10 is not None and made.inside.p90 is not None
    assert made.inside.p10 < made.inside.p50 < made.inside.p90
    assert _simulated(run, prior) == pytest.approx(made.inside.p50, abs=0.02)


def _simulated(run: Run, prior: PacePrior) -> float:
    """Return the median end by playing every scenario activity by activity, in float64."""
    drawn = build_world(run.now, now=0, prior=prior)
    rows = {node.step[0]: drawn.durations[i].astype(np.float64) for i, node in enumerate(drawn.nodes)}
    finish: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for name, (_, _, _, needs) in FOUNDRY.items():
        start = np.max([finish[n] for n in needs], axis=0) if needs else np.zeros(drawn.scenarios)
        finish[name] = start + rows[name]
    end = np.max(list(finish.values()), axis=0)
    return float(np.sort(end)[round(0.5 * (len(end) - 1))])


@pytest.mark.parametrize(
    ("mean", "sd", "later_mean", "later_sd"),
    [(0.0, 1.0, 0.564190, math.sqrt(0.681690)), (60.0, 10.0, 65.642, 8.256)],
)
def test_the_later_of_two_normals(mean: float, sd: float, later_mean: float, later_sd: float) -> None:
    """Clark, Operations Research 9 (1961): mean m + s/√π, variance s²(1 - 1/π) for two alike.

    Two crew members must be inside together; a day is added so that no time is negative.
    """
    day, n = 1440.0, 400_000
    rng = np.random.default_rng(11)
    works = [Work(c, c, (day + mean + sd * rng.standard_normal(n)).tolist()) for c in ("EV1", "EV2")]
    made = world(works, 1e6)
    end = inside(made, advance(made, begin(made), (0, 1))).astype(np.float64) - day
    error = 4 * sd / math.sqrt(n)
    assert float(end.mean()) == pytest.approx(later_mean, abs=error)
    assert float(end.std()) == pytest.approx(later_sd, abs=error)
    assert later_mean == pytest.approx(mean + sd / math.sqrt(math.pi), abs=1e-3)
    assert later_sd == pytest.approx(sd * math.sqrt(1 - 1 / math.pi), abs=1e-3)


@pytest.mark.parametrize("covers", [7])
def test_fasteners_of_seven_covers_are_one_counted_step_of_21(covers: int) -> None:
    """A cover held by three fasteners, seven covers: common practice, no source."""
    release = {"id": "x", "do": "Release", "crew": ["EV1"], "time": "0:42", "count": 3 * covers}
    run = Run(task("cover", release), task("home", release | {"id": "y", "count": 1}, closeout=True))
    run("counted", 1200, step="cover.x", count=10)
    made = flat(run.now)
    # Eleven of 21 are left, the next one since now: 11 of 2 min each.
    assert next(s for s in made.steps if s.step == "cover.x").finish.p50 == pytest.approx(
        1200 + 11 * 120, abs=0.1
    )


def test_a_rail_is_used_only_after_both_of_its_fasteners() -> None:
    """A rail takes two fasteners and may be used only after both: common practice, no source."""
    bolt = {"do": "Fasten", "crew": ["EV1"], "time": "0:10"}
    run = Run(
        task("rail", bolt | {"id": "one"}, bolt | {"id": "two", "crew": ["EV2"], "time": "0:25"}),
        task("use", {"id": "it", "do": "Use", "crew": ["EV1"], "time": "0:05", "needs": ["rail"]}),
    )
    start = {s.step: s.start.p50 for s in flat(run.now).steps}
    assert start["use.it"] == 25 * 60
    run.done("rail.two", at=900)
    assert {s.step: s.start.p50 for s in flat(run.now).steps}["use.it"] == 900
