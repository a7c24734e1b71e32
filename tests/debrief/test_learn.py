"""What learning finds where the truth is known, how much of it is believed, and what is said of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.bench.truths import make
from tests.journal.memory_store import in_memory
from tests.seasons import Truth, events, plan
from tracker.cli.main import main
from tracker.debrief import learn as learning
from tracker.debrief import lessons
from tracker.debrief.forecast_scores import QUARTERS, judge
from tracker.debrief.learn import Lessons, Trial, blended, learn, trial
from tracker.debrief.prior_fit import Fit, fit, grid_of_learning, likelihood
from tracker.forecast.late_ticks import ticks_of
from tracker.forecast.pace import Layout, posterior
from tracker.forecast.pace_file import DEFAULT_PRIOR, PacePrior, read_pace
from tracker.forecast.pace_grid import HABITS, PROCESSES, Spreads
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress

AS_BELIEVED = Truth(
    median=1.05,
    spread=0.15,
    sigma=0.33,
    crew={"EV1": 0.0, "EV2": 0.0},
    work={"carry": 0.0, "drive": 0.0, "fasten": 0.0},
)


def _excursion(truth: Truth, seed: int, steps: int = 20) -> Progress:
    with in_memory(plan(steps, seed=seed % 5, consumables=False), seed=f"s-{seed}") as journal:
        journal.record_all(events(journal.plan, truth, seed=seed))
        return journal.progress()


def _fit(excursions: Sequence[Progress]) -> Fit:
    return fit([one for one in map(likelihood, excursions) if one is not None])


def _weight(found: Fit, *processes: str) -> float:
    return float(sum(found.processes[list(PROCESSES).index(name)] for name in processes))


@pytest.fixture(scope="module")
def found(season: tuple[Progress, ...]) -> Fit:
    """Return what twelve excursions say: median pace 1.15 with spread 0.06, noise 0.22."""
    return _fit(season)


def test_effects_level_and_noise_are_told_apart(found: Fit) -> None:
    crew, work = found.effect[:2], found.effect[2:]
    assert found.crew == (("EV1", "EV1"), ("EV2", "EV2")) and found.work == ("carry", "drive", "fasten")
    assert crew[1] - crew[0] == pytest.approx(0.16, abs=0.04)
    assert work[0] - work[1] == pytest.approx(0.35, abs=0.06)
    whole = found.mean + found.share @ found.effect
    assert whole == pytest.approx(math.log(1.15) + found.share[2] * 0.20 - found.share[3] * 0.15, abs=0.06)
    assert 0.05 < found.spread < 0.10
    assert _weight(found, "level") > 0.6


@pytest.fixture(scope="module")
def whole(season: tuple[Progress, ...]) -> PacePrior:
    """Return what they teach, all of it believed."""
    return learn(season)


def test_noise_is_written_as_what_a_pace_file_means_by_it(whole: PacePrior) -> None:
    assert whole.sigma == pytest.approx(0.24, abs=0.04)
    assert whole.sigma_weight > DEFAULT_PRIOR.sigma_weight


def test_what_a_narrower_belief_makes_of_it_is_what_the_filter_makes_of_it(
    season: tuple[Progress, ...],
) -> None:
    """The closed form of the level against the filter under that belief, component by component."""
    progress, mean, spread = season[0], math.log(1.2), 0.1
    one = likelihood(progress)
    assert one is not None
    steep = one.along @ one.level + 1 / spread**2
    slope = one.pull @ one.level + (mean - math.log(DEFAULT_PRIOR.median)) / spread**2
    ours = math.log(DEFAULT_PRIOR.median) + slope / steep
    middle_h = max(finish for _, finish in progress.planned.values()) / 7200.0
    belief = posterior(
        grid_of_learning(),
        Layout(tuple(c for c, _ in one.crew), one.work, middle_h),
        Spreads(1.2, spread, any_crew=0.0, any_work=0.0),
        ticks_of(progress, DEFAULT_PRIOR),
        temper=1.0,
    )
    steady = np.arange(len(ours)) < len(ours) // len(PROCESSES)
    assert ours[steady] == pytest.approx(belief.mean[steady, 0], abs=0.02)
    assert (1 / steep)[steady] == pytest.approx(belief.cov[steady, 0, 0], rel=0.05)


@pytest.mark.parametrize(
    ("kind", "names"),
    [("tiring", ("tires", "tires2")), ("tiring-hard", ("tires2",)), ("warm-up", ("warms",))],
)
def test_how_pace_changes_is_learned_over_excursions(kind: str, names: tuple[str, ...]) -> None:
    usual = sum(PROCESSES[name].weight for name in names)
    many = _fit([make(kind, number).progress(1e6) for number in range(300, 308)])
    assert _weight(many, *names) > max(0.35, 2.5 * usual)


def test_habits_of_ticking_are_learned() -> None:
    many = _fit([make("late-rounded", number).progress(1e6) for number in range(300, 306)])
    weights = dict(zip((h.id for h in HABITS), many.habits, strict=True))
    assert weights["minutes"] + weights["five_minutes"] > 0.5
    assert sum(weights.values()) == pytest.approx(1)


def test_the_more_excursions_the_less_the_built_in_belief() -> None:
    tired = [make("tiring-hard", number).progress(1e6) for number in range(300, 306)]
    shares = [_weight(_fit(tired[:n]), "tires2") for n in (1, 3, 6)]
    assert shares == sorted(shares)
    assert shares[0] < 0.2


def test_nothing_seen_is_what_is_built_in() -> None:
    assert learn([]) == DEFAULT_PRIOR
    with in_memory(plan(5), seed="none") as journal:
        assert learn([journal.progress()]) == DEFAULT_PRIOR


def test_an_id_that_two_people_had_says_nothing_of_the_next() -> None:
    def one(name: str, seed: int) -> Progress:
        whole = plan(20, seed=seed, consumables=False)
        crew = tuple(replace(m, name=name) if m.id == "EV1" else m for m in whole.crew)
        with in_memory(replace(whole, crew=crew), seed=name) as journal:
            journal.record_all(events(journal.plan, Truth(), seed=seed))
            return journal.progress()

    assert set(learn([one("Marit", 1), one("Marit", 2)]).crew) == {"EV1", "EV2"}
    two = [one("Marit", 1), one("Tove", 2)]
    assert set(learn(two).crew) == {"EV2"}
    untried = Lessons(two, learn(two), Trial(np.zeros((5, 0))))
    assert lessons.said(untried)[1] == (
        "left out: how fast EV1 is, for EV1 was Marit in 1 excursion and Tove in 1 excursion, and nothing "
        "says who is next; to learn of one of them, give the journals of that crew alone, or a season "
        "with --crew and the name"
    )


def test_a_share_of_it_is_between_the_built_in_belief_and_all_of_it(whole: PacePrior) -> None:
    none, half, all_of_it = (blended(whole, share) for share in (0.0, 0.5, 1.0))
    assert none.median == pytest.approx(DEFAULT_PRIOR.median)
    assert none.processes == pytest.approx({p.id: p.weight for p in PROCESSES.values()})
    assert all_of_it.median == pytest.approx(whole.median)
    assert all_of_it.crew["EV1"] == pytest.approx(whole.crew["EV1"])
    assert half.median == pytest.approx(math.sqrt(1.05 * whole.median))
    assert half.sigma == pytest.approx(math.sqrt(0.33 * whole.sigma))
    assert half.work["carry"][0] == pytest.approx(math.sqrt(whole.work["carry"][0]))
    assert half.processes["level"] == pytest.approx((0.43 + whole.processes["level"]) / 2)
    assert half.lateness["prompt"] == pytest.approx((0.62 + whole.lateness["prompt"]) / 2)


def _error(excursions: Sequence[Progress], prior: PacePrior) -> float:
    found = [judge(p, p.at, [p.at * q for q in QUARTERS], scenarios=200, prior=prior) for p in excursions]
    return float(np.mean([one.crps for one in found if one is not None]))


def test_19_all_is_believed_where_there_is_much_to_learn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve excursions of 60 steps; those that were not seen are forecast at .8 of the error at most."""
    monkeypatch.setattr(learning, "SCENARIOS", 100)
    monkeypatch.setattr(learning, "QUARTERS", (0.25,))
    seen = [_excursion(Truth(median=1.15, spread=0.06), seed, 60) for seed in range(12)]
    found = Lessons(seen, learn(seen), trial(seen, list(map(likelihood, seen))))
    assert found.share == 1.0
    fresh = [_excursion(Truth(median=1.15, spread=0.06), seed, 60) for seed in range(100, 106)]
    assert _error(fresh, found.prior) <= 0.8 * _error(fresh, DEFAULT_PRIOR)


