"""The kept set is the best of all sets: the search against trying every one of them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.chance import Kind, brute, chance
from tests.worlds import Ask, Optional, Store, Work, world
from tracker.forecast.kept_set import kept_set
from tracker.forecast.task_sets import TaskSets

KINDS = {
    "plain": Kind(),
    "stores only": Kind(windows=False),
    "two confidences": Kind(two=True),
    "leaks": Kind(leaks=True),
    "ways home": Kind(homes=True, optional=4),
    "hardware clocks": Kind(clocks=True, optional=4),
    "use below waiting": Kind(light=True, optional=4),
    "everything": Kind(homes=True, clocks=True, light=True, two=True, optional=4),
}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_search_equals_trying_every_set(kind: Kind) -> None:
    interesting = 0
    for seed in range(15):
        made = chance(seed, kind)
        best, found = brute(made), kept_set(TaskSets(made))
        assert found.proven
        assert found.holds == (best is not None), seed
        if best is not None:
            assert found.tasks == best[2], seed
            assert TaskSets(made).outcome(found.tasks).failing.any == best[1]
            interesting += 0 < len(found.tasks) < len(made.optional)
    assert interesting >= 4, "cases that decide nothing prove nothing"


@pytest.mark.parametrize(
    "kind", [Kind(optional=6), Kind(two=True, optional=6), *list(KINDS.values())[3:]], ids=str
)
def test_the_bound_of_long_searches_prunes_nothing_better(
    kind: Kind, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the bound from the first set on, and few scenarios looked at first."""
    monkeypatch.setattr("tracker.forecast.kept_set.SHORT", 0)
    monkeypatch.setattr("tracker.forecast.kept_set.FEW", 8)
    for seed in range(15, 25):
        made = chance(seed, kind)
        best, found = brute(made), kept_set(TaskSets(made))
        assert found.proven and found.holds == (best is not None), seed
        assert best is None or found.tasks == best[2], seed


def test_the_bound_saves_most_of_a_long_search(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tasks alike, of which about half fit: sets by the hundred, nearly all as good as each other."""
    tasks = {f"t{m}": Optional() for m in range(12)}
    rng = np.random.default_rng(7)
    works = [Work(name, "EV1", list(rng.lognormal(6.4, 0.1, 400)), name) for name in tasks]
    home = Work("home", "EV1", list(rng.lognormal(7, 0.3, 400)), closeout=True)
    made = world([*works, home], 5000.0, Ask(tasks))
    assert kept_set(TaskSets(made), budget=1000).proven
    found = kept_set(TaskSets(made), budget=10**6)
    assert len(found.tasks) == 5
    monkeypatch.setattr("tracker.forecast.kept_set.SHORT", 10**6)
    assert not kept_set(TaskSets(made), budget=1000).proven
    assert kept_set(TaskSets(made), budget=10**6).tasks == found.tasks


def test_the_bound_counts_a_closer_that_tasks_share_no_more_than_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The closer takes most of the store, whichever of the tasks opened the cover."""
    tasks = {f"t{m}": Optional() for m in range(4)}
    seconds = {"t0": 110.0, "t1": 105.0, "t2": 100.0, "t3": 95.0}
    works = [Work(name, "EV1", seconds[name], name, opens="cover") for name in tasks]
    close = Work("close", "EV1", 200.0, "t3", closes="cover", extra=5.0)
    levels = list(np.random.default_rng(3).normal(1650.0, 20.0, 500))
    home = Work("home", "EV1", [100.0] * 500, closeout=True)
    made = world([*works, close, home], 1e4, Ask(tasks, [Store("EV1", levels, waiting=1.0)]))
    monkeypatch.setattr("tracker.forecast.kept_set.SHORT", 0)
    best, found = brute(made), kept_set(TaskSets(made))
    assert best is not None and found.tasks == best[2] == {1, 2, 3}
