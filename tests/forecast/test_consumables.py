"""The belief about a store: by its rules, and by arithmetic where there is an answer on paper."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench.stores import gauges, judge
from tests.runs import Run, plan_of, step, task
from tracker.forecast.draws import KNOTS, REACH, Normals
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import ConsumableFigure, Leak, Range
from tracker.forecast.readings import (
    FAULTY_FALL,
    FAULTY_FROM,
    LEAKS_FROM,
    READING_TIMES,
    SUSPECTED_AT_MOST,
    Drawn,
    Store,
    Terms,
    Used,
    believed,
    carried,
    drawn,
    full,
    next_reading,
    read,
    suspected,
)
from tracker.forecast.remaining import build_world
from tracker.forecast.store_course import planned_supplies
from tracker.forecast.wording import leak_words
from tracker.journal.progress import Reading

HOUR = 3600.0
Rows = NDArray[np.float32]
NORMALS = Normals("a", 400)


def reading(at: float, value: float, *, replaced: bool = False) -> Reading:
    return Reading("EV1", "oxygen", at, value, replaced, 1)


def steady(per_hour: float) -> Used:
    return lambda a, b: max(0.0, b - max(a, 0.0)) * per_hour / HOUR


def terms(*, spread: float = 0.15, rate: float = 10.0, sd: float = 0.5, walk: float = 0.15) -> Terms:
    return Terms(100.0, sd, "kg", rate, spread=spread, walk=walk)


def after(*readings: Reading, now: float, spread: float = 0.15, sd: float = 0.5, walk: float = 0.15) -> Store:
    known = terms(spread=spread, sd=sd, walk=walk)
    return believed(readings, steady(known.mean_per_hour), known, now=now)


def rows(store: Store, known: Terms, *, hours: float = 4.0) -> Drawn:
    row = NORMALS
    return drawn(store, known, row.places("use", "fast"), row("level"), row("ahead"), hours=hours)


def rate(store: Store) -> float:
    """Return the mean rate believed, where the grid has all its points."""
    return float(store.weights @ terms().rates) if len(store.weights) > 1 else 1.0


def test_before_any_reading_the_plan_is_believed() -> None:
    store = full(terms())
    assert store.level == pytest.approx(100.0)
    assert rate(store) == pytest.approx(1.0, abs=0.005)
    assert store.sd == pytest.approx(READING_TIMES * 0.5)
    assert store.read_at is None and store.flagged is None and store.leak is None


def test_without_readings_the_level_falls_at_the_planned_rate_and_grows_unsure() -> None:
    store = after(now=HOUR)
    assert store.level == pytest.approx(90.0, abs=0.15)
    spread = np.sqrt(store.weights @ (terms().rates - rate(store)) ** 2)
    assert store.sd == pytest.approx(np.sqrt((READING_TIMES * 0.5) ** 2 + 1.2**2 + (10 * spread) ** 2))


def test_levels_never_rise_along_the_grid_and_weights_add_up_to_one() -> None:
    store = after(reading(1800, 94.0), reading(3600, 97.0), reading(5400, 60.0), now=2 * HOUR)
    assert (np.diff(store.levels) <= 1e-12).all()
    assert store.weights.sum() == pytest.approx(1.0) and (store.weights > 0).all()


def test_the_posterior_of_the_rate_is_prior_times_likelihood() -> None:
    """One reading of a steady store: by hand over the same rates, level and gauge error integrated out."""
    known = terms(walk=0.0)
    store = after(reading(HOUR, 88.0), now=HOUR, walk=0.0)
    taken = np.where(known.rates > LEAKS_FROM, LEAKS_FROM + (known.rates - LEAKS_FROM), known.rates) * 10.0
    sd = np.sqrt(2 * (READING_TIMES * 0.5) ** 2 + (0.02 * 10.0) ** 2)
    off = (88.0 - (100.0 - taken)) / sd
    log = np.where(abs(off) <= 2.5, -off * off / 2, -2.5 * abs(off) + 2.5**2 / 2)
    expected = full(known).weights * np.exp(log)
    assert store.weights == pytest.approx(expected / expected.sum(), abs=1e-9)


def test_readings_teach_the_rate() -> None:
    times = [600.0 * k for k in range(1, 30)]
    store = after(*(reading(t, 100 - 13 * t / HOUR) for t in times), now=times[-1])
    assert rate(store) == pytest.approx(1.3, abs=0.1)
    assert store.level == pytest.approx(100 - 13 * times[-1] / HOUR, abs=0.6)
    assert store.flagged is None


def test_a_low_reading_is_believed_at_once_and_flagged() -> None:
    store = after(reading(HOUR, 60.0), now=HOUR)
    assert store.level == pytest.approx(60.0, abs=0.1)
    assert store.flagged is not None
    assert "oxygen read 60 kg at 1:00" in store.flagged and "below what was expected" in store.flagged
    assert store.flagged.endswith("taken as true")


def test_of_a_high_reading_only_a_part_is_believed_until_another_one_has_come() -> None:
    once = after(reading(HOUR, 90.0), reading(1.5 * HOUR, 99.0), now=1.5 * HOUR)
    assert 85.0 < once.level < 92.0
    assert once.flagged is not None and once.flagged.endswith("taken in part until the next reading")
    twice = after(reading(HOUR, 90.0), reading(1.5 * HOUR, 99.0), reading(1.6 * HOUR, 98.1), now=1.6 * HOUR)
    assert twice.level == pytest.approx(98.1, abs=1.0)


def test_a_high_reading_alone_is_forgotten_when_the_next_one_fits() -> None:
    store = after(reading(HOUR, 90.0), reading(1.5 * HOUR, 99.0), reading(2 * HOUR, 80.0), now=2 * HOUR)
    assert store.level == pytest.approx(80.0, abs=0.6)
    assert store.aside == 0.0


def test_a_slip_is_put_right_by_the_two_readings_after_it() -> None:
    typed = [reading(HOUR, 90.0), reading(1.5 * HOUR, 8.5)]
    store = after(*typed, reading(1.6 * HOUR, 84.0), reading(1.7 * HOUR, 83.0), now=1.7 * HOUR)
    assert store.level == pytest.approx(83.0, abs=1.0)


def test_replaced_starts_a_new_store_and_keeps_what_was_learnt_of_its_crew() -> None:
    times = [600.0 * k for k in range(1, 20)]
    readings = [reading(t, 100 - 12.5 * t / HOUR) for t in times]
    old, new = (
        after(*readings, *more, now=12_000) for more in ((), (reading(12_000, 100.0, replaced=True),))
    )
    assert new.level == pytest.approx(100.0)
    assert rate(new) == pytest.approx(rate(old), abs=0.05)
    assert new.leak is None and new.read_at == 12_000


def test_whether_a_leak_was_the_old_store_s_own_is_open_after_it_was_replaced() -> None:
    readings = [reading(600.0 * k, 100 - 22 * 600 * k / HOUR) for k in range(1, 10)]
    old, new = (after(*readings, *more, now=5500) for more in ((), (reading(5500, 100.0, replaced=True),)))
    leaks = terms().rates > LEAKS_FROM
    assert old.weights[leaks].sum() > 0.95
    assert 0.45 < new.weights[leaks].sum() < 0.55


def test_a_reading_before_zero_counts_at_zero() -> None:
    store = after(reading(-300, 99.0), now=0)
    assert store.at == 0.0
    assert store.level == pytest.approx(99.5)
    assert rate(store) == pytest.approx(rate(full(terms())))


def test_without_a_spread_there_is_one_rate_and_every_reading_counts_by_its_error_alone() -> None:
    """Start and gauge are equally exact: halfway, whatever has been used."""
    store = after(reading(HOUR, 89.5), now=2 * HOUR, spread=0.0)
    assert store.levels == pytest.approx([79.75])
    assert store.variance == pytest.approx((READING_TIMES * 0.5) ** 2 / 2)
    found = rows(store, terms(spread=0.0))
    assert (found.use == 1.0).all() and found.leak_per_hour is None


def test_exact_readings_of_a_steady_store_are_taken_exactly() -> None:
    store = after(reading(HOUR, 88.0), now=HOUR, spread=3.0, sd=0.0, walk=0.0)
    assert store.level == pytest.approx(88.0, abs=1e-3)
    assert rate(store) == pytest.approx(1.2, abs=0.005)


def test_exact_readings_without_a_spread_contradict_or_do_not() -> None:
    assert after(reading(HOUR, 90.0), now=HOUR, spread=0.0, sd=0.0).flagged is None
    low = after(reading(HOUR, 85.0), now=HOUR, spread=0.0, sd=0.0)
    assert low.level == 85.0 and low.flagged is not None


def test_beyond_a_rate_of_a_half_more_a_store_leaks_whatever_its_crew_does() -> None:
    known = terms()
    resting, working = known.takes(0.0, 1.0), known.takes(20.0, 1.0)
    assert resting[known.rates <= LEAKS_FROM].max() == 0.0
    assert resting[-1] == pytest.approx((4.0 - LEAKS_FROM) * 10.0)
    assert working[-1] - resting[-1] == pytest.approx(LEAKS_FROM * 20.0)


def test_a_leak_is_said_from_even_odds_on_with_the_reading_that_showed_it() -> None:
    known, used = terms(), steady(10.0)
    values = [(1800.0 * k, 100 - 5.0 * k - max(0, k - 4) * 5.0) for k in range(1, 9)]
    said = [
        believed([reading(*v) for v in values[:k]], used, known, now=values[k - 1][0]).leak for k in (4, 8)
    ]
    assert said[0] is None
    leak = said[1]
    assert leak is not None and leak.probability > 0.9
    assert leak.factor == pytest.approx(2.0, abs=0.2)
    assert leak.per_hour == pytest.approx((leak.factor - 1) * 10.0)
    assert 5 * 1800 <= leak.since <= 6 * 1800
    later = believed([reading(*v) for v in values], used, known, now=6 * HOUR).leak
    assert later == leak


def test_a_leak_in_words() -> None:
    anywhere = Range(None, None, None)
    sound = ConsumableFigure("EV2", "battery", "Wh", 300, anywhere, 60, anywhere, 0.1)
    leaks = replace(sound, leak=Leak(0.8, 1.62, 6.2, 9000))
    assert leak_words(leaks) == "EV2 battery falls 1.6 times as fast as planned since 2:30"
    assert leak_words(replace(leaks, crew="*", consumable="gas")).startswith("shared gas falls")
    assert leak_words(sound) == ""


def test_the_rates_drawn_are_those_believed() -> None:
    known = terms()
    store = after(*(reading(1800.0 * k, 100 - 6.5 * k) for k in range(1, 7)), now=3 * HOUR)
    row = Normals("a", 40_000)
    found = drawn(store, known, row.places("use", "fast"), row("level"), row("ahead"), hours=0.0)
    assert found.leak_per_hour is not None
    total = found.use + found.leak_per_hour / known.mean_per_hour
    assert total.mean() == pytest.approx(rate(store), abs=0.01)
    assert found.level.mean() == pytest.approx(store.level, abs=0.05)
    assert found.level.std() == pytest.approx(store.sd, rel=0.05)
    # A rate of the grid stands for all that are nearest to it.
    edges = math.log(known.rates[0]) + math.log(known.rates[1] / known.rates[0]) * (np.arange(82) - 0.5)
    beyond = 1 - np.interp(math.log(LEAKS_FROM), edges, np.concatenate([[0], np.cumsum(store.weights)]))
    assert (total > LEAKS_FROM).mean() == pytest.approx(float(beyond), abs=0.005)


def test_the_fastest_tenth_falls_into_the_same_scenarios_for_every_store() -> None:
    row = Normals("a", 40_000)
    a, b = (place.knot + place.beyond for place in (row.places("one", "fast"), row.places("other", "fast")))
    fast_a, fast_b = (row > np.quantile(row, 0.9) for row in (a, b))
    assert (fast_a & fast_b).mean() == pytest.approx(0.1, abs=0.004)
    assert abs(np.corrcoef(a[~fast_a & ~fast_b], b[~fast_a & ~fast_b])[0, 1]) < 0.02
    own = (row("one") + REACH) * (KNOTS - 1) / (2 * REACH)
    assert np.quantile(a, (0.1, 0.5, 0.95)) == pytest.approx(np.quantile(own, (0.1, 0.5, 0.95)), abs=1.5)


def test_how_far_rates_wander_on_depends_on_no_reading() -> None:
    """With and without time to come, rates differ by the same factor in a scenario, whatever was read."""
    known, apart = terms(), []
    for value in (40.0, 90.0, 95.0):
        store = after(reading(HOUR, value), now=HOUR)
        totals = []
        for hours in (0.0, 4.0):
            found = rows(store, known, hours=hours)
            leak = 0.0 if found.leak_per_hour is None else found.leak_per_hour
            totals.append(found.use + leak / np.float32(known.mean_per_hour))
        apart.append(totals[1] / totals[0])
    assert apart[0] == pytest.approx(apart[1], rel=1e-4)
    assert apart[2] == pytest.approx(apart[1], rel=1e-4)


def test_the_next_reading_is_expected_with_the_error_of_its_gauge() -> None:
    known = terms(spread=0.0)
    store = full(known)
    low, middle, high = next_reading(store, known)
    sd = READING_TIMES * 0.5 * 2**0.5
    assert middle == pytest.approx(100.0)
    assert (high - middle) == pytest.approx(1.2816 * sd, rel=0.06)
    assert (middle - low) == pytest.approx(1.2816 * sd, rel=0.06)
    wide = next_reading(after(now=2 * HOUR), terms())
    assert wide[1] == pytest.approx(80.0, abs=0.3)
    assert wide[2] - wide[0] > 2 * (high - low)


@dataclass(frozen=True)
class History:
    """A random store, and what was read of it."""

    known: Terms
    used: Used
    readings: Sequence[Reading]
    now: float

    @staticmethod
    def of(seed: int) -> History:
        rng = random.Random(seed)
        per_hour = rng.uniform(2, 30)
        known = Terms(
            100.0,
            rng.choice([0.0, 0.01, 0.5, 2.0, 5.0]),
            "kg",
            rng.choice([0.0, per_hour, per_hour * 1.3]),
            spread=rng.choice([0.0, 0.03, 0.15, 0.15, 0.5, 3.0]),
            walk=rng.choice([0.0, 0.15, 0.15, 0.4]),
        )
        at, level, found = rng.choice([-600.0, 0.0, 1200.0]), 100.0, []
        for _ in range(rng.randrange(1, 9)):
            value = level + rng.gauss(0, 1) * rng.choice([0.0, 0.5, 3.0, 30.0])
            found.append(reading(at, value, replaced=rng.random() < 0.05))
            gone = rng.choice([0.0, 30.0, 600.0, 1800.0, 7200.0])
            at, level = at + gone, level - rng.choice([0.5, 1.0, 1.0, 2.0]) * per_hour * gone / HOUR
        last = max(found[-1].at, 0.0)
        return History(known, steady(per_hour), found, last + rng.choice([0.0, 60.0, 3600.0]))

    def rows(self, lower: float) -> Drawn:
        """Return the store in every scenario if the latest reading had been so much lower."""
        *before, latest = self.readings
        changed = reading(latest.at, latest.value - lower, replaced=latest.replaced)
        store = believed([*before, changed], self.used, self.known, now=self.now)
        return rows(store, self.known, hours=5.0)


def instants(found: Drawn, *, reserve: float, work: float, waiting: float) -> NDArray[np.float64]:
    """Return the hours until the reserve is reached: the test of every limit, from level and rates."""
    leak = np.zeros(len(found.level)) if found.leak_per_hour is None else found.leak_per_hour
    use = found.use.astype(np.float64)
    return np.asarray((found.level - reserve - use * work) / (use * waiting + leak))


@pytest.mark.parametrize("block", range(8))
def test_no_lower_latest_reading_makes_anything_better_in_any_scenario(block: int) -> None:
    """Over 4,000 random histories: gauges exact and bad, slips, gaps, replaced stores, any belief."""
    rng = random.Random(block)
    for seed in range(500 * block, 500 * (block + 1)):
        history = History.of(seed)
        lower = rng.choice([1e-6, 0.1, 1.0, 10.0, 80.0])
        better, worse = history.rows(0.0), history.rows(lower)
        near = 1e-5 * 200
        assert (worse.level <= better.level + near).all(), seed
        assert (worse.use >= better.use - 1e-5).all(), seed
        leaks = [0.0 if one.leak_per_hour is None else one.leak_per_hour for one in (worse, better)]
        assert np.all(leaks[0] >= leaks[1] - 1e-4), seed
        work, waiting = rng.uniform(0, 20), rng.uniform(1, 20)
        at = [instants(one, reserve=10.0, work=work, waiting=waiting) for one in (worse, better)]
        left = [one.level - one.use * work for one in (worse, better)]
        kept = left[1] > 10.0
        assert (at[0][kept] <= at[1][kept] + 1e-3).all(), seed
        assert (left[0] <= left[1] + near).all(), seed


def test_carrying_on_keeps_the_order_of_two_beliefs() -> None:
    known, used = terms(), steady(10.0)
    low, high = (after(reading(HOUR, value), now=HOUR) for value in (84.0, 91.0))
    for to in (HOUR + 60, 2 * HOUR, 4 * HOUR):
        for on in (carried, suspected):
            a, b = (on(store, to, used, known) for store in (low, high))
            assert (np.cumsum(a.weights) <= np.cumsum(b.weights) + 1e-12).all()
            assert (a.levels <= b.levels + 1e-9).all()
            found = [rows(one, known) for one in (a, b)]
            assert (found[0].level <= found[1].level + 1e-4).all()


def test_what_is_suspected_before_a_reading_equals_drawing_it() -> None:
    """By drawing: a rate walks for an hour; of one in seven, the faulty are drawn and the greater counts."""
    known, rng, n = terms(), np.random.default_rng(8), 200_000
    start = rng.choice(known.rates, n, p=full(known).weights)
    end = start * np.exp(0.15 * rng.standard_normal(n))
    rates = known.rates[known.rates >= FAULTY_FROM]
    faulty = rng.choice(rates, n, p=rates**-FAULTY_FALL / (rates**-FAULTY_FALL).sum())
    end = np.where(rng.random(n) < SUSPECTED_AT_MOST, np.maximum(end, faulty), end)
    store = suspected(full(known), HOUR, steady(10.0), known)
    for at in (0.7, 0.9, 1.0, 1.2, 1.5, 2.5):
        below = store.weights[known.rates < at].sum()
        assert below == pytest.approx((end < at).mean(), abs=0.025)
    near = (end > 1.9) & (end < 2.1)
    level = (100 - 5 * np.minimum(start, 1.5) - 5 * np.minimum(end, 1.5) - 5 * np.maximum(end - 1.5, 0))[near]
    middle = (known.rates > 1.9) & (known.rates < 2.1)
    assert np.average(store.levels[middle], weights=store.weights[middle]) == pytest.approx(
        level.mean(), abs=0.2
    )


def test_leaks_are_warned_of_by_the_second_reading() -> None:
    """On simulated stores that no constant was chosen with; in full: `python -m tests.bench stores`."""
    seen = judge(range(9000, 9080), leak=True, rough=False)
    assert np.quantile(seen.warned, 0.5) <= 35.0
    assert np.mean(seen.held) > 0.8
    sound = judge(range(9000, 9080), leak=False, rough=False)
    assert sound.alarms / 80 <= 0.06 and np.mean(sound.held) > 0.8


def test_published_gauge_readings_fall_into_the_ranges_given_before() -> None:
    """Apollo 16, oxygen of both crew members, read to about 5 percent either way."""
    held, of = gauges(2.5)
    assert held / of >= 0.65


def test_a_reading_at_the_same_instant_as_the_one_before_counts_as_well() -> None:
    once = after(reading(HOUR, 88.0), now=HOUR)
    twice = after(reading(HOUR, 88.0), reading(HOUR, 88.0), now=HOUR)
    assert twice.variance < once.variance
    assert twice.level == pytest.approx(88.0, abs=0.5)
    assert read(once, reading(HOUR, 88.0), terms()).level == pytest.approx(twice.level)


POWER = {"id": "power", "unit": "%", "start": 100, "reserve": 10, "per_hour": 20, "reading_sd": 1}


def test_an_estimate_says_what_a_gauge_would_show_and_that_a_store_leaks() -> None:
    run = Run(task("work", step("a", "EV1", 200)), crew="EV1", consumables=[POWER])
    [before] = estimate(run.now, 1800).consumables
    assert before.leak is None and before.expected is not None and before.expected.p50 is not None
    assert before.expected.p50 == pytest.approx(90, abs=0.5)
    for at, value in ((60, 80), (90, 62), (120, 43)):
        run("reading", at * 60.0, crew="EV1", consumable="power", value=value)
    made = estimate(run.now)
    [figure] = made.consumables
    assert figure.leak is not None and figure.leak.probability >= 0.5
    assert figure.leak.since in (5400.0, 7200.0) and figure.leak.factor == pytest.approx(1.9, abs=0.25)
    said = made.as_json()["consumables"][0]
    assert set(said["leak"]) == {"probability", "factor", "per_hour", "since"}
    assert set(said["expected"]) == {"p10", "p50", "p90"}


def test_a_leak_goes_on_while_its_crew_rests() -> None:
    """Two worlds that differ by the leak alone: waiting costs more, work the same beyond it."""
    world = build_world(_leaking().now, now=7200.0, scenarios=2000)
    [account] = world.accounts
    assert account.leak_per_s is not None and account.use.max() <= np.float32(LEAKS_FROM)
    usual = account.waiting_per_s * account.use + account.leak_per_s
    np.testing.assert_allclose(world.waiting[0] * account.use, usual, rtol=1e-5)


def _leaking() -> Run:
    run = Run(task("work", step("a", "EV1", 200)), crew="EV1", consumables=[POWER])
    for at, value in ((60, 80), (90, 62), (120, 43)):
        run("reading", at * 60.0, crew="EV1", consumable="power", value=value)
    return run


def test_the_planned_mean_is_what_the_paper_takes() -> None:
    works = task("work", step("a", "EV1", 120), step("b", "EV1", 60, use={"power": 1.9}))
    plan = plan_of(works, crew="EV1", consumables=[POWER])
    assert planned_supplies(plan)["EV1", "power"].mean_per_hour == pytest.approx(26.0)