def test_few_excursions_that_are_alike_by_chance_do_not_make_the_next_forecasts_worse(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Believed in full, four would make fresh ones of the same crew a tenth worse."""
    monkeypatch.setattr(learning, "SCENARIOS", 200)
    few = [_excursion(AS_BELIEVED, seed) for seed in range(600, 604)]
    found = Lessons(few, learn(few), trial(few, list(map(likelihood, few))))
    assert int(np.argmin(found.trial.crps.mean(axis=1))) == 4
    fresh = [_excursion(AS_BELIEVED, 9000 + seed) for seed in range(6)]
    usual = _error(fresh, DEFAULT_PRIOR)
    assert _error(fresh, found.learned) > 1.1 * usual
    assert _error(fresh, found.prior) <= 1.03 * usual


def test_what_would_have_forecast_worse_is_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(learning, "SCENARIOS", 200)
    truth, paths = replace(AS_BELIEVED, drift=0.25), []
    for seed in range(100, 104):
        paths.append(tmp_path / f"{seed}.sqlite")
        with Journal.create(paths[-1], plan(20, seed=seed % 5, consumables=False)) as journal:
            journal.record_all(events(journal.plan, truth, seed=seed))
    tried: list[Trial] = []

    def once(*excursions: Any) -> Trial:
        tried.extend([] if tried else [trial(*excursions)])
        return tried[0]

    monkeypatch.setattr(learning, "trial", once)
    out = tmp_path / "pace.yaml"
    assert main(["learn", *map(str, paths), "--out", str(out)]) == 1
    said = capsys.readouterr()
    assert "not written: these excursions teach nothing that helps" in said.err
    assert "no part of it forecasts better those that are left out" in said.out
    assert not out.exists()
    assert main(["learn", *map(str, paths), "--out", str(out), "--anyway"]) == 0
    assert "# these excursions teach nothing that helps" in out.read_text()
    assert len(read_pace(out.read_text(), "pace.yaml").learned_from) == 4


def _lessons(crps: Sequence[Sequence[float]], excursions: Sequence[Progress], **more: Any) -> Lessons:
    return Lessons(
        [replace(p, **more) for p in excursions], learn(excursions[:2]), Trial(np.array(crps, dtype=float))
    )


def test_what_is_said_of_a_trial(season: tuple[Progress, ...]) -> None:
    worse = [[100.0 + i for i in range(12)]] * 5
    better = [[(100.0 + i) * (1 - 0.1 * k) for i in range(12)] for k in range(5)]
    clear = _lessons(better, season)
    assert clear.share == 1.0
    assert lessons.verdict(clear) == [
        "left out in turn, 12 excursions are forecast with an error of 0:01:03 by what the others teach, "
        "0:01:45 without: 0:00:42 less, give or take 0:00:00",
        "all of it is believed",
    ]
    assert _lessons(worse, season).share == 0.0
    doubtful = np.array(worse)
    doubtful[2, 0] -= 30.0
    assert _lessons(doubtful.tolist(), season).share == 0.25
    assert lessons.verdict(_lessons(doubtful.tolist(), season))[0].endswith("no difference shown")
    # A half is better by one and a half of its standard errors, a quarter by two and a half.
    rng = np.linspace(-1.0, 1.0, 12)
    error = rng.std(ddof=1) / math.sqrt(12)
    luck = [100.0 + 0 * rng, 99.0 + rng * 0.4 / error, 98.5 + rng / error, *[100.0 + 0 * rng] * 2]
    assert int(np.argmin([row.mean() for row in luck])) == 2
    assert _lessons([list(row) for row in luck], season).share == 0.25
    few = _lessons([row[:4] for row in better], season[:4])
    assert few.share == 0.25
    alone = _lessons([[], [], [], [], []], season[:2], rehearsal=True)
    assert alone.share == 0.25
    assert lessons.said(alone)[0].startswith("rehearsals alone: only the simulated crew was learned; 2 exc")
    assert lessons.verdict(alone)[0].startswith("too few excursions to leave any out")


def test_the_table_tells_before_after_and_from_how_many_steps(
    season: tuple[Progress, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Four excursions by each of three plans.
    monkeypatch.setattr(lessons, "OFTEN", 4)
    lines = lessons.said(_lessons([[2.0] * 12, *[[1.0] * 12] * 4], season))
    assert lines[0] == "12 excursions, 480 steps"
    rows = {" ".join(line.split()[:-1]): line.split()[-1] for line in lines[1:]}
    assert any(name.startswith("EV1 1.00 ± 0.08") for name in rows)
    assert any(name.startswith("carry 1.00 ± 0.10") for name in rows)
    assert any("tires" in line for line in lines)
    assert any(line.startswith("planned times worth changing") for line in lines)


@pytest.mark.parametrize("n", range(5, 16))
def test_the_interval_of_a_median_holds_it_in_eighty_of_a_hundred(n: int) -> None:
    low, middle, high = lessons._middle([float(i) for i in range(n)])
    tail = int(low)
    assert (middle, high) == ((n - 1) / 2, n - 1 - low)
    assert 2 * stats.binom.cdf(tail, n, 0.5) <= 0.2 < 2 * stats.binom.cdf(tail + 1, n, 0.5)
